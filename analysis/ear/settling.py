"""When a change has settled: the last time that the contact went back, after its first break.

Meaning
-------
A contact that chatters makes and breaks again after its first break. Behind the filter that tells
the states apart best the sound then falls back towards its old level. It has gone back where it is
further from its new level than that strays by itself, and comes over again where it is half-way;
the last time it does is when the change has settled. A sound that comes slowly goes back nowhere.

A blow may fill a silence too; but it is heard beside the buzzer's lines as well, which tells it.

Conventions
-----------
Times are seconds from the stretch's first sample. Levels are means over WIDTH_S about each time.
"""

import numpy as np
import numpy.typing as npt

from analysis.ear.clues import mean_about
from analysis.ear.stretch import Stretch

Array = npt.NDArray[np.float64]

STEP_S, WIDTH_S = 0.0005, 0.002
BACK, SPREADS, MOST_BACK = 0.5, 5.0, 0.75
"""How far from the new level the sound has gone back: in parts of the way to the old one, and at
least in so many times what the new one strays; but that may be because it has not settled."""
OVER = 0.5
"""Part of the way at which it comes over."""
LOUDER, SPILLS = 4.0, 0.05
"""Power beside the lines of a blow: against the usual there, and against the buzzer's."""
TOOK_S = 0.001
"""About how long before the sound comes over half-way the contact moves."""
BRIEFEST_S = 0.002
"""Briefer chatter than this is none."""
BLIP_STEPS, LEAST_BLIP = 12, 0.12
"""Within how many steps a first break may be over again, and how far the sound then came."""
LATE_S = 0.020
"""How much of the end of the stretch shows the new state."""


def when_settled(stretch: Stretch, first_s: float) -> float:
    """Return when a change has settled.

    Parameters
    ----------
    stretch : Stretch
        The sound around it, to well after it has settled.
    first_s : float
        Its first break, in seconds.

    Returns
    -------
    float
        In seconds; `first_s` if it settled at once.
    """
    t = np.arange(WIDTH_S, stretch.end_s - WIDTH_S, STEP_S)
    way = _way(stretch, t)
    if way is None:
        return first_s
    course, back = way
    after = t > first_s
    course, t = course[after], t[after]
    came = np.flatnonzero(course > 1.0 - back / 2)
    if len(came) == 0:
        return first_s
    went = came[0] + np.flatnonzero(course[came[0] :] < 1.0 - back)
    if len(went):
        since = int(went[-1])
    elif _blipped(course[: came[0]]):
        since = BLIP_STEPS
    else:
        return first_s
    again = np.flatnonzero(course[since:] > OVER)
    settled = float(t[since + again[0]]) - TOOK_S if len(again) else first_s
    return settled if settled > first_s + BRIEFEST_S else first_s


def _blipped(rise: Array) -> bool:
    """Return whether the sound came a little way at the first break, and went again."""
    blip = rise[:BLIP_STEPS].max(initial=0.0)
    rest = rise[BLIP_STEPS:]
    return bool(blip > LEAST_BLIP and len(rest) and rest.min() < 0.5 * blip)


def _way(stretch: Stretch, t: Array) -> tuple[Array, float] | None:
    """Return the part of the way gone to the new level, and how far back tells."""
    sides = stretch.sides
    best: tuple[float, Array, float] | None = None
    for state in (0, 1):
        if not stretch.tell.responses[state].any():
            continue
        level = np.sqrt(mean_about(stretch.power_through(state), stretch.rate_hz, t, WIDTH_S))
        calm, late = level[t < sides.calm_s], level[t > stretch.end_s - LATE_S]
        if len(calm) < 8 or len(late) < 8:
            continue
        old, new = float(np.median(calm)), float(np.median(late))
        strays = [float(np.subtract(*np.percentile(part, [84, 16]))) / 2 for part in (calm, late)]
        gap = new - old
        if abs(gap) < 1e-9:
            continue
        clear = abs(gap) / (sum(strays) + 0.02 * abs(gap))
        if best is None or clear > best[0]:
            course = (level - old) / gap
            course[_blows(stretch, state, t, max(old, new) ** 2)] = 1.0
            strays_by = SPREADS * np.array(strays) / abs(gap)
            best = clear, course, max(BACK, min(strays_by[1], max(MOST_BACK, 2 * strays_by[0])))
    return None if best is None else best[1:]


def _blows(stretch: Stretch, state: int, t: Array, loud: float) -> npt.NDArray[np.bool_]:
    """Return where more is heard beside a state's lines than usual, and than they spill."""
    if not stretch.tell.flanks[state].any():
        return np.zeros(len(t), dtype=bool)
    beside = mean_about(stretch.power_through(state, beside=True), stretch.rate_hz, t, WIDTH_S)
    return np.asarray(beside > np.maximum(LOUDER * np.median(beside), SPILLS * loud))
