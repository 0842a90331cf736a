"""The opening angle over the years.

What it measures
----------------
`drift` fits a straight line through a cylinder's opening angles against the date and says whether
the slope is more than chance and when the line will leave the tolerance. Points close up and
timing retards as the heel of the breaker wears, and jumps back when they are set (common
practice, no source), so give it the sessions since the last setting: `since_setting` picks them.

Conventions
-----------
Days as numbers; angles in crank degrees, before positive, so wear gives a negative slope.

Weights. A session of few readings knows its own uncertainty poorly; weighted by ``1/u^2`` those
that chance to look sure would rule the line. So each has ``1/(u^2 + mean u^2)``, which still
lets a poor session count for little.

References
----------
The slope is a sum of the angles, each with its sensitivity. Its uncertainty and degrees of
freedom come from the sessions' own by JCGM 100:2008, 5.1.2 and G.2b, and its interval by
Student's t at 95 %. Where the points scatter about the line more than their uncertainties explain
(chi-squared, one in twenty), the interval is not less than the scatter's own, with n - 2 degrees
of freedom. How often it finds a drift where there is none: ``tests/bench/interval_coverage.py``.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from analysis.budget import coverage_factor, welch_satterthwaite

DAYS_A_YEAR = 365.25
_CHANCE = 0.05


@dataclass(frozen=True)
class DatedAngle:
    """A cylinder's opening angle on one day.

    Attributes
    ----------
    day : float
    angle_deg : float
        As it was left, or as found where nothing was done.
    u_deg : float
        One standard uncertainty; more than 0.
    U_deg : float
        Expanded uncertainty, as the record states it.
    dof : float
        Effective degrees of freedom of `u_deg`.
    found_deg : float or None
        As it was found, where it was then changed.
    """

    day: float
    angle_deg: float
    u_deg: float
    U_deg: float
    dof: float = math.inf
    found_deg: float | None = None

    def __post_init__(self) -> None:
        if not self.u_deg > 0.0:
            raise ValueError("every session needs an uncertainty of more than 0")


@dataclass(frozen=True)
class Drift:
    """A line through sessions.

    Attributes
    ----------
    per_year_deg : float
    u_per_year_deg : float
        One standard uncertainty of it.
    U_per_year_deg : float
        Its expanded uncertainty, for 95 %.
    beyond_chance : bool
        The slope exceeds its expanded uncertainty.
    at_day, at_deg : float
        A point on the line.
    leaves_day : float or None
        When the line leaves the tolerance; None when it is no more than chance, or never.
    """

    per_year_deg: float
    u_per_year_deg: float
    U_per_year_deg: float
    beyond_chance: bool
    at_day: float
    at_deg: float
    leaves_day: float | None

    def angle_deg(self, day: float) -> float:
        """Return the line's angle on a day."""
        return self.at_deg + self.per_year_deg * (day - self.at_day) / DAYS_A_YEAR


def since_setting(sessions: Sequence[DatedAngle]) -> list[DatedAngle]:
    """Return the sessions since the points were last set, in order of time.

    A session that changed the setting begins anew with what it left.
    """
    found: list[DatedAngle] = []
    for session in sorted(sessions, key=lambda session: session.day):
        if session.found_deg is not None:
            found = []
        found.append(session)
    return found


def drift(sessions: Sequence[DatedAngle], figure_deg: float, tolerance_deg: float) -> Drift | None:
    """Fit a line.

    Parameters
    ----------
    sessions : sequence of DatedAngle
        In any order.
    figure_deg, tolerance_deg : float
        The maker's figure, and how far off either way is right.

    Returns
    -------
    Drift or None
        None for fewer than two different days.
    """
    day = np.array([session.day for session in sessions])
    if len(set(day.tolist())) < 2:
        return None
    angle = np.array([session.angle_deg for session in sessions])
    u_each = np.array([session.u_deg for session in sessions])
    weight = 1.0 / (u_each**2 + np.mean(u_each**2))
    middle = float(np.average(day, weights=weight))
    level = float(np.average(angle, weights=weight))
    lever = float(weight @ (day - middle) ** 2)
    per_deg = weight * (day - middle) / lever  # of the slope, for a degree of each angle
    slope = float(per_deg @ angle)
    parts = [(abs(c) * s.u_deg, s.dof) for c, s in zip(per_deg.tolist(), sessions, strict=True)]
    u = math.hypot(*(part for part, _ in parts))
    expanded = coverage_factor(welch_satterthwaite(parts)) * u
    off = angle - level - slope * (day - middle)
    dof = len(sessions) - 2
    if dof and chdtrc(dof, float(np.sum((off / u_each) ** 2))) < _CHANCE:
        seen = math.sqrt(float(weight @ off**2) / dof / lever)
        u, expanded = max(u, seen), max(expanded, coverage_factor(dof) * seen)
    sure = abs(slope) > expanded
    leaves = None
    if sure:
        edge = figure_deg + math.copysign(tolerance_deg, slope)
        leaves = middle + (edge - level) / slope
    return Drift(
        slope * DAYS_A_YEAR, u * DAYS_A_YEAR, expanded * DAYS_A_YEAR, sure, middle, level, leaves
    )
