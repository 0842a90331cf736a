"""Long gaps between changes, in which a buzzer may have been lost, and what was found in them anew.

As the battery sags, a room makes a tone louder or fainter with its pitch, by more than the states
are apart; then what was learnt of it elsewhere is of no use for a while. Or the points rest. Which
of both is told by learning anew from the sound of the gap: what goes from state to state at the
changes beside it, as the buzzer was heard to, is the same buzzer, and what it does in the gap had
been lost.
"""

import itertools
from collections.abc import Sequence

import numpy as np

from analysis.change import Change

LONG, LEAST_S, MOST_S = 3.0, 5.0, 80.0
"""How many times as long as usual a gap is long; what it lasts at least, in seconds; and how much
of it is looked at at most, beside a change."""
BESIDE, BESIDE_S, MARGIN_S = 2, 30.0, 1.5
"""So many changes on either side are looked at with a gap, if they are no further from it, and so
much before and after these."""
SAME_S = 0.05
"""Two changes so close are the same."""
FEWEST, SHARE = 2, 0.7
"""How many changes beside a gap must be heard again at least, and what share of them."""


def long_gaps(changes: Sequence[Change], begin_s: float, end_s: float) -> list[tuple[float, float]]:
    """Return from when to when nothing was told for long, between two moments, in seconds."""
    if len(changes) < FEWEST:
        return []
    edges_s = [begin_s, *(change.time_s for change in changes), end_s]
    least_s = max(LEAST_S, LONG * float(np.median(np.diff(edges_s[1:-1]))))
    return [
        (max(a, b - MOST_S), b) if a == begin_s else (a, min(a + MOST_S, b))
        for a, b in itertools.pairwise(edges_s)
        if b - a > least_s
    ]


def around(gap: tuple[float, float], changes: Sequence[Change]) -> tuple[float, float]:
    """Return from when to when is looked at with a gap, in seconds."""
    before, after = _beside(gap, changes)
    begin_s = max(before[-BESIDE:][0].time_s, gap[0] - BESIDE_S) if before else gap[0]
    end_s = min(after[:BESIDE][-1].time_s, gap[1] + BESIDE_S) if after else gap[1]
    return begin_s - MARGIN_S, end_s + MARGIN_S


def lost_in(
    gap: tuple[float, float], changes: Sequence[Change], anew: Sequence[Change]
) -> list[Change]:
    """Return what had been lost in a gap.

    Parameters
    ----------
    gap : (float, float)
        From when to when, in seconds.
    changes : sequence of Change
        What was told of the buzzer.
    anew : sequence of Change
        What was heard anew from a little before the gap to a little after it.

    Returns
    -------
    list of Change
        Nothing if that is not the same buzzer, or does not go on where the gap ends. What is heard
        anew may end within it.
    """
    before, after = (
        [one for one in side if _is_within(one, anew)] for side in _beside(gap, changes)
    )
    known = [*before[-BESIDE:], *after[:BESIDE]]
    if heard_again(known, anew) < max(FEWEST, SHARE * len(known)):
        return []
    lost = [one for one in anew if gap[0] + SAME_S < one.time_s < gap[1] - SAME_S]
    run = [*before[-1:], *lost, *after[:1]]
    if any(_are_alike(one, other) for one, other in itertools.pairwise(run)):
        return []
    return [] if before and after and len(lost) % 2 == 1 else lost


def heard_again(changes: Sequence[Change], anew: Sequence[Change]) -> int:
    """Return how many of some changes are heard anew, too: within SAME_S, of the same kind."""
    return sum(any(_is_same(one, other) for other in anew) for one in changes)


def _beside(
    gap: tuple[float, float], changes: Sequence[Change]
) -> tuple[list[Change], list[Change]]:
    """Return the changes before a gap and after it, where it begins and ends with one."""
    before = [one for one in changes if one.time_s <= gap[0]]
    after = list(changes[len(before) :])
    begins = before and before[-1].time_s == gap[0]
    ends = after and after[0].time_s == gap[1]
    return before if begins else [], after if ends else []


def _is_same(one: Change, other: Change) -> bool:
    return abs(one.time_s - other.time_s) < SAME_S and one.change == other.change


def _is_within(one: Change, anew: Sequence[Change]) -> bool:
    """Say whether a change lies between the first and the last of others, give or take a little."""
    return bool(anew) and anew[0].time_s - SAME_S < one.time_s < anew[-1].time_s + SAME_S


def _are_alike(one: Change, other: Change) -> bool:
    """Say whether two changes go to the same state, so that one between them is wanting."""
    if one.change == "shifts":
        return one.points is not None and one.points == other.points
    return one.change == other.change
