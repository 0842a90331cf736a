"""True top dead centre from a piston stop.

What it measures
----------------
The piston is brought up against a stop from one side of dead centre, then from the other. Equal
piston heights are equal crank angles each side, so true dead centre lies half way between the
two readings, and half their difference is how far the wheel is off.

Conventions
-----------
A stop at ``A`` before and one at ``B`` after the wheel's mark make a pair. The wheel error is
``(A - B) / 2``, positive when the wheel reads too far before; true angle = reading - wheel error.
The classical sums are both done and must agree (common practice, no source): half the sum,
``(A + B) / 2``, is what each side shows once the wheel is right; so is the lower reading with
half the difference added, and the higher with half the difference taken off. Stops at 18 before
and 15 after give 16.5 each side by any of them, and a wheel error of 1.5.

The first stop before goes with the first one after, the second with the second, in whatever
order they were taken. Several pairs are averaged. The sum ``A + B`` depends on the stop alone, so
a pair whose sum differs from the others by more than a graduation is questioned: was the stop
moved, or a reading mistaken? It stays in the mean.

The gudgeon pin and the bore are taken to be in line with the crank; otherwise equal heights are
not equal angles.

References
----------
Uncertainty: JCGM 100:2008; a pair's error is half the difference of two readings, so each enters
with a sensitivity of one half.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.budget import Budget, Line, combine, repeatability, resolution

HIGHEST_SUM_DEG = 180.0


@dataclass(frozen=True)
class StopPair:
    """Two stops, one each side.

    Attributes
    ----------
    before_deg, after_deg : float
        What the wheel showed, each measured from its mark, in degrees. Neither is negative.
    """

    before_deg: float
    after_deg: float

    @property
    def sum_deg(self) -> float:
        """From one stop to the other, in crank degrees."""
        return self.before_deg + self.after_deg

    @property
    def each_side_deg(self) -> float:
        """What each side shows once the wheel is right."""
        return each_side(self.before_deg, self.after_deg)

    @property
    def wheel_error_deg(self) -> float:
        """How far before the wheel reads too much."""
        return (self.before_deg - self.after_deg) / 2.0


@dataclass(frozen=True)
class DeadCentre:
    """Dead centre on the wheel, from pairs of stops.

    Attributes
    ----------
    wheel_error_deg : float
        Mean over the pairs; true angle = reading - wheel error.
    pairs : tuple of StopPair
    questioned : tuple of int
        Places in `pairs` whose sum jumps from the others.
    budget : Budget
    """

    wheel_error_deg: float
    pairs: tuple[StopPair, ...]
    questioned: tuple[int, ...]
    budget: Budget


def each_side(before_deg: float, after_deg: float) -> float:
    """Return what each side shows when the wheel is right, by both classical ways.

    Raises
    ------
    ValueError
        If the two ways disagree, which only numbers that are not finite can bring about.
    """
    half_sum = (before_deg + after_deg) / 2.0
    lower, higher = sorted((before_deg, after_deg))
    half_difference = (higher - lower) / 2.0
    raised, lowered = lower + half_difference, higher - half_difference
    if not (math.isclose(raised, half_sum) and math.isclose(lowered, half_sum)):
        raise ValueError("half the sum and half the difference do not lead to the same place")
    return half_sum


def dead_centre(pairs: Sequence[StopPair], graduation_deg: float) -> DeadCentre:
    """Find dead centre from one pair of stops or more.

    Parameters
    ----------
    pairs : sequence of StopPair
        In the order they were taken.
    graduation_deg : float
        From one line of the wheel to the next, in degrees.

    Returns
    -------
    DeadCentre

    Raises
    ------
    ValueError
        If there is no pair, a reading is on the wrong side, or a sum reaches 180 degrees, where
        top and bottom dead centre can no longer be told apart.
    """
    if not pairs:
        raise ValueError("dead centre needs a stop on each side")
    for pair in pairs:
        if pair.before_deg < 0.0 or pair.after_deg < 0.0:
            raise ValueError("both stops are on the same side of the wheel's mark")
        if pair.sum_deg >= HIGHEST_SUM_DEG:
            raise ValueError(
                f"stops at {pair.before_deg:g} before and {pair.after_deg:g} after are "
                f"{pair.sum_deg:g} degrees apart; that cannot be, it must be less than 180"
            )
    errors = [pair.wheel_error_deg for pair in pairs]
    # Two readings enter a pair, each by half: together root(1/2) of one.
    lines: list[Line] = [resolution(graduation_deg, math.sqrt(0.5), "stops")]
    if len(pairs) > 1:
        lines.append(repeatability(errors, "stop pairs"))
    return DeadCentre(
        math.fsum(errors) / len(errors),
        tuple(pairs),
        question([pair.sum_deg for pair in pairs], graduation_deg),
        combine(lines),
    )


def question(sums_deg: Sequence[float], graduation_deg: float) -> tuple[int, ...]:
    """Return the places of sums that lie more than a graduation from the middle one.

    Of two that differ so much it cannot be told which is wrong; both are questioned.
    """
    if len(sums_deg) < 2:
        return ()
    middle = sums_deg[0] if len(sums_deg) == 2 else statistics.median(sums_deg)
    # The allowance keeps the rounding of binary fractions out of it.
    far = tuple(
        place for place, value in enumerate(sums_deg) if abs(value - middle) > graduation_deg + 1e-9
    )
    return (0, 1) if far and len(sums_deg) == 2 else far
