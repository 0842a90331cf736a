"""The verdict on an opening angle, and what to do about it.

Conventions
-----------
The chance that the true angle lies within the figure's tolerance, and that it lies outside, is
reckoned from the mean and the distributions of its budget. The verdict is ``within`` from 95 %
up. It is ``outside`` when the chance of lying beyond one of the limits is 95 % or more: an angle
so badly known that it is likely outside, but on either side, is not decided. Anything else is
``undecided``: more sweeps, or a better wheel, would tell.

A guard band asks for more: each limit is moved inwards by it for ``within`` and outwards for
``outside``, and the estimate must lie beyond the moved limit as well. It is given as a share of
the expanded uncertainty; 1 is the guard band of ISO 14253-1, 0 none.

An angle smaller than the figure opens too late and is put right by advancing; a larger one by
retarding. Within tolerance nothing is to be moved. Undecided, the best estimate of the move is
still given. A degree at a half-speed cam is two at the crank. To advance, the breaker plate is
turned against the cam's direction, or the cam with it (common practice, no source).

References
----------
JCGM 106:2012: conformance probability (clause 7), acceptance limits moved by a guard band that is
a multiple of the expanded uncertainty (8.3). ISO 14253-1 (from memory). The value's distribution:
see :mod:`analysis.budget`.
"""

import math
from dataclasses import dataclass
from typing import Literal

from analysis.budget import COVERAGE, Budget
from analysis.engine import Engine

VerdictWord = Literal["within", "outside", "undecided"]
Turn = Literal["advance", "retard", "none"]


@dataclass(frozen=True)
class Verdict:
    """Within tolerance or not.

    Attributes
    ----------
    verdict : {"within", "outside", "undecided"}
    chance_within : float or None
        Conformance probability; None when it cannot be reckoned.
    guard_deg : float
        The guard band.
    """

    verdict: VerdictWord
    chance_within: float | None
    guard_deg: float = 0.0

    @property
    def chance_outside(self) -> float | None:
        """Probability that the true angle is not within tolerance."""
        return None if self.chance_within is None else 1.0 - self.chance_within


@dataclass(frozen=True)
class Correction:
    """How far to move, and which way.

    Attributes
    ----------
    crank_deg, cam_deg : float or None
        Magnitudes; None when dead centre or the opening is not known.
    turn : {"advance", "retard", "none"}
    plate_mm : float or None
        Along the breaker plate, at the radius the sheet gives; None where it gives none.
    sure_deg : float or None
        How much of `crank_deg` is more than the expanded uncertainty.
    """

    crank_deg: float | None
    cam_deg: float | None
    turn: Turn
    plate_mm: float | None = None
    sure_deg: float | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the correction as the plain object that the record shows."""
        return {"crank_deg": self.crank_deg, "cam_deg": self.cam_deg, "turn": self.turn}


UNDECIDED = Verdict("undecided", None)
NO_CORRECTION = Correction(None, None, "none")


def judge(
    angle_deg: float,
    budget: Budget,
    figure_deg: float,
    tolerance_deg: float,
    guard: float = 0.0,
    chance_asked: float = COVERAGE,
) -> Verdict:
    """Judge an angle against the figure.

    Parameters
    ----------
    angle_deg : float
        Estimate.
    budget : Budget
        How well it is known.
    figure_deg, tolerance_deg : float
        The maker's figure, and how far off either way is right.
    guard : float
        Guard band, by the expanded uncertainty; not negative.
    chance_asked : float
        How sure a verdict must be.

    Raises
    ------
    ValueError
        If the guard is negative or not a number.
    """
    if not (guard >= 0.0 and math.isfinite(guard)):
        raise ValueError(f"a guard band of {guard:g} cannot be; give 0 or more")
    off = figure_deg - angle_deg
    too_late = budget.chance_below(off - tolerance_deg)
    too_early = 1.0 - budget.chance_below(off + tolerance_deg)
    chance = 1.0 - too_late - too_early
    guard_deg = guard * budget.U_deg
    word: VerdictWord = "undecided"
    if chance >= chance_asked and abs(off) <= tolerance_deg - guard_deg:
        word = "within"
    elif max(too_late, too_early) >= chance_asked and abs(off) > tolerance_deg + guard_deg:
        word = "outside"
    return Verdict(word, chance, guard_deg)


def correct(angle_deg: float, U_deg: float, engine: Engine, verdict: Verdict) -> Correction:
    """Say how far to move, and which way, to bring an angle to the figure.

    Parameters
    ----------
    angle_deg, U_deg : float
        Estimate and expanded uncertainty.
    engine : Engine
        Its figure, cam speed and plate radius.
    verdict : Verdict
        Within tolerance nothing is to be moved.
    """
    off = angle_deg - engine.opens_at_deg
    radius = engine.plate_radius_mm
    if verdict.verdict == "within" or off == 0.0:
        return Correction(0.0, 0.0, "none", None if radius is None else 0.0, 0.0)
    crank = abs(off)
    cam = crank * engine.cam_ratio
    turn: Turn = "advance" if off < 0.0 else "retard"
    return Correction(
        crank,
        cam,
        turn,
        None if radius is None else radius * math.radians(cam),
        max(0.0, crank - U_deg),
    )
