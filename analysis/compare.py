"""Differences between groups of sweeps: lash, found against left, advance range, dwell, spread.

What it measures
----------------
lash
    The same edge of the cam met turning backward, less met turning forward. Forward, the drive's
    play is taken up and the crank is ahead of the cam; backward it lags, so the difference is the
    play, in crank degrees. Backward, the edge that opens the points closes them.
found and left
    How far the opening was moved.
advance
    Full advance less the advance unit at rest.
dwell
    How long the points stay closed, in degrees of the cam's shaft, and in per cent of the turn
    from one lobe to the next.
spread
    Largest opening angle of the cylinders less the smallest.

Conventions
-----------
Crank degrees but for dwell. Where both groups are corrected by the same dead centre, it goes out of
their difference; spread and resolution of each stay.

References
----------
JCGM 100:2008, 5.1.2 and H.2 (what is common to both terms of a difference goes out). What each
difference means: common practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.budget import Budget, BudgetLine, Scatter, combine
from analysis.opening import OpeningAngle, sweep_lines
from analysis.wheel import Wheel


@dataclass(frozen=True)
class Estimate:
    """A value and how well it is known.

    Attributes
    ----------
    value_deg : float
    budget : Budget
    """

    value_deg: float
    budget: Budget

    @property
    def beyond_chance(self) -> bool:
        """More than its expanded uncertainty from nil."""
        return abs(self.value_deg) > self.budget.U_deg

    def as_dict(self) -> dict[str, object]:
        """Return the estimate as the plain object that the record shows."""
        return {
            "value_deg": self.value_deg,
            "u_deg": self.budget.u_deg,
            "U_deg": self.budget.U_deg,
            "k": self.budget.k,
        }


def difference(
    one: Sequence[float],
    other: Sequence[float],
    wheel: Wheel,
    scatter: Scatter,
    sensitivity: float = 1.0,
) -> Estimate:
    """Return the mean of one group of readings less that of another.

    Parameters
    ----------
    one, other : sequence of float
        Angles with the same dead centre.
    wheel : Wheel
        How it is read.
    scatter : Scatter
        How far readings of the job differ.
    sensitivity : float
        Degrees of the result for one degree of the difference.
    """
    value = math.fsum(one) / len(one) - math.fsum(other) / len(other)
    # Both groups lean on one estimate of the spread, so it makes one line.
    spread, _ = sweep_lines(scatter, len(one), wheel)
    lines = [replace(spread, divisor=spread.divisor / math.sqrt(1.0 + len(one) / len(other)))]
    lines += [sweep_lines(scatter, len(group), wheel)[1] for group in (one, other)]
    lines = [replace(line, sensitivity=abs(sensitivity)) for line in lines]
    return Estimate(sensitivity * value, combine(lines))


def apart(high: OpeningAngle, low: OpeningAngle) -> Estimate | None:
    """Return one opening angle less another, each with its own dead centre or with the same.

    Lines that both budgets share, such as stops, go out. A spread that both lean on is known with
    its degrees of freedom once, not twice.

    Returns
    -------
    Estimate or None
        None when a dead centre is not known.
    """
    if high.budget is None or low.budget is None:
        return None
    shared = {id(line) for line in high.budget.lines} & {id(line) for line in low.budget.lines}
    lines: list[BudgetLine] = []
    spreads: dict[tuple[float, float], BudgetLine] = {}
    for line in (*high.budget.lines, *low.budget.lines):
        if id(line) in shared:
            continue
        if line.distribution != "Student":
            lines.append(line)
            continue
        key = line.value_deg, line.dof
        twin = spreads.get(key)
        if twin and line.value_deg:
            both = math.hypot(twin.u_deg, line.u_deg)
            line = replace(line, divisor=line.sensitivity * line.value_deg / both)
        spreads[key] = line
    budget = combine([*spreads.values(), *lines])
    return Estimate(high.angle_deg - low.angle_deg, budget)


def dwell(
    opens_deg: Sequence[float],
    closes_deg: Sequence[float],
    wheel: Wheel,
    scatter: Scatter,
    cam_ratio: float,
    lobes: int,
    expected_deg: float | None = None,
) -> Estimate:
    """Return how long the points stay closed, in degrees of the cam's shaft.

    Parameters
    ----------
    opens_deg, closes_deg : sequence of float
        Crank angles before top dead centre, of forward sweeps; closings follow openings.
    wheel : Wheel
        How it is read.
    scatter : Scatter
        How far readings of the job differ.
    cam_ratio : float
        Degrees of the cam's shaft for one of the crank.
    lobes : int
        Openings for each turn of the cam's shaft.
    expected_deg : float, optional
        The maker's figure. The points may stay open for more than a turn of the crank, which the
        wheel does not show; of the dwells that are possible the one nearer to this is taken.
    """
    first = opens_deg[0]
    # A closing comes within the turn after its opening, if nothing tells otherwise.
    after = [first - (first - closing) % 360.0 for closing in closes_deg]
    open_for = difference(opens_deg, after, wheel, scatter, cam_ratio)
    value = 360.0 / lobes - open_for.value_deg
    a_turn_less = value - 360.0 * cam_ratio
    if expected_deg is not None and a_turn_less > 0.0:
        value = min(value, a_turn_less, key=lambda dwell_deg: abs(dwell_deg - expected_deg))
    return Estimate(value, open_for.budget)
