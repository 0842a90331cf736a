"""The loudspeaker, in a process of its own, for what PortAudio may do: see `listen.soundcard`.

The process is this module: ``python -m listen.loudspeaker``. It answers when what it was given has
been played, so that the next thing to be said waits for it.
"""

import contextlib
import os
import struct
import threading
import time
from typing import Any

import numpy as np

from analysis.sound import Samples
from listen.child import Child, Gone, serve

RATE = struct.Struct("<I")
OPENING_S = 10.0
LATE_S = 3.0
"""How much longer than the sound itself playing it may take."""


class Loudspeaker:
    """Plays samples; started when it is made, so that the first answer is not late."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._child: Child | None = Child("listen.loudspeaker")
        self._ready = self._over = False

    def play(self, samples: Samples, rate_hz: int) -> None:
        """Play samples and return when they have been heard.

        Raises
        ------
        OSError
            If they cannot be played; the next ones are tried again.
        """
        with self._lock:
            if self._over:
                raise OSError("the session is over")
            child = self._child = self._child or Child("listen.loudspeaker")
        try:
            if not self._ready:
                child.answer(OPENING_S)
                self._ready = True
            data = RATE.pack(rate_hz) + np.asarray(samples, "<f4").tobytes()
            trouble = child.ask(data, len(samples) / rate_hz + LATE_S)
        except Gone as gone:
            with self._lock:
                self._child, self._ready = None, False
            raise OSError(f"the sound library {gone}") from None
        if trouble:
            raise OSError(trouble)

    def end(self) -> None:
        """End the process, in the middle of a word if it must be."""
        with self._lock:
            self._over = True
            if self._child is not None:
                self._child.end()


class _Output:
    """An output of the sound card that stays open, so that an answer begins at once."""

    def __init__(self) -> None:
        import sounddevice

        self._rest = np.zeros(0, np.float32)
        self._played = threading.Event()
        self._stream = sounddevice.OutputStream(
            channels=1, dtype="float32", latency="low", callback=self._fill
        )
        self._stream.start()

    def play(self, samples: Samples, rate_hz: int) -> None:
        """Play samples and return when they have been heard."""
        import soxr

        self._played.clear()
        self._rest = soxr.resample(samples, rate_hz, self._stream.samplerate)
        if not len(self._rest):
            return
        self._played.wait()
        time.sleep(self._stream.latency)

    def _fill(self, out: Any, count: int, _time: Any, _status: Any) -> None:
        now, self._rest = self._rest[:count], self._rest[count:]
        out[: len(now), 0] = now
        out[len(now) :] = 0.0
        if len(now) and not len(self._rest):
            self._played.set()


def _main() -> None:
    try:
        output = _Output()
    except Exception as trouble:  # no library, no output: the screen says it, too
        words = str(trouble)
        serve(lambda question: words)
        return

    def play(question: bytes) -> None:
        rate = RATE.unpack(question[: RATE.size])[0]
        output.play(np.frombuffer(question[RATE.size :], "<f4"), rate)

    serve(play)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        _main()
    os._exit(0)  # the library's own end can hang on a device that is gone
