"""The crank angle at which a cylinder's points open, and how well it is known.

What it measures
----------------
The mean of the readings, each made true by its wheel error, with their spread, their number and
an uncertainty budget: the readings' spread, what the wheel's resolution adds beyond it, and what
is common to them all and so does not shrink with their number: dead centre above all.

How far readings differ is a matter of reader, wheel and machine, so all sweeps of a job speak for
it: `scatter_of` pools them, unless a group differs by more than the rest explains.

A single reading has no spread. Where no other sweep tells it, its uncertainty holds only what the
wheel and dead centre add, and is too small by whatever sweeps would have differed; the caller
must say so.

References
----------
JCGM 100:2008, 4.2 (mean and spread), 4.2.4 (pooled) and 5 (combination); see
:mod:`analysis.budget`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import fdtrc, stdtrit

from analysis.budget import (
    COVERAGE,
    Budget,
    BudgetLine,
    Scatter,
    combine,
    pooled,
    repeatability,
    resolution,
    standard_deviation,
)
from analysis.wheel import Wheel

_CHANCE, _GRUBBS = 0.01, 0.05


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
    wheel: Wheel,
    common: Sequence[BudgetLine] | None,
    scatter: Scatter | None = None,
    coverage: float = COVERAGE,
) -> OpeningAngle:
    """Average the readings of one cylinder and say how well the mean is known.

    Parameters
    ----------
    angles_deg : sequence of float
        One or more true angles, or angles as read when dead centre is not known.
    wheel : Wheel
        How it is read.
    common : sequence of BudgetLine or None
        What adds to the doubt of all of them alike; None when dead centre is not known.
    scatter : Scatter, optional
        How far readings differ; their own when None.
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
    n = len(angles_deg)
    budget = None
    if common is not None:
        own = pooled([angles_deg], wheel.read_to_deg)
        lines = sweep_lines(own if scatter is None else scatter, n, wheel)
        budget = combine([*lines, *common], coverage)
    return OpeningAngle(math.fsum(angles_deg) / n, n, standard_deviation(angles_deg), budget)


def outliers(angles_deg: Sequence[float], graduation_deg: float) -> tuple[int, ...]:
    """Return the places of readings to question.

    One is questioned when it lies more than a graduation from the mean of the others and Grubbs'
    test, one in twenty, finds it too far out (F. E. Grubbs, Technometrics 11, 1, 1969, from
    memory). Three readings are the fewest that tell.

    Parameters
    ----------
    angles_deg : sequence of float
        Readings of one thing.
    graduation_deg : float
        From one line of the wheel to the next.
    """
    n = len(angles_deg)
    sd = standard_deviation(angles_deg)
    if n < 3 or not sd:
        return ()
    mean = math.fsum(angles_deg) / n
    t2 = float(stdtrit(n - 2, 1.0 - _GRUBBS / (2.0 * n))) ** 2
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))
    return tuple(
        place
        for place, angle in enumerate(angles_deg)
        if abs(angle - mean) > critical * sd and abs(angle - mean) * n / (n - 1) > graduation_deg
    )


def sweep_lines(scatter: Scatter, n: int, wheel: Wheel) -> list[BudgetLine]:
    """Return what spread and resolution add to the doubt of a mean.

    Readings that are all but equal still differ by what the eye moves, and by what rounding hides
    from so few: a third of a step for two readings, a sixth for three, and so on (chosen so that
    simulated jobs are covered).

    Parameters
    ----------
    scatter : Scatter
        How far single readings differ.
    n : int
        Readings in the mean.
    wheel : Wheel
        How it is read.
    """
    eye_sd = wheel.parallax_deg / math.sqrt(3.0)
    sd = max(scatter.sd_deg, eye_sd)
    if scatter.dof == 0:
        spread = BudgetLine(
            "readings, parallax", wheel.parallax_deg, "rectangular", math.sqrt(3.0 * n)
        )
    else:
        note = f"mean of {n}"
        if scatter.dof != n - 1:
            note += "; spread by all sweeps of the job"
        least = max(eye_sd, wheel.read_to_deg / (3.0 * scatter.dof))
        if scatter.sd_deg >= least:
            spread = repeatability(scatter, n, note)
        else:
            note += "; the least that rounding lets tell"
            spread = BudgetLine("readings, spread", least, "normal", math.sqrt(n), note=note)
    return [spread, resolution(wheel.read_to_deg, sd, n)]


def scatter_of(
    group: Sequence[float], others: Sequence[Sequence[float]], step_deg: float
) -> Scatter:
    """Return how far the readings of a group differ, by all groups of the job.

    A group that scatters more than the others by more than chance (Fisher's F, one in a hundred)
    speaks for itself and not for others.

    Parameters
    ----------
    group : sequence of float
        Readings of one thing.
    others : sequence of sequence of float
        The job's other groups.
    step_deg : float
        What readings are rounded to.
    """
    if _scatters_more(group, others, step_deg):
        return pooled([group], step_deg)
    alike = [
        other
        for place, other in enumerate(others)
        if not _scatters_more(other, [group, *others[:place], *others[place + 1 :]], step_deg)
    ]
    return pooled([group, *alike], step_deg)


def _scatters_more(
    group: Sequence[float], others: Sequence[Sequence[float]], step_deg: float
) -> bool:
    own, rest = pooled([group]), pooled(others)
    if not (own.dof and rest.dof):
        return False
    # Readings that rounding made equal scatter as much as it hides.
    ratio = own.sd_deg**2 / max(rest.sd_deg**2, step_deg**2 / 12.0)
    return bool(fdtrc(own.dof, rest.dof, ratio) < _CHANCE)
