"""The level of a buzzer that sounds in both states, as it goes slowly up and down.

A tester that works through a coil winding sounds at one pitch, louder or fainter. In a room its
level follows the pitch, which sags with the battery, and a phone's gain follows its level: within
some seconds both can move it by as much as the points do at once. So while a state lasts, the level
is followed slowly, in each column by itself, and what is steadied so is weighed: only what comes
quickly is a change. What is far off the state's usual level moves it no more than what is nearer
(P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Statist. 35 (1964) 73).

What a missed change has moved is followed, too, and a quick gain that makes both states alike: so
a buzzer is heard with this and without (:mod:`.recording`, :mod:`.live`).
"""

import numpy as np
import numpy.typing as npt

from analysis.ear.spectrum import Levels

Array = npt.NDArray[np.float64]

TOGETHER = 19
"""Frames after which it is followed: about a tenth of a second."""
FOLLOWS = 0.1
"""Part of the way that it is followed then."""
MOST_OFF_DB = 3.0
"""What is further off its usual level counts as that far."""
MOST_DB = 8.0
"""How far a level may be followed from that of the print."""
CERTAIN = 6.0
"""Log odds of a state from which its frames are followed: they are as usual, and those before."""


class Sway:
    """How far the level in each column is off what is usual.

    Parameters
    ----------
    usual_db : ndarray, shape (2, columns)
        The usual level of each column in state 0 and in state 1, in dB.
    """

    def __init__(self, usual_db: Levels):
        self._usual_db = usual_db.astype(np.float64)
        self._off_db = np.zeros(usual_db.shape[1])
        self._begin()

    def _begin(self) -> None:
        self._sum_db = np.zeros_like(self._off_db)
        self.left = TOGETHER

    def begin_at(self, levels: Levels, state: int) -> None:
        """Begin as some frames were in what is thought to be a state, shape (frames, columns)."""
        off_db = levels.mean(axis=0) - self._usual_db[state]
        most_db = np.minimum(MOST_DB, 0.5 * np.abs(self._usual_db[1] - self._usual_db[0]))
        self._off_db = np.clip(off_db, -most_db, most_db)

    def steadied(self, levels: Levels) -> Levels:
        """Return the levels of some frames as they would be without it, shape as `levels`."""
        return np.asarray(levels - self._off_db, dtype=np.float32)

    def hear(self, levels: Levels, log_odds: Array) -> None:
        """Take the next frames, `left` at most, with the log odds of state 1, shape (frames,)."""
        known = np.abs(log_odds) > CERTAIN
        off_db = levels - self._off_db - self._usual_db[(log_odds > 0).astype(int)]
        self._sum_db += np.clip(off_db[known], -MOST_OFF_DB, MOST_OFF_DB).sum(axis=0)
        self.left -= len(levels)
        if self.left == 0:
            moved = self._off_db + FOLLOWS * self._sum_db / TOGETHER
            self._off_db = np.clip(moved, -MOST_DB, MOST_DB)
            self._begin()
