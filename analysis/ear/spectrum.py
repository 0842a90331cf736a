"""Short-time levels of the sound, frame by frame, in the columns the ear listens to.

A frame is a Hann-windowed stretch of about 21 ms; frames follow each other every quarter of that.
The frame's time is the middle of its window, so the analysis has no delay of its own
(J. B. Allen, L. R. Rabiner, "A unified approach to short-time Fourier analysis and synthesis",
Proc. IEEE 65 (1977) 1558). Only the band in which buzzers live is kept.

A column is one of three things: the strongest of three neighbouring bins, so that a tone between
two bins stands out as clearly as one in the middle; the strongest of eleven, so that a tone may
drift; or a whole band, for buzzers that rattle rather than sing.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.sound import Samples

Powers = npt.NDArray[np.float32]
Levels = npt.NDArray[np.float32]

WINDOW_S = 1024 / 48000
LOWEST_HZ = 90.0
HIGHEST_HZ = 8000.0
FLOOR = 1e-13
"""Power below which nothing is told apart: -130 dB of full scale."""
WIDE = 5
"""How many bins either side of its middle a wide column takes in."""
BANDS = 12


@dataclass(frozen=True)
class FrameGrid:
    """The frames and columns at a given sample rate.

    Attributes
    ----------
    rate_hz : float
        Samples per second.
    length, hop : int
        Window length and step, in samples.
    low, high : int
        First and one past the last frequency bin kept.
    """

    rate_hz: float
    length: int
    hop: int
    low: int
    high: int

    @classmethod
    @lru_cache(maxsize=8)
    def at_rate(cls, rate_hz: float) -> "FrameGrid":
        """Return the grid for a sample rate in Hz."""
        length = int(scipy.fft.next_fast_len(round(rate_hz * WINDOW_S), real=True))
        bin_hz = rate_hz / length
        high = int(min(HIGHEST_HZ, 0.46 * rate_hz) / bin_hz)
        return cls(rate_hz, length, max(1, length // 4), round(LOWEST_HZ / bin_hz), high)

    @cached_property
    def hop_s(self) -> float:
        """Time between frames, in seconds."""
        return self.hop / self.rate_hz

    @property
    def bin_hz(self) -> float:
        """Width of a frequency bin, in Hz."""
        return self.rate_hz / self.length

    @property
    def bins(self) -> int:
        """How many bins are kept."""
        return self.high - self.low

    @cached_property
    def window(self) -> Samples:
        """The Hann window, scaled so that a full-scale sine has power 1 in its bin."""
        w = np.hanning(self.length + 1)[:-1]
        return np.asarray(w * (2.0 / w.sum()), dtype=np.float32)

    @cached_property
    def bins_hz(self) -> npt.NDArray[np.float64]:
        """Frequency of each bin that is kept, shape (bins,), in Hz."""
        return np.arange(self.low, self.high, dtype=float) * self.bin_hz

    @cached_property
    def columns_hz(self) -> npt.NDArray[np.float64]:
        """Lowest and highest frequency of each column, shape (columns, 2), in Hz."""
        centre = np.arange(self.low, self.high, dtype=float)
        narrow = np.stack([centre - 1, centre + 1], axis=1)
        wide = np.stack([centre - WIDE, centre + WIDE], axis=1)[WIDE:-WIDE:3]
        edges = self._band_edges + self.low
        band = np.stack([edges[:-1], edges[1:] - 1], axis=1)
        whole = np.array([[self.low, self.high - 1]])
        return np.concatenate([narrow, wide, band, whole]) * self.bin_hz

    @cached_property
    def _band_edges(self) -> npt.NDArray[np.intp]:
        edges = np.round(np.geomspace(3, self.bins, BANDS)).astype(np.intp)
        edges[0] = 0
        return np.unique(edges)

    def count(self, n_samples: int) -> int:
        """Return how many whole frames fit into `n_samples` samples."""
        return max(0, (n_samples - self.length) // self.hop + 1)

    def middle_s(self, frame: float) -> float:
        """Return the time of the middle of a frame's window, in seconds after the first sample."""
        return (frame * self.hop + self.length / 2) / self.rate_hz

    def powers(self, samples: Samples, every: int = 1) -> Powers:
        """Return the power of each bin in each whole frame, or in every second or third.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            Mono sound; the first frame starts at its first sample.
        every : int
            Take only every n-th frame.

        Returns
        -------
        ndarray, shape (frames, bins)
            Power; 1.0 is a full-scale sine.
        """
        n = self.count(len(samples))
        if n == 0:
            return np.zeros((0, self.bins), dtype=np.float32)
        size = samples.strides[0]
        frames = np.lib.stride_tricks.as_strided(
            samples, (-(-n // every), self.length), (every * self.hop * size, size), writeable=False
        )
        spectrum = scipy.fft.rfft(frames * self.window, axis=1)[:, self.low : self.high]
        power = spectrum.real * spectrum.real + spectrum.imag * spectrum.imag + FLOOR
        return np.asarray(power, dtype=np.float32)

    def levels(self, powers: Powers) -> Levels:
        """Return the level of each column, shape (frames, columns), in dB."""
        edges = self._band_edges
        band = (
            np.add.reduceat(powers, edges[:-1], axis=1)
            if len(powers)
            else powers[:, : len(edges) - 1]
        )
        narrow = sliding(np.maximum, powers, 1, axis=1)
        last = max(0, self.bins - 2 * WIDE)
        # Four narrow columns make a wide one: they overlap.
        middles = [*range(1, 2 * WIDE, 3), 2 * WIDE - 1]
        wide = [narrow[:, k : k + last : 3] for k in middles]
        columns_of = [
            narrow,
            np.maximum.reduce(wide),
            band,
            powers.sum(axis=1, keepdims=True),
        ]
        return np.asarray(10 * np.log10(np.concatenate(columns_of, axis=1)), dtype=np.float32)

    @cached_property
    def bounds(self) -> npt.NDArray[np.intp]:
        """First and last bin of each column, counted from `low`, shape (columns, 2)."""
        bins = np.round(self.columns_hz / self.bin_hz).astype(np.intp) - self.low
        return np.clip(bins, 0, self.bins - 1)

    @cached_property
    def narrow_and_wide(self) -> int:
        """How many columns are of a few bins; the bands come after them."""
        return self.bins + len(range(WIDE, self.bins - WIDE, 3))


class Columns:
    """Some of a grid's columns, to be heard by themselves.

    Parameters
    ----------
    grid : FrameGrid
        Of the frames.
    numbers : ndarray of int, shape (n,)
        Which columns.
    """

    def __init__(self, grid: FrameGrid, numbers: npt.NDArray[np.intp]):
        self._grid = grid
        few = numbers < grid.narrow_and_wide
        first, last = grid.bounds[numbers].T
        width = int((last - first)[few].max(initial=0)) + 1
        self._of_few, self._of_bands = np.flatnonzero(few), np.flatnonzero(~few)
        self._bins = np.minimum(first[few] + np.arange(width)[:, None], last[few])
        self._bands = [slice(a, b + 1) for a, b in grid.bounds[numbers[~few]].tolist()]
        tones = grid.bounds[numbers[few][:1]]
        self._tone = np.clip(tones[0], 1, grid.bins - 2).tolist() if len(tones) else None

    def levels(self, powers: Powers) -> Levels:
        """Return the level of each, shape (frames, n), in dB."""
        loudness = np.empty((len(powers), len(self._of_few) + len(self._of_bands)), np.float32)
        loudness[:, self._of_few] = powers[:, self._bins].max(axis=1)
        for k, band in zip(self._of_bands.tolist(), self._bands, strict=True):
            loudness[:, k] = powers[:, band].sum(axis=1)
        return np.asarray(10 * np.log10(loudness), dtype=np.float32)

    def tones_hz(self, powers: Powers) -> npt.NDArray[np.float64]:
        """Return the frequency of the strongest bin of the first that is of a few, in each frame.

        In Hz; 0 where all are bands.
        """
        if self._tone is None:
            return np.zeros(len(powers))
        first, last = self._tone
        about = np.log(powers[:, first - 1 : last + 2])
        peak = 1 + about[:, 1:-1].argmax(axis=1)
        before, here, after = (about[np.arange(len(about)), peak + k] for k in (-1, 0, 1))
        off = off_peak(before, here, after)
        return np.asarray((self._grid.low + first - 1 + peak + off) * self._grid.bin_hz)


def sliding(
    extreme: np.ufunc, values: npt.NDArray[np.float32], reach: int, axis: int
) -> npt.NDArray[np.float32]:
    """Return the extreme of each value and of those up to `reach` before and after it.

    Parameters
    ----------
    extreme : np.maximum or np.minimum
        Which.
    values : ndarray
        Of any shape.
    reach : int
        A few: all values are gone through that often, which is the faster for it.
    axis : int
        Along which.

    Returns
    -------
    ndarray, shape as `values`
    """
    found = values.copy()
    to, of = (np.moveaxis(each, axis, 0) for each in (found, values))
    for k in range(1, reach + 1):
        extreme(to[k:], of[:-k], out=to[k:])
        extreme(to[:-k], of[k:], out=to[:-k])
    return found


def off_peak(
    before: npt.NDArray[np.floating],
    here: npt.NDArray[np.floating],
    after: npt.NDArray[np.floating],
) -> npt.NDArray[np.floating]:
    """Return how far from the strongest bin a tone lies, in bins.

    It is told by a parabola through the bin's level and those of its neighbours (J. O. Smith,
    X. Serra, "PARSHL", Proc. Int. Computer Music Conf. (1987) 290).

    Parameters
    ----------
    before, here, after : ndarray
        Logarithms of the power of the bin before, of the bin and of the one after.
    """
    off = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -FLOOR)
    return np.asarray(np.clip(off, -0.5, 0.5))
