"""From changes and readings to the timing record: the whole job's arithmetic, in order.

Which change a reading belongs to (:mod:`analysis.pairing`), where dead centre is
(:mod:`analysis.deadcentre`), where the points open (:mod:`analysis.opening`), and what that means
against the figure (:mod:`analysis.verdict`).

Conventions
-----------
The wheel's 0 mark stands for the dead centre of the cylinder that fires at 0. A cylinder that
fires f degrees later has its own dead centre at the mark f degrees after that. Stops say where on
the wheel a cylinder's dead centre really is: they lie either around that mark or, when the
wheel was set to the cylinder by hand, around the 0 mark. Of the two marks the one nearer to the
stops is taken; without stops, the one that brings the openings nearer to the figure.

A ``zeroed`` step begins a new setting of the wheel: from there on it reads true, for the cylinder
it names, with the doubt of the dead centre before it and of setting the wheel. For each cylinder
and setting, in this order: its own stops; the stops of the cylinder the wheel is set to; the
zeroing; the stops of any other cylinder. A dead centre of another cylinder is carried over by
``fires_at``, which trusts the crank to be made to the figures.

A reading without a side is taken on the side that brings it nearer to the figure. A stop without
a side takes the side its partner leaves.

The opening angle is the mean of forward sweeps at full advance. Sweeps turned backward give the
lash, sweeps with the advance unit at rest its range (:mod:`analysis.compare`). A struck reading
is kept in the record and used for nothing.

References
----------
The order of the steps: common practice, no source.
"""

import math
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from analysis import offcentre
from analysis.budget import Line, Scatter, combine, resolution
from analysis.change import Change
from analysis.compare import Estimate, apart, difference, dwell
from analysis.crank import Crank
from analysis.deadcentre import HIGHEST_SUM_DEG, DeadCentre, StopPair, dead_centre
from analysis.engine import CylinderFigure, Engine
from analysis.opening import OpeningAngle, opening_angle, outliers, scatter_of
from analysis.pairing import Pair, pair, tell_points
from analysis.reading import PHASES, Advance, Phase, Reading, Step, Sweep
from analysis.record import (
    Comparison,
    CylinderRecord,
    Inputs,
    PlacedReading,
    Source,
    TimingRecord,
    UsedDeadCentre,
)
from analysis.verdict import NO_CORRECTION, UNDECIDED, correct, judge
from analysis.wheel import Mark, Side, meanings, nearest, wrap


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
        If a reading is not on the wheel, or the side of a stop cannot be told.
    """
    inputs = inputs or Inputs()
    everything = tuple(sorted(readings, key=lambda reading: reading.time_s))
    ordered = tuple(reading for reading in everything if not reading.struck)
    told, asked = tell_points(changes, ordered)
    pairing = pair(told, ordered, inputs.duration_s)
    wheel = _WheelHistory(ordered, engine)
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
class _Setting:
    """The wheel from one zeroing to the next."""

    zero_of: str
    zeroed_at_s: float | None


@dataclass(frozen=True)
class _Stops:
    """A cylinder's stops in one setting of the wheel."""

    mark_deg: float
    placed: tuple[PlacedReading, ...]
    dead_centre: DeadCentre | None


@dataclass(frozen=True)
class _Correction:
    """What a cylinder's readings in one setting are corrected by."""

    source: Source
    wheel_error_deg: float | None
    lines: tuple[Line, ...] | None
    marks_deg: tuple[float, ...]
    from_cylinder: str | None = None
    stops_at_deg: float = 0.0  # the mark on the wheel whose stops these are
    each_side_deg: float = 0.0


@dataclass(frozen=True)
class _Placed:
    """A cylinder's readings, placed on the crank."""

    figure: CylinderFigure
    openings: tuple[PlacedReading, ...]
    closings: tuple[PlacedReading, ...]

    def angles(
        self, step: Step, phase: Phase, advance: Advance = "full", sweep: Sweep = "forward"
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


class _WheelHistory:
    """The settings of the wheel, the stops in each, and what readings are corrected by."""

    def __init__(self, readings: Sequence[Reading], engine: Engine) -> None:
        self.engine = engine
        self.warnings: list[str] = []
        self.notes: list[str] = []
        self.alone: list[Reading] = []
        self.settings = [_Setting(engine.first.name, None)]
        self._setting_of: dict[int, int] = {}
        stops: dict[tuple[str, int], list[Reading]] = {}
        last_stop: str | None = None
        for reading in readings:
            if reading.step == "zeroed":
                zero_of = reading.cylinder or last_stop or self.settings[-1].zero_of
                self.settings.append(_Setting(zero_of, reading.time_s))
            now = len(self.settings) - 1
            self._setting_of[id(reading)] = now
            if reading.step == "stop" and reading.cylinder:
                last_stop = reading.cylinder
                stops.setdefault((reading.cylinder, now), []).append(reading)
        self.stops = {key: self._measure(*key, found) for key, found in stops.items()}
        self._off_centre = {now: self._ask_off_centre(now) for now in range(len(self.settings))}
        self._corrections: dict[tuple[str, int], _Correction] = {}

    def correction(self, figure: CylinderFigure, reading: Reading) -> tuple[int, _Correction]:
        """Return the setting a reading was taken in and what corrects it."""
        now = self._setting_of[id(reading)]
        key = (figure.name, now)
        if key not in self._corrections:
            self._corrections[key] = self._correct(figure, now)
        return now, self._corrections[key]

    def marks(self, figure: CylinderFigure, setting: int) -> tuple[float, ...]:
        """Return the wheel's marks that can stand for a cylinder's dead centre."""
        zero_of = self.engine.cylinder(self.settings[setting].zero_of)
        own = wrap(zero_of.fires_at_deg - figure.fires_at_deg)
        return (own,) if own == 0.0 else (own, 0.0)

    def own_stops(self, name: str) -> tuple[PlacedReading, ...]:
        """Return a cylinder's stops of all settings."""
        return tuple(
            placed
            for (cylinder, _), found in sorted(self.stops.items(), key=lambda item: item[0][1])
            if cylinder == name
            for placed in found.placed
        )

    def last_measured(self, name: str, before: int | None = None) -> DeadCentre | None:
        """Return the newest dead centre a cylinder's own stops gave, before a setting if told."""
        last = len(self.settings) if before is None else before
        for setting in range(last - 1, -1, -1):
            found = self.stops.get((name, setting))
            if found and found.dead_centre:
                return found.dead_centre
        return None

    def _measure(self, name: str, setting: int, stops: list[Reading]) -> _Stops:
        wheel = self.engine.wheel
        figure = self.engine.cylinder(name)
        choices = [
            (mark, [_from_mark(_mark(stop), mark, self.engine) for stop in stops])
            for mark in self.marks(figure, setting)
        ]
        mark, angles = min(choices, key=lambda choice: max(abs(angle) for angle in choice[1]))
        placed = _sided(stops, angles, mark, self.engine)
        before = [stop for side, stop in placed if side == "before"]
        after = [stop for side, stop in placed if side == "after"]
        pairs = []
        for one, other in zip(before, after, strict=False):
            couple = StopPair(one.reading_deg, -other.reading_deg)
            if couple.sum_deg < HIGHEST_SUM_DEG:
                pairs.append(couple)
                continue
            self.alone += [one.reading, other.reading]
            self.warnings.append(
                f"cylinder {name}: {one.reading.where()} and {other.reading.where()} are "
                f"{couple.sum_deg:g} degrees apart, which cannot be; they are left out"
            )
        self._lone(name, before, after)
        found = dead_centre(pairs, wheel, self._crank()) if pairs else None
        if found and found.questioned:
            sums = ", ".join(f"{couple.sum_deg:g}" for couple in found.pairs)
            which = " and ".join(str(place + 1) for place in found.questioned)
            self.warnings.append(
                f"cylinder {name}: stop pair {which} does not fit the others (sums {sums}); was "
                "the stop moved, or a reading mistaken? It is kept in the mean"
            )
        return _Stops(mark, tuple(stop for _, stop in placed), found)

    def _crank(self) -> Crank | None:
        return self.engine.crank if self.engine.offset_mm is not None else None

    def off_centre_line(
        self, figure: CylinderFigure, setting: int, used: _Correction, angle_deg: float
    ) -> list[Line]:
        """Return what a wheel off centre adds to an opening at an angle."""
        off = max(self.engine.wheel.off_centre, self._off_centre[setting])
        if off == 0.0:
            return []
        apart = used.marks_deg[0] - used.stops_at_deg
        return [offcentre.line(off, apart + angle_deg, used.each_side_deg)]

    def _ask_off_centre(self, setting: int) -> float:
        """Return e / R where the dead centres of a setting differ by more than their doubt."""
        found = [
            (name, stops.mark_deg, stops.dead_centre)
            for (name, now), stops in self.stops.items()
            if now == setting and stops.dead_centre
        ]
        for (name, mark, one), (other, far, two) in combinations(found, 2):
            apart = abs(one.wheel_error_deg - two.wheel_error_deg)
            both = combine([*one.budget.lines, *two.budget.lines])
            if abs(wrap(mark - far)) < 1.0 or apart <= both.U_deg:
                continue
            off = offcentre.estimate(
                [
                    offcentre.StopsAt(place, dc.pairs[0].each_side_deg, dc.wheel_error_deg)
                    for _, place, dc in found
                ]
            )
            self.warnings.append(
                f"dead centres of cylinders {name} and {other} differ by {apart:.1f} degrees more "
                f"than fires_at says: the wheel is off centre by {off:.1%} of its radius or more, "
                "it slipped, or the crank is not made to the figures"
            )
            return off
        return 0.0

    def _lone(self, name: str, before: list[PlacedReading], after: list[PlacedReading]) -> None:
        partners = min(len(before), len(after))
        lone = [stop.reading for stop in (*before[partners:], *after[partners:])]
        self.alone += lone
        if len(lone) > 1 and not partners:
            shown = ", ".join(reading.where() for reading in lone)
            self.warnings.append(
                f"cylinder {name}: the stops are on the same side ({shown}); dead centre needs "
                "one on each side"
            )
        elif lone:
            shown = ", ".join(reading.where() for reading in lone)
            self.warnings.append(
                f"cylinder {name}: no partner on the other side for {shown}; dead centre needs "
                "a stop on each side"
            )

    def _correct(self, figure: CylinderFigure, setting: int) -> _Correction:
        own = self.stops.get((figure.name, setting))
        if own and own.dead_centre:
            return _from_stops("stops", own.dead_centre, (own.mark_deg,), own.mark_deg)
        marks = self.marks(figure, setting)
        now = self.settings[setting]
        others = sorted(
            (c.name for c in self.engine.cylinders if c.name != figure.name),
            key=lambda name: name != now.zero_of,
        )
        for name in others:
            if now.zeroed_at_s is not None and name != now.zero_of:
                break
            theirs = self.stops.get((name, setting))
            if theirs and theirs.dead_centre:
                self._carried(figure, name, marks)
                return _from_stops("carried", theirs.dead_centre, marks, theirs.mark_deg, name)
        if now.zeroed_at_s is not None:
            if figure.name != now.zero_of:
                self._carried(figure, now.zero_of, marks)
            return self._from_zeroing(setting, marks)
        self.warnings.append(
            f"cylinder {figure.name}: dead centre is not known; its angles are as read, and the "
            "verdict is undecided"
        )
        return _Correction("unknown", None, None, marks)

    def _from_zeroing(self, setting: int, marks: tuple[float, ...]) -> _Correction:
        zero_of = self.settings[setting].zero_of
        lines = [resolution(self.engine.wheel.read_to_deg, what="setting the wheel")]
        earlier = self.last_measured(zero_of, setting)
        if earlier:
            lines += earlier.budget.lines
        else:
            self.warnings.append(
                f"the wheel was zeroed for cylinder {zero_of} with no pair of stops before it; "
                "it is taken as true, and how well is not known"
            )
        each_side = earlier.pairs[0].each_side_deg if earlier else 0.0
        return _Correction("zeroed", 0.0, tuple(lines), marks, zero_of, 0.0, each_side)

    def _carried(self, figure: CylinderFigure, name: str, marks: tuple[float, ...]) -> None:
        text = f"cylinder {figure.name}: no stops of its own; dead centre of cylinder {name}"
        if figure.fires_at_deg % 360.0 == self.engine.cylinder(name).fires_at_deg % 360.0:
            self.notes.append(f"{text} is used, which is the same mark")
        else:
            self.warnings.append(
                f"{text} is carried over by fires_at = {figure.fires_at_deg:g}; stops for "
                "each cylinder are better"
            )


def _cylinder(
    placed: _Placed, groups: Sequence[Sequence[float]], wheel: _WheelHistory, guard: float
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
        found["dwell"] = dwell(opens, closes, engine.wheel, scatter, engine.cam_ratio, engine.lobes)
    return found


def _spread(cylinders: Sequence[CylinderRecord], wheel: _WheelHistory) -> Estimate | None:
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
    figure: CylinderFigure, pairs: Sequence[Pair], wheel: _WheelHistory
) -> Iterator[PlacedReading]:
    """Place a cylinder's readings on the crank, setting by setting of the wheel."""
    engine = wheel.engine
    groups: dict[int, list[Pair]] = {}
    corrections: dict[int, _Correction] = {}
    for couple in pairs:
        if couple.reading.cylinder == figure.name:
            setting, correction = wheel.correction(figure, couple.reading)
            groups.setdefault(setting, []).append(couple)
            corrections[setting] = correction
    for setting, group in groups.items():
        correction = corrections[setting]
        expected = engine.opens_at_deg + (correction.wheel_error_deg or 0.0)
        choices = [
            [_from_mark(_mark(couple.reading), mark, engine, expected) for couple in group]
            for mark in correction.marks_deg
        ]
        angles = min(
            choices, key=lambda angles: statistics.median(abs(wrap(a - expected)) for a in angles)
        )
        if angles is not choices[0]:
            wheel.warnings.append(
                f"cylinder {figure.name}: its readings only make sense from the wheel's 0 mark, "
                f"not from the one {figure.fires_at_deg % 360.0:g} degrees on; they are taken so"
            )
        for couple, angle in zip(group, angles, strict=True):
            wheel.notes += _how_taken(couple.reading, angle, engine)
            yield PlacedReading(couple.reading, angle, correction.wheel_error_deg, couple.change)


def _used_dead_centre(
    figure: CylinderFigure,
    opened: Sequence[PlacedReading],
    judged: Phase | None,
    wheel: _WheelHistory,
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
    placed: _Placed, phase: Phase, angles: Sequence[float], wheel: _WheelHistory
) -> list[Line] | None:
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
        Line("moment of the opening", late, "rectangular", math.sqrt(3.0),
             note=f"{engine.delay_s:g} s at {engine.turning_deg_s:g} deg/s")
        if late
        else Line("moment of the opening", 0.0, "not included",
                  note="taken as stopped where the points opened")
    )  # fmt: skip
    return [
        *(worst.lines or ()),
        *wheel.off_centre_line(placed.figure, setting, worst, mean),
        moment,
    ]


def _remark(
    figure: CylinderFigure, angle: OpeningAngle | None, judged: Phase | None, wheel: _WheelHistory
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


def _question(placed: _Placed, phase: Phase, wheel: _WheelHistory) -> None:
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
    figure: CylinderFigure, found: Mapping[Comparison, Estimate], wheel: _WheelHistory
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


def _sided(
    stops: Sequence[Reading], angles: Sequence[float], mark: float, engine: Engine
) -> list[tuple[Side, PlacedReading]]:
    """Give each stop its side, those without one the side that their partner leaves."""
    known: list[Side | None] = []
    for stop, angle in zip(stops, angles, strict=True):
        options = {wrap(meaning - mark) for meaning in meanings(_mark(stop), engine.wheel)}
        open_side = angle == 0.0 or -angle in options
        known.append(None if open_side else "before" if angle > 0.0 else "after")
    sides: list[Side] = []
    for place, (stop, angle) in enumerate(zip(stops, angles, strict=True)):
        partner = place ^ 1
        side = known[place]
        if side is None and partner < len(stops):
            if known[partner]:
                side = "after" if known[partner] == "before" else "before"
            elif abs(angles[partner]) == abs(angle):
                side = "before" if place < partner else "after"
        if side is None:
            raise ValueError(
                f"{stop.where()} does not tell its side; write {stop.written.strip()} before or "
                f"{stop.written.strip()} after"
            )
        sides.append(side)
    return [
        (side, PlacedReading(stop, abs(angle) if side == "before" else -abs(angle)))
        for side, stop, angle in zip(sides, stops, angles, strict=True)
    ]


def _how_taken(reading: Reading, angle: float, engine: Engine) -> list[str]:
    """Say how a reading was taken that the wheel leaves open."""
    mark = _mark(reading)
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


def _from_stops(
    source: Source,
    found: DeadCentre,
    marks: tuple[float, ...],
    at_deg: float,
    name: str | None = None,
) -> _Correction:
    each_side = found.pairs[0].each_side_deg
    lines = found.budget.lines
    return _Correction(source, found.wheel_error_deg, lines, marks, name, at_deg, each_side)


def _mark(reading: Reading) -> Mark:
    if reading.mark is None:
        raise ValueError(f"{reading.where()} has no reading")
    return reading.mark


def _from_mark(mark: Mark, at_deg: float, engine: Engine, expected_deg: float = 0.0) -> float:
    """Return a reading's angle from one of the wheel's marks, nearest to what is expected."""
    return wrap(nearest(mark, engine.wheel, wrap(at_deg + expected_deg)) - at_deg)
