"""What each frame said of the buzzer's state, how loud it was and at what pitch, to be asked later.

Log odds are natural logarithms, of state 1 against state 0, as the ear adds them from frame to
frame. Levels are in dB, of the columns in which the buzzer is heard; pitches in Hz, of the first of
them. Times are seconds since listening began.
"""

from array import array

import numpy as np
import numpy.typing as npt

from analysis.ear.spectrum import FrameGrid

Array = npt.NDArray[np.float64]

FEWEST = 3
"""Frames that show a level and a pitch."""


class FrameOdds:
    """The log odds, levels and pitches of the frames, one after the other.

    Parameters
    ----------
    grid : FrameGrid
        How long the frames are, and how they follow each other.
    """

    def __init__(self, grid: FrameGrid):
        self._hop_s, self._half_s = grid.hop_s, 0.5 * grid.length / grid.rate_hz
        self._first_s = 0.0
        self._all = self._odds, self._levels, self._tones = array("f"), array("f"), array("f")

    def begin(self, next_s: float) -> None:
        """Begin, or go on after sound that was lost: the next frame's middle is at `next_s`."""
        if not self._odds:
            self._first_s = next_s
        lost = round((next_s - self._first_s) / self._hop_s) - len(self._odds)
        self.append(*[np.full(max(0, lost), value) for value in (0.0, np.nan, np.nan)])

    def append(self, log_odds: Array, levels: Array, tones_hz: Array) -> None:
        """Take the next frames' log odds, levels and pitches, shape (frames,) each."""
        for kept, new in zip(self._all, (log_odds, levels, tones_hz), strict=True):
            kept.frombytes(np.asarray(new, dtype=np.float32).tobytes())

    def keep(self, seconds: float) -> None:
        """Forget all but the latest seconds, when there are twice as many."""
        most = int(seconds / self._hop_s)
        if len(self._odds) > 2 * most:
            self._first_s += (len(self._odds) - most) * self._hop_s
            for kept in self._all:
                del kept[:-most]

    def between(self, begin_s: float, end_s: float) -> float:
        """Return the sum over the frames that lie wholly between two moments; 0 where none does."""
        return float(sum(self._odds[self._within(begin_s, end_s)]))

    def sound(self, begin_s: float, end_s: float) -> tuple[float, float] | None:
        """Return mean level in dB and median pitch in Hz of such frames; None for too few."""
        within = self._within(begin_s, end_s)
        heard = np.array([self._levels[within], self._tones[within]], dtype=float)
        heard = heard[:, np.isfinite(heard[0])]
        if heard.shape[1] < FEWEST:
            return None
        return float(np.mean(heard[0])), float(np.median(heard[1]))

    def _within(self, begin_s: float, end_s: float) -> slice:
        first, last = (
            (time_s - self._first_s) / self._hop_s
            for time_s in (begin_s + self._half_s, end_s - self._half_s)
        )
        return slice(max(0, int(np.ceil(first))), max(0, int(last) + 1))
