"""The buzzer's two states as a Markov chain, over all frames of a stretch at once.

Meaning
-------
Each frame gives log odds of state 1 over state 0. A change of state costs some log odds (`stay`),
so that a burst of noise does not pass for one. At each frame the likeliest course of states through
state 1 is weighed against the likeliest through state 0, with all that was heard before and after.
The ear itself, which cannot wait, carries the same odds from frame to frame (:mod:`.ear`).

Going on from frame to frame is ``clip(odds, -most, most) + next``. Clips follow one another as one
clip, so that the first `n` frames are put together in log2(n) rounds.

Sources
-------
A. J. Viterbi, "Error bounds for convolutional codes and an asymptotically optimum decoding
algorithm", IEEE Trans. Inf. Theory 13 (1967) 260. W. D. Hillis, G. L. Steele, "Data parallel
algorithms", Comm. ACM 29 (1986) 1170: partial results of all frames in log2(n) rounds.
"""

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

DWELL_S = 1.0
"""Mean time the buzzer stays in a state, to an order of magnitude."""
FRAMES_PER_S = 75.0
"""As many frames of a second count in full: they overlap, so that each says in part what the one
before it said."""


def stay(hop_s: float) -> float:
    """Return the log of how much likelier a state is to stay, from frame to frame, than to end."""
    return math.log(DWELL_S / hop_s)


def share(hop_s: float) -> float:
    """Return as what part of a frame of its own each counts, `hop_s` after the one before."""
    return FRAMES_PER_S * hop_s


def best_course_odds(log_odds: Array, hop_s: float) -> Array:
    """Return how much likelier the best course through state 1 is than that through state 0.

    Parameters
    ----------
    log_odds : ndarray, shape (frames,)
        Log odds of state 1 over state 0, of each frame by itself.
    hop_s : float
        Time from frame to frame, in seconds.

    Returns
    -------
    ndarray, shape (frames,)
        In log odds.
    """
    odds = share(hop_s) * log_odds
    before, after = (_carried(way, stay(hop_s)) for way in (odds, odds[::-1]))
    return np.asarray(before + odds + after[::-1])


def _carried(log_odds: Array, most: float) -> Array:
    """Return the clipped odds that each frame is handed from those before it."""
    added = np.array(log_odds, dtype=float)
    low, high = np.full(len(added), -most), np.full(len(added), most)
    reach = 1
    # Where both clips meet, what was heard before no longer counts.
    while np.any(low[reach:] < high[reach:]):
        # Here frame i holds how the odds of frame i - reach go over into those of frame i.
        rise, floor, ceiling = added[reach:], low[reach:], high[reach:]
        low_then, high_then = low[:-reach] + rise, high[:-reach] + rise
        added[reach:] = added[:-reach] + rise
        low[reach:], high[reach:] = (
            np.minimum(np.maximum(then, floor), ceiling) for then in (low_then, high_then)
        )
        reach *= 2
    return np.append(0.0, np.clip(added, low, high)[:-1])
