"""Sound in pieces.

A stretch of sound is a series of blocks. Times are counted in samples since listening began, so
that a time never drifts from the sound it belongs to. Where samples were lost, the next block
says so and starts later: a gap is never closed up.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Block:
    """A piece of mono sound.

    Attributes
    ----------
    samples : ndarray, shape (n,), float32
        Full scale is 1.0.
    rate_hz : float
        Samples per second.
    start_s : float
        Time of the first sample, in seconds since listening began.
    lost : int
        Samples known to be lost just before this block. They are already counted in `start_s`.
    """

    samples: Samples
    rate_hz: float
    start_s: float
    lost: int = 0

    @property
    def end_s(self) -> float:
        """Time just after the last sample, in seconds."""
        return self.start_s + len(self.samples) / self.rate_hz

    def pieces(self, seconds: float) -> Iterator["Block"]:
        """Cut the block into pieces of some length, the last maybe shorter."""
        size = max(1, round(seconds * self.rate_hz))
        for first in range(0, len(self.samples), size):
            start_s = self.start_s + first / self.rate_hz
            lost = self.lost if first == 0 else 0
            yield Block(self.samples[first : first + size], self.rate_hz, start_s, lost)


def finite(samples: Samples) -> Samples:
    """Return the samples with those that are no number, or infinite, silenced."""
    good = np.isfinite(samples)
    return samples if good.all() else np.where(good, samples, np.float32(0.0))


def blanks(samples: Samples, least: int) -> list[tuple[int, int]]:
    """Return where `least` or more samples in a row are exactly zero: (first, one past the last).

    A recorder writes those where it lost sound; no microphone is so quiet.
    """
    step = max(1, least // 8)
    row = least // step  # so many of every `step`-th are zero in any such row
    zeros = samples[::step] == 0
    if np.count_nonzero(zeros) < row:
        return []
    before = np.concatenate([[0], np.cumsum(zeros)])
    if not np.any(before[row:] - before[:-row] == row):
        return []
    sounds = np.flatnonzero(samples)
    edges = np.concatenate([[-1], sounds, [len(samples)]])
    runs = np.flatnonzero(np.diff(edges) > least)
    return list(zip((edges[runs] + 1).tolist(), edges[runs + 1].tolist(), strict=True))
