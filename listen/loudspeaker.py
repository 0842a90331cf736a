"""The loudspeaker, in a process of its own, for what PortAudio may do: see `listen.soundcard`.

The process is this module: ``python -m listen.loudspeaker``. It answers when what it was given has
been played, so that the next thing to be said waits for it.
"""

import contextlib
import os
import struct
import threading

import numpy as np

from analysis.sound import Samples
from listen.child import Child, Gone, serve

RATE = struct.Struct("<I")
OPENING_S = 10.0


class Loudspeaker:
    """Plays samples; started when it is made, so that the first answer is not late."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._child: Child | None = Child("listen.loudspeaker")
        self._ready = False

    def play(self, samples: Samples, rate_hz: int) -> None:
        """Play samples and return when they have been heard.

        Raises
        ------
        OSError
            If they cannot be played; the next ones are tried again.
        """
        with self._lock:
            child = self._child = self._child or Child("listen.loudspeaker")
        try:
            if not self._ready:
                child.answer(OPENING_S)
                self._ready = True
            data = RATE.pack(rate_hz) + np.asarray(samples, "<f4").tobytes()
            trouble = child.ask(data, len(samples) / rate_hz + OPENING_S)
        except Gone as gone:
            self._child, self._ready = None, False
            raise OSError(f"the sound library {gone}") from None
        if trouble:
            raise OSError(trouble)

    def end(self) -> None:
        """End the process, in the middle of a word if it must be."""
        with self._lock:
            if self._child is not None:
                self._child.end()


def _play(question: bytes) -> str | None:
    import sounddevice

    try:
        samples = np.frombuffer(question[RATE.size :], "<f4")
        sounddevice.play(samples, RATE.unpack(question[: RATE.size])[0], blocking=True)
    except sounddevice.PortAudioError as trouble:
        return str(trouble.args[0])
    return None


def _main() -> None:
    try:
        import sounddevice  # noqa: F401, now rather than at the first answer
    except OSError as trouble:
        words = str(trouble)
        serve(lambda question: words)
        return
    serve(_play)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        _main()
    os._exit(0)  # the library's own end can hang on a device that is gone
