"""The verdict on an opening angle, and what to do about it.

Conventions
-----------
The chance that the true angle lies within the figure's tolerance is reckoned from the mean, its
standard uncertainty and its degrees of freedom. From 95 % up the verdict is ``within``, from 5 %
down ``outside``, and between them ``undecided``: more sweeps, or a better wheel, would tell.

An angle smaller than the figure opens too late and is put right by advancing; a larger one by
retarding. Within tolerance nothing is to be moved. Undecided, the best estimate of the move is
still given. A degree at a half-speed cam is two at the crank.

References
----------
JCGM 106:2012: conformance probability (clause 7), decisions on it with the risk of a wrong one
held down (clause 8). The value is described by a scaled and shifted t distribution, as in JCGM
101:2008, 6.4.9.2.
"""

from dataclasses import dataclass
from typing import Literal

from analysis.budget import COVERAGE, chance_below
from analysis.engine import CamSpeed

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
    """

    verdict: VerdictWord
    chance_within: float | None


@dataclass(frozen=True)
class Correction:
    """How far to move, and which way.

    Attributes
    ----------
    crank_deg, cam_deg : float or None
        Magnitudes; None when dead centre or the opening is not known.
    turn : {"advance", "retard", "none"}
    """

    crank_deg: float | None
    cam_deg: float | None
    turn: Turn

    def as_dict(self) -> dict[str, object]:
        """Return the correction as the plain object that the record shows."""
        return {"crank_deg": self.crank_deg, "cam_deg": self.cam_deg, "turn": self.turn}


UNDECIDED = Verdict("undecided", None)
NO_CORRECTION = Correction(None, None, "none")


def judge(
    angle_deg: float,
    u_deg: float,
    dof: float,
    figure_deg: float,
    tolerance_deg: float,
    coverage: float = COVERAGE,
) -> Verdict:
    """Judge an angle against the figure.

    Parameters
    ----------
    angle_deg, u_deg, dof : float
        Estimate, standard uncertainty and effective degrees of freedom.
    figure_deg, tolerance_deg : float
        The maker's figure, and how far off either way is right.
    coverage : float
        The chance that is asked for.
    """
    chance = chance_below(figure_deg + tolerance_deg, angle_deg, u_deg, dof) - chance_below(
        figure_deg - tolerance_deg, angle_deg, u_deg, dof
    )
    if chance >= coverage:
        return Verdict("within", chance)
    return Verdict("outside" if chance <= 1.0 - coverage else "undecided", chance)


def correct(
    angle_deg: float, figure_deg: float, cam_speed: CamSpeed, verdict: Verdict
) -> Correction:
    """Say how far to move, and which way, to bring an angle to the figure."""
    off = angle_deg - figure_deg
    if verdict.verdict == "within" or off == 0.0:
        return Correction(0.0, 0.0, "none")
    crank = abs(off)
    cam = crank / 2.0 if cam_speed == "half" else crank
    return Correction(crank, cam, "advance" if off < 0.0 else "retard")
