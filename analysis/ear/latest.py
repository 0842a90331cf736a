"""The latest sound, as it came, with what was lost of it.

A sound card drops a block, and says so by the next block's time: the gap is bridged by zeros, so
that time does not slip. Or a recorder writes the zeros itself. Where the buzzer's silence has
noise, zeros are known for lost sound; where it is digital silence, zeros tell of it, and only what
was bridged here was lost.

Conventions
-----------
Samples are numbered from the first that is kept, `start` is that one's number since listening
began; times are in seconds.
"""

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from analysis.ear.splice import Spliced, splice
from analysis.sound import Samples, blanks

Array = npt.NDArray[np.float64]

FAINTEST = 2.0**-23 / np.sqrt(12.0)
"""Noise of a converter of 24 bits, in full scales."""
NOISE_LENGTH = 1 << 16
"""After so many samples it repeats itself."""
BLANK_S = 0.003
"""Zeros for so long are lost sound, where the buzzer's silence has noise: they tell nothing."""


class LatestSound:
    """The latest sound, in a buffer with room to spare: only what is new is copied.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    start : int
        Number of the first sample that is to come, since listening began.
    has_noise : bool
        Whether the buzzer's silence has noise; may be set anew.
    """

    def __init__(self, rate_hz: float, start: int, has_noise: bool):
        self.rate_hz = rate_hz
        self.start = start
        self.has_noise = has_noise
        self._buffer = np.zeros(0, dtype=np.float32)
        self._count = 0
        self._bridged: list[tuple[int, int]] = []

    @property
    def samples(self) -> Samples:
        """All that is kept, shape (n,)."""
        return self._buffer[: self._count]

    @property
    def origin_s(self) -> float:
        """When it begins, since listening began."""
        return self.start / self.rate_hz

    @property
    def length_s(self) -> float:
        """How long it is."""
        return self._count / self.rate_hz

    @property
    def end(self) -> int:
        """The number, since listening began, of the sample that is to come next."""
        return self.start + self._count

    def append(self, new: Samples) -> None:
        """Take what comes next."""
        count = self._count + len(new)
        if count > len(self._buffer):
            grown = np.zeros(2 * count, dtype=np.float32)
            grown[: self._count] = self.samples
            self._buffer = grown
        self._buffer[self._count : count] = new
        self._count = count

    def bridge(self, count: int) -> None:
        """Put zeros for so many samples that were lost."""
        self._bridged.append((self.end, self.end + count))
        self.append(np.zeros(count, dtype=np.float32))

    def drop(self, count: int) -> None:
        """Forget the first so many samples."""
        self._count -= count
        self._buffer[: self._count] = self._buffer[count : count + self._count]
        self.start += count
        self._bridged = [(a, b) for a, b in self._bridged if b > self.start]

    def lost(self, first: int, last: int) -> list[tuple[int, int]]:
        """Return what was lost between two of the samples that are kept: the first of each loss,
        and that after it.
        """
        if self.has_noise:
            found = blanks(self.samples[first:last], round(BLANK_S * self.rate_hz))
            return [(first + a, first + b) for a, b in found]
        bridged = [
            (max(first, a - self.start), min(last, b - self.start)) for a, b in self._bridged
        ]
        return [(a, b) for a, b in bridged if a < b]

    def part(self, first: int, last: int) -> Array:
        """Return a part of it, with the noise that digital silence has not."""
        samples = self.samples[first:last]
        begin = (self.start + first) % NOISE_LENGTH
        end = begin + len(samples)
        return np.asarray(samples + _faint_noise(end // NOISE_LENGTH + 1)[begin:end])

    def spliced(self, begin_s: float, end_s: float) -> tuple[Array, Spliced]:
        """Return a part of it without what was lost, and its times.

        `begin_s` and `end_s` are since its first sample.
        """
        first, last = round(begin_s * self.rate_hz), round(end_s * self.rate_hz)
        lost = [(a - first, b - first) for a, b in self.lost(first, last)]
        return splice(self.part(first, last), lost, self.rate_hz, self.origin_s + begin_s)


@lru_cache(maxsize=4)
def _faint_noise(times: int) -> Array:
    """Return noise of a converter, so many times over."""
    return np.tile(np.random.default_rng(0).normal(0.0, FAINTEST, NOISE_LENGTH), times)
