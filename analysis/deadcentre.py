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

Where the bore or the gudgeon pin is offset, equal heights are not equal angles: the middle of two
stops lies off by `Crank.lean_deg`, which is taken off when the sheet gives the offset. Where it
gives none, an offset of a fiftieth of the stroke either way is allowed for (from memory); at
usual stops that is a hundredth of a degree.

A constant parallax shows in the stops and in the openings alike and goes out with the wheel
error. What is left is how much the eye moves from one reading to the next.

References
----------
Uncertainty: JCGM 100:2008; a pair's error is half the difference of two readings, so each enters
with a sensitivity of one half; two equal rectangles make a triangle (4.3.9, G.2.2). While the
stop is not moved, readings of one side repeat, which gives two degrees of freedom for each
further pair (4.2.4). Their spread counts where it is more than rounding and parallax explain
(chi-squared, one in twenty); those stand in the budget in any case.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import chdtrc

from analysis.budget import Budget, BudgetLine, combine, pooled, repeatability, resolution
from analysis.crank import Crank
from analysis.wheel import Wheel

HIGHEST_SUM_DEG = 180.0
USUAL_ROD = 1.8
"""Rod by stroke where the sheet does not tell (common practice, no source)."""
UNTOLD_OFFSET = 0.02
"""Offset by stroke that is allowed for where the sheet does not tell."""
_CHANCE = 0.05


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
    lean_deg : float
        What an offset bore or pin was found to add, and has been taken off.
    """

    wheel_error_deg: float
    pairs: tuple[StopPair, ...]
    questioned: tuple[int, ...]
    budget: Budget
    lean_deg: float = 0.0


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
    if not all(math.isclose(way, half_sum, abs_tol=1e-9) for way in (raised, lowered)):
        raise ValueError("half the sum and half the difference do not lead to the same place")
    return half_sum


def dead_centre(pairs: Sequence[StopPair], wheel: Wheel, crank: Crank | None = None) -> DeadCentre:
    """Find dead centre from one pair of stops or more.

    Parameters
    ----------
    pairs : sequence of StopPair
        In the order they were taken.
    wheel : Wheel
        How it is marked and read.
    crank : Crank, optional
        With its offset, if that is known.

    Returns
    -------
    DeadCentre

    Raises
    ------
    ValueError
        If there is no pair, a reading is on the wrong side, both stops are at 0, or a sum reaches
        180 degrees, where top and bottom dead centre can no longer be told apart.
    """
    if not pairs:
        raise ValueError("dead centre needs a stop on each side")
    for pair in pairs:
        if pair.before_deg < 0.0 or pair.after_deg < 0.0:
            raise ValueError("both stops are on the same side of the wheel's mark")
        if pair.sum_deg == 0.0:
            raise ValueError(
                "both stops are at 0; a stop must keep the piston away from dead centre"
            )
        if pair.sum_deg >= HIGHEST_SUM_DEG:
            raise ValueError(
                f"stops at {pair.before_deg:g} before and {pair.after_deg:g} after are "
                f"{pair.sum_deg:g} degrees apart; that cannot be, it must be less than 180"
            )
    leans = [crank.lean_deg(pair.sum_deg) if crank else 0.0 for pair in pairs]
    errors = [pair.wheel_error_deg - lean for pair, lean in zip(pairs, leans, strict=True)]
    questioned = question([pair.sum_deg for pair in pairs], wheel.graduation_deg)
    return DeadCentre(
        math.fsum(errors) / len(errors),
        tuple(pairs),
        questioned,
        combine(_lines(pairs, errors, bool(questioned), wheel, crank)),
        math.fsum(leans) / len(leans),
    )


def _lines(
    pairs: Sequence[StopPair],
    errors_deg: Sequence[float],
    moved: bool,
    wheel: Wheel,
    crank: Crank | None,
) -> list[BudgetLine]:
    n = len(pairs)
    note = f"{n} {'pair' if n == 1 else 'pairs'} of stops, half of each reading"
    step, eye_sd = wheel.read_to_deg, wheel.parallax_deg / math.sqrt(3.0)
    half_width = resolution(step, eye_sd, n).value_deg
    lines = [_triangle("stops, resolution", half_width, note)]
    if moved:  # then the sides do not repeat, but the errors still do
        scatter, readings = pooled([errors_deg]), n
        explained = (step**2 / 12.0 + eye_sd**2) / 2.0
    else:
        scatter = pooled([[p.before_deg for p in pairs], [p.after_deg for p in pairs]])
        readings = 2 * n
        explained = step**2 / 12.0 + eye_sd**2
    if scatter.dof and chdtrc(scatter.dof, scatter.dof * scatter.sd_deg**2 / explained) < _CHANCE:
        lines.append(repeatability(scatter, readings, note, "stops"))
    else:
        lines.append(_triangle("stops, parallax", wheel.parallax_deg / math.sqrt(n), note))
    if crank is None:
        heights = Crank(1.0, USUAL_ROD, UNTOLD_OFFSET)
        bound = max(abs(heights.lean_deg(pair.sum_deg)) for pair in pairs)
        note = "not on the sheet; within a fiftieth of the stroke"
        lines.append(
            BudgetLine("offset of bore or pin", bound, "rectangular", math.sqrt(3.0), note=note)
        )
    return lines


def _triangle(source: str, half_width_deg: float, note: str) -> BudgetLine:
    return BudgetLine(source, half_width_deg, "triangular", math.sqrt(6.0), note=note)


def question(sums_deg: Sequence[float], graduation_deg: float) -> tuple[int, ...]:
    """Return the places of sums that lie more than a graduation from the middle one.

    Of two that differ so much it cannot be told which is wrong; both are questioned.

    Parameters
    ----------
    sums_deg : sequence of float
        Of the pairs of stops, before and after, in wheel degrees.
    graduation_deg : float
        Of the wheel.
    """
    if len(sums_deg) < 2:
        return ()
    middle = sums_deg[0] if len(sums_deg) == 2 else statistics.median(sums_deg)
    # The allowance keeps the rounding of binary fractions out of it.
    far = tuple(
        place for place, value in enumerate(sums_deg) if abs(value - middle) > graduation_deg + 1e-9
    )
    return (0, 1) if far and len(sums_deg) == 2 else far
