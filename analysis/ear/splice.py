"""Sound from which what was lost is left out, and when each moment of it was.

A sound card drops a block, or a recorder writes zeros for it. Looked at closely, zeros are a buzzer
that stops and starts again, at the edges of what was lost. With the edges put together nothing
happens there, unless the points have moved meanwhile: then the change is found at the seam, and was
at any moment of what was lost, each as likely (JCGM 100:2008, 4.3.7: the standard uncertainty is
the length over the root of 12).
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SEAM_S = 0.003
"""A change this close to a seam may be in what was lost."""


@dataclass(frozen=True)
class Spliced:
    """The times of spliced sound.

    Attributes
    ----------
    begin_s : float
        When its first sample was, in seconds.
    seams : tuple of (float, float)
        Where it was spliced, in seconds after its first sample, and how much was lost there.
    """

    begin_s: float
    seams: tuple[tuple[float, float], ...] = ()

    def when(self, place_s: float, spread_s: float = 0.0) -> tuple[float, float]:
        """Return when a moment was, and the standard uncertainty of that, in seconds.

        At a seam, or no further off than twice its own spread, it is in the middle of what was
        lost; elsewhere it is not uncertain.
        """
        at_s, doubt_s = self.begin_s + place_s, 0.0
        for seam_s, lost_s in self.seams:
            if abs(place_s - seam_s) < max(SEAM_S, 2 * spread_s):
                at_s += lost_s / 2
                doubt_s = math.hypot(doubt_s, lost_s / math.sqrt(12.0))
            elif place_s > seam_s:
                at_s += lost_s
        return at_s, doubt_s

    def place_s(self, after_s: float) -> float:
        """Return where in it is what was so long after its first sample, in seconds."""
        place_s = after_s
        for seam_s, lost_s in self.seams:
            if place_s > seam_s:
                place_s = max(seam_s, place_s - lost_s)
        return place_s


def splice(
    x: Array, lost: list[tuple[int, int]], rate_hz: float, begin_s: float
) -> tuple[Array, Spliced]:
    """Leave out of a sound what was lost.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The sound.
    lost : list of (int, int)
        First samples that were lost, and those after the last, in order.
    rate_hz : float
        Samples per second.
    begin_s : float
        When its first sample was, in seconds.

    Returns
    -------
    ndarray, Spliced
        What is left, and its times.
    """
    kept = np.ones(len(x), dtype=bool)
    seams, gone = [], 0
    for first, end in lost:
        kept[first:end] = False
        seams.append(((first - gone) / rate_hz, (end - first) / rate_hz))
        gone += end - first
    return (x[kept] if lost else x), Spliced(begin_s, tuple(seams))
