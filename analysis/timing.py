"""From changes and readings to the timing record: the whole job's arithmetic, in order.

Which change a reading belongs to (:mod:`analysis.pairing`), where dead centre is
(:mod:`analysis.deadcentre`), where the points open (:mod:`analysis.opening`), and what that means
against the figure (:mod:`analysis.verdict`).

Conventions
-----------
How the wheel stood, and what that takes off a reading, is told in :mod:`analysis.wheelhistory`.

A reading without a side is taken on the side that brings it nearer to the figure.

The opening angle is the mean of forward sweeps at full advance. Sweeps turned backward give the
lash, sweeps with the advance unit at rest its range (:mod:`analysis.compare`). A struck reading
is kept in the record and used for nothing.

References
----------
The order of the steps: common practice, no source.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from analysis.budget import BudgetLine, Scatter, combine
from analysis.change import Change
from analysis.compare import Estimate, apart, difference, dwell
from analysis.engine import CylinderFigure, Engine
from analysis.opening import OpeningAngle, opening_angle, outliers, scatter_of
from analysis.pairing import Pair, pair, tell_points
from analysis.reading import PHASES, Advance, Phase, Reading, ReadingStep, Sweep
from analysis.record import (
    Comparison,
    CylinderRecord,
    Inputs,
    PlacedReading,
    TimingRecord,
    UsedDeadCentre,
)
from analysis.verdict import NO_CORRECTION, UNDECIDED, correct, judge
from analysis.wheelhistory import WheelHistory, from_mark, mark_of


def timing_record(
    changes: Sequence[Change],
    readings: Sequence[Reading],
    engine: Engine,
    *,
    warnings: Sequence[str] = (),
    inputs: Inputs | None = None,
    guard: float = 0.0,
) -> TimingRecord:
    """Do the whole job's arithmetic.

    Parameters
    ----------
    changes : sequence of Change
        Everything the ear found.
    readings : sequence of Reading
        Everything that was read; each ``cylinder`` is a name on the sheet.
    engine : Engine
        The sheet's figures.
    warnings : sequence of str
        What the ear and the recording gave cause for.
    inputs : Inputs, optional
        Where it all came from. Its ``duration_s`` ends what was heard.
    guard : float
        Guard band of the verdicts, by the expanded uncertainty.

    Returns
    -------
    TimingRecord

    Raises
    ------
    ValueError
        If a reading is not on the wheel.
    """
    inputs = inputs or Inputs()
    everything = tuple(sorted(readings, key=lambda reading: reading.time_s))
    ordered = tuple(reading for reading in everything if not reading.struck)
    told, asked = tell_points(changes, ordered)
    pairing = pair(told, ordered, inputs.duration_s)
    wheel = WheelHistory(ordered, engine)
    placed = {
        figure.name: _Placed(
            figure,
            tuple(_placed(figure, pairing.openings, wheel)),
            tuple(_placed(figure, pairing.closings, wheel)),
        )
        for figure in engine.cylinders
    }
    groups = [group for cylinder in placed.values() for group in cylinder.groups()]
    cylinders = tuple(_cylinder(placed[c.name], groups, wheel, guard) for c in engine.cylinders)
    spread = _spread(cylinders, wheel)
    alone = {id(reading) for reading in (*pairing.readings, *wheel.alone)}
    return TimingRecord(
        engine=engine,
        cylinders=cylinders,
        readings=everything,
        spread=spread,
        changes_heard=len(told),
        unpaired_changes=pairing.changes,
        unpaired_readings=tuple(reading for reading in ordered if id(reading) in alone),
        warnings=tuple(
            dict.fromkeys(
                [
                    *warnings,
                    *([] if told else ["no change of the buzzer was heard"]),
                    *asked,
                    *pairing.warnings,
                    *_without_reading(pairing.changes),
                    *_past_the_end(ordered, inputs.duration_s),
                    *wheel.warnings,
                ]
            )
        ),
        notes=(*engine.assumed, *dict.fromkeys(wheel.notes)),
        inputs=inputs,
    )


@dataclass(frozen=True)
class _Placed:
    """A cylinder's readings, placed on the crank."""

    figure: CylinderFigure
    openings: tuple[PlacedReading, ...]
    closings: tuple[PlacedReading, ...]

    def angles(
        self, step: ReadingStep, phase: Phase, advance: Advance = "full", sweep: Sweep = "forward"
    ) -> list[float]:
        """Return the angles of one kind of reading."""
        wanted = (phase, advance, sweep)
        return [
            place.angle_deg
            for place in (self.openings if step == "opening" else self.closings)
            if (place.reading.phase, place.reading.advance, place.reading.sweep) == wanted
        ]

    def groups(self) -> list[list[float]]:
        """Return the angles that repeat each other, group by group."""
        found: dict[tuple[str, ...], list[float]] = {}
        for place in (*self.openings, *self.closings):
            of = place.reading
            found.setdefault((of.step, of.phase, of.advance, of.sweep), []).append(place.angle_deg)
        return list(found.values())


def _cylinder(
    placed: _Placed, groups: Sequence[Sequence[float]], wheel: WheelHistory, guard: float
) -> CylinderRecord:
    engine, figure = wheel.engine, placed.figure
    phases: dict[Phase, OpeningAngle] = {}
    for phase in PHASES:
        angles = placed.angles("opening", phase)
        if angles:
            scatter = _scatter(angles, groups, engine)
            common = _common_lines(placed, phase, angles, wheel)
            phases[phase] = opening_angle(angles, engine.wheel, common, scatter)
    judged: Phase | None = "left" if "left" in phases else "found" if "found" in phases else None
    angle = phases[judged] if judged else None
    _remark(figure, angle, judged, wheel)
    for phase in phases:
        _question(placed, phase, wheel)
    comparisons = _comparisons(placed, phases, groups, engine)
    _against_sheet(figure, comparisons, wheel)
    verdict, correction = UNDECIDED, NO_CORRECTION
    if angle and angle.budget:
        verdict = judge(
            angle.angle_deg, angle.budget, engine.opens_at_deg, engine.tolerance_deg, guard
        )
        correction = correct(angle.angle_deg, angle.budget.U_deg, engine, verdict)
    return CylinderRecord(
        figure,
        _used_dead_centre(figure, placed.openings, judged, wheel),
        placed.openings,
        placed.closings,
        phases,
        judged,
        verdict,
        correction,
        comparisons,
    )


def _scatter(angles: Sequence[float], groups: Sequence[Sequence[float]], engine: Engine) -> Scatter:
    """Return how far readings of a group differ, by all groups of the job."""
    others = list(groups)
    others.remove(angles)
    return scatter_of(angles, others, engine.wheel.read_to_deg)


def _comparisons(
    placed: _Placed,
    phases: Mapping[Phase, OpeningAngle],
    groups: Sequence[Sequence[float]],
    engine: Engine,
) -> dict[Comparison, Estimate]:
    """Return the differences that the readings allow."""
    found: dict[Comparison, Estimate] = {}
    if not phases:
        return found
    moved = apart(phases["left"], phases["found"]) if len(phases) == 2 else None
    if moved:
        found["moved"] = moved
    phase: Phase = "left" if "left" in phases else "found"
    opens = placed.angles("opening", phase)
    scatter = _scatter(opens, groups, engine)
    backward = placed.angles("closing", phase, sweep="backward")
    if backward:
        found["lash"] = difference(backward, opens, engine.wheel, scatter)
    static = placed.angles("opening", phase, "static")
    if static:
        found["advance"] = difference(opens, static, engine.wheel, scatter)
    closes = placed.angles("closing", phase)
    if closes:
        found["dwell"] = dwell(
            opens, closes, engine.wheel, scatter, engine.cam_ratio, engine.lobes, engine.dwell_deg
        )
    return found


def _spread(cylinders: Sequence[CylinderRecord], wheel: WheelHistory) -> Estimate | None:
    """Return how far the cylinders differ, and say what it tells where that is too much."""
    known = [
        (cylinder.opens_at.angle_deg, cylinder.figure.name, cylinder.opens_at)
        for cylinder in cylinders
        if cylinder.opens_at and cylinder.opens_at.budget
    ]
    if len(known) < 2:
        return None
    _, late, low = min(known, key=lambda entry: entry[0])
    _, early, high = max(known, key=lambda entry: entry[0])
    spread = apart(high, low)
    assert spread is not None  # both have a budget
    limit = wheel.engine.spread_limit_deg
    if limit is not None and spread.value_deg > limit:
        sure = "" if spread.value_deg - limit > spread.budget.U_deg else ", though not for certain"
        wheel.warnings.append(
            f"cylinder {early} opens {spread.value_deg:.1f} degrees earlier than {late}, the "
            f"limit is {limit:g}{sure}: a cam ring out of true, a worn bearing, or a wheel that "
            "slipped"
        )
    return spread


def _placed(
    figure: CylinderFigure, pairs: Sequence[Pair], wheel: WheelHistory
) -> Iterator[PlacedReading]:
    """Place a cylinder's readings on the crank."""
    for couple in pairs:
        if couple.reading.cylinder != figure.name:
            continue
        setting, correction = wheel.correction(figure, couple.reading)
        error = correction.wheel_error_deg
        mark = wheel.read_from(figure, setting)
        expected = wheel.engine.opens_at_deg + (error or 0.0)
        angle = from_mark(mark_of(couple.reading), mark, wheel.engine, expected)
        wheel.notes += _how_taken(couple.reading, angle, wheel.engine)
        yield PlacedReading(couple.reading, angle, error, couple.change)


def _used_dead_centre(
    figure: CylinderFigure,
    opened: Sequence[PlacedReading],
    judged: Phase | None,
    wheel: WheelHistory,
) -> UsedDeadCentre:
    """Tell what the judged openings were corrected by, and the cylinder's own stops."""
    stops = wheel.own_stops(figure.name)
    own = wheel.last_measured(figure.name)
    openings = [opening for opening in opened if opening.reading.phase == judged]
    if not openings:
        if own is None:
            return UsedDeadCentre("unknown", stops=stops)
        return UsedDeadCentre("stops", own.wheel_error_deg, own.budget.u_deg, stops, own)
    setting, used = wheel.correction(figure, openings[-1].reading)
    measured = own
    error = used.wheel_error_deg
    if used.source == "zeroed":
        measured = own or wheel.last_measured(wheel.settings[setting].zero_of)
        error = measured.wheel_error_deg if measured else error
    elif used.source == "stops" and own:
        error = own.wheel_error_deg
    return UsedDeadCentre(
        used.source,
        error,
        combine(used.lines).u_deg if used.lines is not None else None,
        stops,
        own,
        used.from_cylinder if used.from_cylinder != figure.name else None,
        wheel.settings[setting].zeroed_at_s,
    )


def _common_lines(
    placed: _Placed, phase: Phase, angles: Sequence[float], wheel: WheelHistory
) -> list[BudgetLine] | None:
    """Return what is in doubt for all of a phase's openings alike; None if dead centre is unknown.

    Of several dead centres the least certain is taken.
    """
    used = [
        wheel.correction(placed.figure, opening.reading)
        for opening in placed.openings
        if opening.reading.phase == phase
    ]
    if any(correction.lines is None for _, correction in used):
        return None
    setting, worst = max(used, key=lambda entry: combine(entry[1].lines or ()).u_deg)
    engine = wheel.engine
    mean = math.fsum(angles) / len(angles)
    late = engine.turning_deg_s * engine.delay_s
    moment = (
        BudgetLine("moment of the opening", late, "rectangular", math.sqrt(3.0),
             note=f"{engine.delay_s:g} s at {engine.turning_deg_s:g} deg/s")
        if late
        else BudgetLine("moment of the opening", 0.0, "not included",
                  note="taken as stopped where the points opened")
    )  # fmt: skip
    return [
        *(worst.lines or ()),
        *wheel.off_centre_line(placed.figure, setting, worst, mean),
        moment,
    ]


def _remark(
    figure: CylinderFigure, angle: OpeningAngle | None, judged: Phase | None, wheel: WheelHistory
) -> None:
    name = f"cylinder {figure.name}"
    if angle is None:
        wheel.warnings.append(f"{name}: no opening reading, so no verdict")
        return
    if judged == "found":
        wheel.notes.append(f"{name}: no reading as left; the verdict is on the engine as found")
    if angle.n == 1:
        told = angle.budget is not None and angle.budget.lines[0].source == "readings, spread"
        wheel.warnings.append(
            f"{name}: one opening reading only; how far readings differ is "
            + ("taken from the job's other sweeps" if told else "not known and not in the "
               "uncertainty")
            + "; take three or more"
        )  # fmt: skip


def _question(placed: _Placed, phase: Phase, wheel: WheelHistory) -> None:
    """Question openings that stand apart from the others; they stay in the mean."""
    openings = [
        place
        for place in placed.openings
        if (place.reading.phase, place.reading.advance, place.reading.sweep)
        == (phase, "full", "forward")
    ]
    angles = [opening.angle_deg for opening in openings]
    for place in outliers(angles, wheel.engine.wheel.graduation_deg):
        wheel.warnings.append(
            f"cylinder {placed.figure.name}: {openings[place].reading.where()} stands apart from "
            "the other openings; was it misread, of another cylinder, or the lash not taken up? "
            "It is kept in the mean"
        )


def _against_sheet(
    figure: CylinderFigure, found: Mapping[Comparison, Estimate], wheel: WheelHistory
) -> None:
    """Say where dwell or the advance range is surely off what the sheet gives."""
    engine = wheel.engine
    static = engine.static_opens_at_deg
    asked: dict[Comparison, tuple[float | None, float]] = {
        "dwell": (engine.dwell_deg, engine.dwell_tolerance_deg or 0.0),
        "advance": (None if static is None else engine.opens_at_deg - static, engine.tolerance_deg),
    }
    for name, (spec, tolerance) in asked.items():
        estimate = found.get(name)
        if estimate is None or spec is None:
            continue
        if abs(estimate.value_deg - spec) > tolerance + estimate.budget.U_deg:
            what = "dwell" if name == "dwell" else "range of the advance unit"
            wheel.warnings.append(
                f"cylinder {figure.name}: the {what} is {estimate.value_deg:.1f} degrees, the "
                f"sheet says {spec:g} ± {tolerance:g}"
            )


def _how_taken(reading: Reading, angle: float, engine: Engine) -> list[str]:
    """Say how a reading was taken that the wheel leaves open."""
    mark = mark_of(reading)
    if mark.side or mark.number == 0.0 or engine.wheel.marks == "0-360":
        return []
    side = "before" if angle >= 0.0 else "after"
    return [
        f"{reading.step} readings with no side are taken as {side}, the side nearer to the figure"
    ]


def _without_reading(changes: Sequence[Change]) -> list[str]:
    openings = [change for change in changes if change.points == "open"]
    if not openings:
        return []
    times = ", ".join(f"{change.time_s:.1f}" for change in openings[:6])
    more = " …" if len(openings) > 6 else ""
    count = "1 opening was" if len(openings) == 1 else f"{len(openings)} openings were"
    return [f"{count} heard that no reading was given for (at {times}{more} s)"]


def _past_the_end(readings: Sequence[Reading], end_s: float | None) -> list[str]:
    """Warn of stops and zeroings past the end; they need no sound, and are used."""
    return [
        f"{reading.where()} lies past the end of the recording, {end_s:.1f} s; it is used"
        for reading in readings
        if end_s is not None and reading.time_s > end_s and reading.step in ("stop", "zeroed")
    ]
