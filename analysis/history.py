"""The opening angle over the years.

What it measures
----------------
`drift` fits a straight line through a cylinder's opening angles against the date, each weighted
by its uncertainty, and says whether the slope is more than chance and when the line will leave
the tolerance. Points close up and timing retards as the heel of the breaker wears, and jumps
back when they are set (common practice, no source), so give it the sessions since the last
setting: `since_setting` picks them.

Conventions
-----------
Days as numbers; angles in crank degrees, before positive, so wear gives a negative slope.

References
----------
Weighted least squares with weights 1/u^2; where the points scatter more about the line than their
uncertainties explain, the slope's is raised by the root of chi-squared over its degrees of
freedom (Birge ratio: R. T. Birge, Phys. Rev. 40, 207, 1932, from memory). The slope is more than
chance where it exceeds Student's t of n - 2 degrees of freedom times its uncertainty, at 95 %;
with two points the uncertainties alone decide.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.budget import coverage_factor

DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Session:
    """A cylinder's opening angle on one day.

    Attributes
    ----------
    day : float
    angle_deg : float
        As it was left, or as found where nothing was done.
    u_deg : float
        One standard uncertainty; more than 0.
    found_deg : float or None
        As it was found, where it was then changed.
    """

    day: float
    angle_deg: float
    u_deg: float
    found_deg: float | None = None


@dataclass(frozen=True)
class Drift:
    """A line through sessions.

    Attributes
    ----------
    per_year_deg : float
    u_per_year_deg : float
        One standard uncertainty of it.
    beyond_chance : bool
    at_day, at_deg : float
        A point on the line.
    leaves_day : float or None
        When the line leaves the tolerance; None when it is no more than chance, or never.
    """

    per_year_deg: float
    u_per_year_deg: float
    beyond_chance: bool
    at_day: float
    at_deg: float
    leaves_day: float | None

    def angle_deg(self, day: float) -> float:
        """Return the line's angle on a day."""
        return self.at_deg + self.per_year_deg * (day - self.at_day) / DAYS_A_YEAR


def since_setting(sessions: Sequence[Session]) -> list[Session]:
    """Return the sessions since the points were last set, in order of time.

    A session that changed the setting begins anew with what it left.
    """
    found: list[Session] = []
    for session in sorted(sessions, key=lambda session: session.day):
        if session.found_deg is not None:
            found = []
        found.append(session)
    return found


def drift(sessions: Sequence[Session], figure_deg: float, tolerance_deg: float) -> Drift | None:
    """Fit a line.

    Parameters
    ----------
    sessions : sequence of Session
        In any order.
    figure_deg, tolerance_deg : float
        The maker's figure, and how far off either way is right.

    Returns
    -------
    Drift or None
        None for fewer than two different days.

    Raises
    ------
    ValueError
        If an uncertainty is not more than 0.
    """
    if any(not session.u_deg > 0.0 for session in sessions):
        raise ValueError("every session needs an uncertainty of more than 0")
    day = np.array([session.day for session in sessions])
    if len(set(day.tolist())) < 2:
        return None
    angle = np.array([session.angle_deg for session in sessions])
    weight = np.array([session.u_deg for session in sessions]) ** -2.0
    middle = float(np.average(day, weights=weight))
    level = float(np.average(angle, weights=weight))
    lever = float(weight @ (day - middle) ** 2)
    slope = float(weight @ ((day - middle) * (angle - level))) / lever
    dof = len(sessions) - 2
    u = 1.0 / math.sqrt(lever)
    if dof:
        chi2 = float(weight @ (angle - level - slope * (day - middle)) ** 2)
        u *= max(1.0, math.sqrt(chi2 / dof))
    sure = abs(slope) > coverage_factor(dof or math.inf) * u
    leaves = None
    if sure:
        edge = figure_deg + math.copysign(tolerance_deg, slope)
        leaves = middle + (edge - level) / slope
    return Drift(slope * DAYS_A_YEAR, u * DAYS_A_YEAR, sure, middle, level, leaves)
