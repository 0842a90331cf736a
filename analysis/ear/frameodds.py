"""What each frame said of the buzzer's state, to be asked later.

Log odds are natural logarithms, of state 1 against state 0, as the ear adds them from frame to
frame. Times are seconds since listening began.
"""

from array import array

import numpy as np
import numpy.typing as npt

from analysis.ear.spectrum import FrameGrid

Array = npt.NDArray[np.float64]


class FrameOdds:
    """The log odds of the frames, one after the other.

    Parameters
    ----------
    grid : FrameGrid
        How long the frames are, and how they follow each other.
    """

    def __init__(self, grid: FrameGrid):
        self._hop_s, self._half_s = grid.hop_s, 0.5 * grid.length / grid.rate_hz
        self._first_s = 0.0
        self._odds = array("f")

    def begin(self, next_s: float) -> None:
        """Begin, or go on after sound that was lost: the next frame's middle is at `next_s`."""
        if not self._odds:
            self._first_s = next_s
        lost = round((next_s - self._first_s) / self._hop_s) - len(self._odds)
        self.append(np.zeros(max(0, lost)))

    def append(self, log_odds: Array) -> None:
        """Take the next frames' log odds, shape (frames,)."""
        self._odds.frombytes(np.asarray(log_odds, dtype=np.float32).tobytes())

    def keep(self, seconds: float) -> None:
        """Forget all but the latest seconds, when there are twice as many."""
        most = int(seconds / self._hop_s)
        if len(self._odds) > 2 * most:
            self._first_s += (len(self._odds) - most) * self._hop_s
            del self._odds[:-most]

    def between(self, begin_s: float, end_s: float) -> float:
        """Return the sum over the frames that lie wholly between two moments; 0 where none does."""
        first, last = (
            (time_s - self._first_s) / self._hop_s
            for time_s in (begin_s + self._half_s, end_s - self._half_s)
        )
        return float(sum(self._odds[max(0, int(np.ceil(first))) : max(0, int(last) + 1)]))
