"""The timing record: everything read, computed and decided, with its inputs.

`TimingRecord.as_dict` gives the object of schema ``thirdear/record/1``. Numbers are rounded to a
millionth; a number that is not finite is null (infinite degrees of freedom, for instance).

Angles of readings
------------------
``reading`` is what was written. ``reading_deg`` is the same from the mark that stands for the
cylinder's dead centre on the wheel, before it positive, so that ``angle_deg = reading_deg -
wheel_error_deg``. Where dead centre is not known, ``angle_deg`` is as read.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from analysis.change import Change
from analysis.compare import Estimate
from analysis.deadcentre import DeadCentre
from analysis.engine import CylinderFigure, Engine
from analysis.opening import OpeningAngle
from analysis.reading import Phase, Reading
from analysis.verdict import Correction, Verdict

SCHEMA = "thirdear/record/1"

CAUTIONS = (
    "The maker's manual comes first; where it differs, follow the manual.",
    "Before turning: ignition dead, plugs out, out of gear, fuel off, machine held.",
    "Bring the piston up to the stop by hand, and never force it.",
    "Back off to 50 or 60 before, then come up in the running direction.",
)
"""What to mind at the engine (common practice, no source). Backing off takes up the lash."""

CentreSource = Literal["stops", "zeroed", "carried", "unknown"]
Comparison = Literal["lash", "moved", "advance", "dwell"]
"""See :mod:`analysis.compare`."""


@dataclass(frozen=True)
class PlacedReading:
    """A reading and the crank angle it stands for.

    Attributes
    ----------
    reading : Reading
    reading_deg : float
        From the mark of the cylinder's dead centre, before it positive.
    wheel_error_deg : float or None
        What is taken off; None when it is not known.
    change : Change or None
        The change it belongs to; None for a stop.
    """

    reading: Reading
    reading_deg: float
    wheel_error_deg: float | None = None
    change: Change | None = None

    @property
    def angle_deg(self) -> float:
        """True angle, or the angle as read when dead centre is not known."""
        return self.reading_deg - (self.wheel_error_deg or 0.0)

    def as_stop(self) -> dict[str, object]:
        """Return a stop as the record shows it."""
        return {
            "side": "before" if self.reading_deg > 0.0 else "after",
            "reading_deg": self.reading_deg,
            "time_s": self.reading.time_s,
            "reading": self.reading.written,
            "row": self.reading.row,
        }

    def as_opening(self) -> dict[str, object]:
        """Return an opening or a closing as the record shows it."""
        change = self.change
        return {
            "time_s": change.time_s if change else None,
            "reading_deg": self.reading_deg,
            "angle_deg": self.angle_deg,
            "phase": self.reading.phase,
            "reading": self.reading.written,
            "given_s": self.reading.time_s,
            "row": self.reading.row,
            "uncertainty_s": change.uncertainty_s if change else None,
            "wheel_error_deg": self.wheel_error_deg,
            "advance": self.reading.advance,
            "sweep": self.reading.sweep,
        }


@dataclass(frozen=True)
class UsedDeadCentre:
    """The dead centre a cylinder's readings were corrected by.

    Attributes
    ----------
    source : {"stops", "zeroed", "carried", "unknown"}
        Its own stops; the wheel moved to show it; another cylinder's; none.
    wheel_error_deg : float or None
        As measured by the cylinder's own stops where there are any, even when the wheel was then
        moved to show true dead centre; what the readings were corrected by stands with each.
    u_deg : float or None
        One standard uncertainty.
    stops : tuple of PlacedReading
        The cylinder's own, those without a partner included.
    measured : DeadCentre or None
    from_cylinder : str or None
        Whose dead centre was carried over.
    zeroed_at_s : float or None
    """

    source: CentreSource
    wheel_error_deg: float | None = None
    u_deg: float | None = None
    stops: tuple[PlacedReading, ...] = ()
    measured: DeadCentre | None = None
    from_cylinder: str | None = None
    zeroed_at_s: float | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the dead centre as the record shows it."""
        pairs = self.measured.pairs if self.measured else ()
        questioned = self.measured.questioned if self.measured else ()
        return {
            "wheel_error_deg": self.wheel_error_deg,
            "u_deg": self.u_deg,
            "stops": [stop.as_stop() for stop in self.stops],
            "source": self.source,
            "from_cylinder": self.from_cylinder,
            "zeroed_at_s": self.zeroed_at_s,
            "lean_deg": self.measured.lean_deg if self.measured else None,
            "pairs": [
                {
                    "before_deg": pair.before_deg,
                    "after_deg": pair.after_deg,
                    "sum_deg": pair.sum_deg,
                    "each_side_deg": pair.each_side_deg,
                    "wheel_error_deg": pair.wheel_error_deg,
                    "questioned": place in questioned,
                }
                for place, pair in enumerate(pairs)
            ],
        }


@dataclass(frozen=True)
class CylinderRecord:
    """What was found for one cylinder.

    Attributes
    ----------
    figure : CylinderFigure
    dead_centre : UsedDeadCentre
    openings, closings : tuple of PlacedReading
        Of both phases.
    phases : mapping
        The opening angle of each phase that has readings.
    phase : {"found", "left"} or None
        The phase that is judged: as left where there are readings, else as found.
    verdict : Verdict
    correction : Correction
    comparisons : mapping
        What the readings allow of lash, movement from found to left, advance range and dwell.
    """

    figure: CylinderFigure
    dead_centre: UsedDeadCentre
    openings: tuple[PlacedReading, ...]
    closings: tuple[PlacedReading, ...]
    phases: Mapping[Phase, OpeningAngle]
    phase: Phase | None
    verdict: Verdict
    correction: Correction
    comparisons: Mapping[Comparison, Estimate] = field(default_factory=dict)

    @property
    def opens_at(self) -> OpeningAngle | None:
        """The opening angle that is judged."""
        return self.phases[self.phase] if self.phase else None

    def as_dict(self, engine: Engine) -> dict[str, object]:
        """Return the cylinder as the record shows it."""
        angle = self.opens_at
        budget = angle.budget if angle else None
        return {
            "name": self.figure.name,
            "fires_at_deg": self.figure.fires_at_deg,
            "dead_centre": self.dead_centre.as_dict(),
            "openings": [opening.as_opening() for opening in self.openings],
            "closings": [closing.as_opening() for closing in self.closings],
            "opens_at": _angle(angle, self.phase) if angle else None,
            "phases": {phase: _angle(value, phase) for phase, value in self.phases.items()},
            "spec_deg": engine.opens_at_deg,
            "tolerance_deg": engine.tolerance_deg,
            "deviation_deg": angle.angle_deg - engine.opens_at_deg if angle and budget else None,
            "verdict": self.verdict.verdict,
            "chance_within": self.verdict.chance_within,
            "chance_outside": self.verdict.chance_outside,
            "guard_deg": self.verdict.guard_deg,
            "correction": self.correction.as_dict(),
            "plate_mm": self.correction.plate_mm,
            "sure_deg": self.correction.sure_deg,
            **self._compared(engine),
            "budget": [line.as_dict() for line in budget.lines] if budget else [],
        }

    def _compared(self, engine: Engine) -> dict[str, object]:
        """Return each comparison with what the sheet says of it; null where there is none."""
        lash, moved, advance, dwell = (self.comparisons.get(name) for name in get_args(Comparison))
        static = engine.static_opens_at_deg
        return {
            "lash": lash.as_dict() if lash else None,
            "moved": moved.as_dict() if moved else None,
            "advance_range": {
                **advance.as_dict(),
                "cam_deg": advance.value_deg * engine.cam_ratio,
                "spec_deg": None if static is None else engine.opens_at_deg - static,
            }
            if advance
            else None,
            "dwell": {
                **dwell.as_dict(),
                "per_cent": dwell.value_deg * engine.lobes / 3.6,
                "spec_deg": engine.dwell_deg,
                "tolerance_deg": engine.dwell_tolerance_deg,
            }
            if dwell
            else None,
        }


@dataclass(frozen=True)
class Ignored:
    """A change that needs no reading, as the mechanic said, and why.

    Attributes
    ----------
    change : Change
    reason : str
        In the mechanic's words.
    """

    change: Change
    reason: str

    def as_dict(self) -> dict[str, object]:
        """Return the change as the record shows it."""
        return {**self.change.as_dict(), "reason": self.reason}


@dataclass(frozen=True)
class Inputs:
    """What the record was made from.

    Attributes
    ----------
    recording, sheet, readings : str or None
        File names. The recordings of a session that was stopped and resumed are set off by commas.
    sha256 : str or None
        Of the recording; of each, where there are more.
    duration_s : float or None
    sounding : str or None
        As it was told.
    program : str
        Name and version.
    buzzer : str or None
        Name of the taught buzzer that was used.
    distance_m : float or None
        From buzzer to microphone, where its sound's travel was taken off.
    by, when, where : str or None
        Who did the job, on what day, at what place, in the user's words.
    instruments : str or None
        What was used, in the user's words.
    """

    recording: str | None = None
    sha256: str | None = None
    duration_s: float | None = None
    sounding: str | None = None
    sheet: str | None = None
    readings: str | None = None
    program: str = "thirdear"
    buzzer: str | None = None
    distance_m: float | None = None
    by: str | None = None
    when: str | None = None
    where: str | None = None
    instruments: str | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the inputs as the record shows them."""
        return dict(vars(self))


@dataclass(frozen=True)
class TimingRecord:
    """Everything read, computed and decided.

    Attributes
    ----------
    engine : Engine
    cylinders : tuple of CylinderRecord
    readings : tuple of Reading
        Every reading, in order of time.
    changes_heard : int
    unpaired_changes : tuple of Change
    unpaired_readings : tuple of Reading
    cautions : tuple of str
        What to mind at the engine.
    warnings : tuple of str
        What to look at before the record is trusted.
    notes : tuple of str
        How things were taken that could have been taken otherwise.
    noted : tuple of str
        What the mechanic noted at the engine.
    ignored : tuple of Ignored
    spread : Estimate or None
        How far cylinders differ, largest from smallest.
    inputs : Inputs
    """

    engine: Engine
    cylinders: tuple[CylinderRecord, ...]
    readings: tuple[Reading, ...] = ()
    changes_heard: int = 0
    unpaired_changes: tuple[Change, ...] = ()
    unpaired_readings: tuple[Reading, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    noted: tuple[str, ...] = ()
    ignored: tuple[Ignored, ...] = ()
    spread: Estimate | None = None
    inputs: Inputs = field(default_factory=Inputs)

    @property
    def look_here(self) -> bool:
        """Something wants looking at before the record is trusted."""
        return bool(self.warnings or self.unpaired_readings)

    def as_dict(self) -> dict[str, object]:
        """Return the record as an object of schema ``thirdear/record/1``."""
        record = {
            "schema": SCHEMA,
            "engine": self.engine.as_dict(),
            "cylinders": [cylinder.as_dict(self.engine) for cylinder in self.cylinders],
            "unpaired": {
                "changes": [change.as_dict() for change in self.unpaired_changes],
                "readings": [reading.as_dict() for reading in self.unpaired_readings],
                "ignored": [ignored.as_dict() for ignored in self.ignored],
            },
            "cautions": list(self.cautions),
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "noted": list(self.noted),
            "readings": [reading.as_dict() for reading in self.readings],
            "spread": {**self.spread.as_dict(), "limit_deg": self.engine.spread_limit_deg}
            if self.spread
            else None,
            "changes_heard": self.changes_heard,
            "inputs": self.inputs.as_dict(),
        }
        return {key: _plain(value) for key, value in record.items()}


def _angle(angle: OpeningAngle, phase: Phase | None) -> dict[str, object]:
    budget = angle.budget
    return {
        "angle_deg": angle.angle_deg,
        "n": angle.n,
        "sd_deg": angle.sd_deg,
        "u_deg": budget.u_deg if budget else None,
        "U_deg": budget.U_deg if budget else None,
        "k": budget.k if budget else None,
        "coverage": budget.coverage if budget else None,
        "dof": budget.dof if budget else None,
        "phase": phase,
        "as_read": budget is None,
    }


def _plain(value: object) -> object:
    """Round every number and turn those that are not finite into None."""
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    return value
