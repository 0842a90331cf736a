"""A degree wheel mounted off centre.

What it measures
----------------
A wheel whose middle lies off the crank's axis by e, read at radius R, reads wrong by up to e / R
(in radians), a sine once round the turn. Piston stops take off the error at dead centre, not that
where the points open: `residual_deg` bounds what stays. Dead centres found at several places of
the wheel show it: `estimate` fits it to them.

Conventions
-----------
Wheel angles in degrees from the 0 mark, before it positive. The error at wheel angle w is
``c + p sin w + q cos w``; stops at s either side of a mark m give the mean of the two, ``c + cos s
(p sin m + q cos m)``.

Where the amount may be anything up to a bound, and the way any, the variance is a sixth of the
bound's square, as a triangle's is.

References
----------
The sine is the first order of the geometry of two circles, good for e much less than R; how the
stops average it is common practice, no source.
"""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.budget import BudgetLine


@dataclass(frozen=True)
class StopsAt:
    """A dead centre found by stops.

    Attributes
    ----------
    mark_deg : float
        Where on the wheel, from its 0 mark.
    each_side_deg : float
        From dead centre to either stop.
    wheel_error_deg : float
    """

    mark_deg: float
    each_side_deg: float
    wheel_error_deg: float


def residual_deg(off_centre: float, from_mark_deg: float, each_side_deg: float) -> float:
    """Return the most that being off centre can add to a reading after the stops' correction.

    Parameters
    ----------
    off_centre : float
        e / R.
    from_mark_deg : float
        From the mark whose stops were used to the reading.
    each_side_deg : float
        From that mark to either stop.
    """
    reading = cmath.rect(1.0, math.radians(from_mark_deg))
    return math.degrees(off_centre) * abs(reading - math.cos(math.radians(each_side_deg)))


def line(off_centre: float, from_mark_deg: float, each_side_deg: float) -> BudgetLine:
    """Return the budget's line for a wheel that may be off centre by e / R.

    Parameters
    ----------
    off_centre : float
        Greatest e / R: the hub off the wheel's centre, over the wheel's radius.
    from_mark_deg : float
        From the dead centre's mark to where the points open, on the wheel.
    each_side_deg : float
        From that mark to either stop.
    """
    return BudgetLine(
        "wheel off centre",
        residual_deg(off_centre, from_mark_deg, each_side_deg),
        "triangular",
        math.sqrt(6.0),
        note=f"by up to {off_centre:.2%} of its radius, any way",
    )


def estimate(found: Sequence[StopsAt]) -> float:
    """Return the least e / R that explains the dead centres found.

    With three marks or more that are not in one line it is the best fit; with two, or with marks
    opposite each other, the part of it that lies along them.
    """
    if len(found) < 2:
        return 0.0
    mark = np.radians([stops.mark_deg for stops in found])
    near = np.cos(np.radians([stops.each_side_deg for stops in found]))
    wave = np.column_stack([near * np.sin(mark), near * np.cos(mark)])
    errors = np.array([stops.wheel_error_deg for stops in found])
    # The constant c is fitted by taking the means off, so that it is not kept small as well.
    fit, *_ = np.linalg.lstsq(wave - wave.mean(axis=0), errors - errors.mean(), rcond=1e-6)
    return float(np.radians(np.hypot(*fit)))
