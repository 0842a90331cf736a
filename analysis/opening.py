"""The crank angle at which a cylinder's points open, and how well it is known.

What it measures
----------------
The mean of the readings, each made true by its wheel error, with their spread, their number and
a first uncertainty budget: the readings' spread, the wheel's resolution, and dead centre, which
is common to them all and so does not shrink with their number.

A single reading has no spread. Its uncertainty then holds only what the wheel and dead centre
add, and is too small by whatever the sweeps would have differed; the caller must say so.

The moment of the opening stands in the budget without a figure: how far the crank moves between
the opening and the reading depends on how fast it is turned, which is not known here.

References
----------
JCGM 100:2008, 4.2 (mean and spread) and 5 (combination); see :mod:`analysis.budget`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.budget import (
    COVERAGE,
    Budget,
    Line,
    combine,
    repeatability,
    resolution,
    standard_deviation,
)


@dataclass(frozen=True)
class OpeningAngle:
    """Where the points open.

    Attributes
    ----------
    angle_deg : float
        Mean, in crank degrees before top dead centre.
    n : int
        Readings in it.
    sd_deg : float or None
        Their sample standard deviation; None for one reading.
    budget : Budget or None
        None when dead centre is not known.
    """

    angle_deg: float
    n: int
    sd_deg: float | None
    budget: Budget | None


def opening_angle(
    angles_deg: Sequence[float],
    graduation_deg: float,
    dead_centre: Line | None,
    coverage: float = COVERAGE,
) -> OpeningAngle:
    """Average the readings of one cylinder and say how well the mean is known.

    Parameters
    ----------
    angles_deg : sequence of float
        One or more true angles, or angles as read when dead centre is not known.
    graduation_deg : float
        From one line of the wheel to the next.
    dead_centre : Line or None
        What dead centre adds to the doubt; None when it is not known.
    coverage : float
        Of the expanded uncertainty.

    Returns
    -------
    OpeningAngle

    Raises
    ------
    ValueError
        If there are no angles.
    """
    if not angles_deg:
        raise ValueError("an opening angle needs a reading")
    return OpeningAngle(
        math.fsum(angles_deg) / len(angles_deg),
        len(angles_deg),
        standard_deviation(angles_deg),
        _budget(angles_deg, graduation_deg, dead_centre, coverage) if dead_centre else None,
    )


def _budget(
    angles_deg: Sequence[float], graduation_deg: float, dead_centre: Line, coverage: float
) -> Budget:
    lines = [resolution(graduation_deg), dead_centre]
    if len(angles_deg) > 1:
        lines.insert(0, repeatability(angles_deg))
    note = "turning speed not known; the crank is taken to stand where the points opened"
    lines.append(Line("moment of the opening", 0.0, "not included", note=note))
    return combine(lines, coverage)
