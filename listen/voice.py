"""The program's own voice: a spoken answer, or short tones where the machine has no voice.

Speech is made by espeak-ng where it is installed, otherwise by what the operating system has, by
way of pyttsx3; sounddevice plays it. `Voice.say` returns at once: a thread of its own speaks.

While it speaks, and a little after (the room's echo), `Spoke.covers` is true of the time. The
recogniser then hears nothing, and a change in that time is one the program may have made itself.
The fallback tones are two pitches that glide, which no buzzer does.
"""

import io
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
import wave
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import numpy as np

from analysis.sound import Samples

ECHO_S = 0.3
"""How long the room may still repeat what was said."""
SPEED = 190  # words a minute
TONE_RATE_HZ = 22_050

VoiceKind = Literal["espeak-ng", "system", "tones"]
Waveform = tuple[Samples, int]


class Spoke:
    """When the program itself was speaking, on the clock of the sound that is listened to."""

    def __init__(self) -> None:
        self._spans: deque[list[float]] = deque(maxlen=200)
        self._lock = threading.Lock()

    def begins(self, at_s: float) -> None:
        """It begins to speak; until `ends` everything later is covered."""
        with self._lock:
            self._spans.append([at_s, np.inf])

    def ends(self, at_s: float) -> None:
        """It has stopped speaking."""
        with self._lock:
            if self._spans:
                self._spans[-1][1] = at_s + ECHO_S

    def spans(self) -> list[tuple[float, float]]:
        """Return from when to when it spoke; the last end is infinite while it speaks."""
        with self._lock:
            return [(start, end) for start, end in self._spans]

    def all_of(self, start_s: float, end_s: float) -> bool:
        """Whether it spoke all the time from `start_s` to `end_s`."""
        until_s = start_s
        for start, end in self.spans():
            if start <= until_s:
                until_s = max(until_s, end)
        return until_s >= end_s and self.covers(start_s, end_s)

    def covers(self, start_s: float, end_s: float) -> bool:
        """Whether any of the time from `start_s` to `end_s` is its own."""
        with self._lock:
            return any(start < end_s and start_s < end for start, end in self._spans)


class Voice:
    """Says things aloud, one after the other, without making anybody wait.

    Parameters
    ----------
    clock : callable
        Returns the time now, in seconds since listening began.
    spoke : Spoke
        Is told when it speaks.
    play : callable, optional
        Plays samples at a rate and returns when they have been heard; sounddevice by default.
    kind : {"espeak-ng", "system", "tones"}, optional
        How to make speech; by default the first of them that this machine has.
    """

    def __init__(
        self,
        clock: Callable[[], float],
        spoke: Spoke,
        play: Callable[[Samples, int], None] | None = None,
        kind: VoiceKind | None = None,
    ) -> None:
        self.kind: VoiceKind = kind or best_kind()
        self.trouble: str | None = None
        self._clock, self._spoke, self._play = clock, spoke, play or _play
        self._words: queue.Queue[str | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)
        self._thread.start()

    def say(self, words: str) -> None:
        """Say words when what was said before is over; returns at once."""
        self._words.put(words)

    def wait(self) -> None:
        """Wait until everything has been said."""
        self._words.join()

    def close(self, wait_s: float = 10.0) -> None:
        """Say what is left and end."""
        self._words.put(None)
        self._thread.join(timeout=wait_s)

    def _run(self) -> None:
        while (words := self._words.get()) is not None:
            self._speak(words)
            self._words.task_done()
        self._words.task_done()

    def _speak(self, words: str) -> None:
        try:
            samples, rate = make_speech(words, self.kind)
        except Exception as trouble:  # whatever a speech engine raises, tones still work
            self.kind, self.trouble = "tones", f"no voice ({trouble}): tones instead"
            samples, rate = tones(words)
        self._spoke.begins(self._clock())
        try:
            self._play(samples, rate)
        except Exception as trouble:  # no output device: what it says is on the screen, too
            self.trouble = f"nothing can be played here: {trouble}"
        finally:
            self._spoke.ends(self._clock())


def make_speech(words: str, kind: VoiceKind) -> Waveform:
    """Return spoken words as samples and their rate."""
    samples, rate = _speech(words, kind)
    loud = np.flatnonzero(np.abs(samples) > 0.01)
    return (samples[loud[0] : loud[-1] + 1] if len(loud) else samples), rate


def _speech(words: str, kind: VoiceKind) -> Waveform:
    if kind == "espeak-ng":
        command = ["espeak-ng", "-v", "en-gb", "-s", str(SPEED), "--stdout", "--", words]
        return _from_wav(
            subprocess.run(command, check=True, capture_output=True, timeout=10).stdout
        )
    if kind == "system":
        return _system_speech(words)
    return tones(words)


def tones(words: str) -> Waveform:
    """Return two short gliding tones: rising for an answer, falling for a question."""
    ends = (700.0, 1100.0) if not words.endswith("?") else (1100.0, 700.0)
    n = int(0.12 * TONE_RATE_HZ)
    glide = np.linspace(*ends, n)
    one = np.sin(2 * np.pi * np.cumsum(glide) / TONE_RATE_HZ) * np.hanning(n)
    gap = np.zeros(n // 2)
    return np.asarray(0.4 * np.concatenate([one, gap, one]), np.float32), TONE_RATE_HZ


def best_kind() -> VoiceKind:
    """Return the best kind of voice that this machine has."""
    if shutil.which("espeak-ng"):
        return "espeak-ng"
    return "system" if sys.platform in ("darwin", "win32") else "tones"


def _system_speech(words: str) -> Waveform:
    import pyttsx3

    engine: Any = pyttsx3.init()
    engine.setProperty("rate", SPEED)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        engine.save_to_file(words, str(path))
        engine.runAndWait()
        return _from_wav(path.read_bytes())


def _from_wav(data: bytes) -> Waveform:
    with wave.open(io.BytesIO(data)) as file:
        if file.getsampwidth() != 2:
            raise ValueError("speech came in samples of another size than 16 bit")
        rate, channels = file.getframerate(), file.getnchannels()
        raw = np.frombuffer(file.readframes(len(data)), "<i2").reshape(-1, channels)
    return np.asarray(raw.mean(axis=1) / 32768.0, np.float32), rate


def _play(samples: Samples, rate: int) -> None:
    import sounddevice

    sounddevice.play(samples, rate, blocking=True)
