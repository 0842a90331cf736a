"""How the wheel stood from reading to reading, and what that takes off each.

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

A stop without a side takes the side its partner leaves; where that is not known either, it is left
out.

References
----------
The order: common practice, no source.
"""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from analysis import offcentre
from analysis.budget import BudgetLine, combine, resolution
from analysis.crank import Crank
from analysis.deadcentre import HIGHEST_SUM_DEG, DeadCentre, StopPair, dead_centre
from analysis.engine import CylinderFigure, Engine
from analysis.reading import Reading
from analysis.record import CentreSource, PlacedReading
from analysis.wheel import Mark, Side, meanings, nearest, wrap


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
class WheelCorrection:
    """What a cylinder's readings in one setting are corrected by.

    Attributes
    ----------
    source : {"stops", "zeroed", "carried", "unknown"}
        What dead centre is known by.
    wheel_error_deg : float or None
        How far the wheel reads too far before; None where that is not known.
    lines : tuple of BudgetLine or None
        Its uncertainty.
    marks_deg : tuple of float
        The wheel's marks that can stand for the cylinder's dead centre.
    from_cylinder : str or None
        Whose stops were carried over.
    stops_at_deg : float
        The mark on the wheel whose stops these are.
    each_side_deg : float
        From it to either stop.
    """

    source: CentreSource
    wheel_error_deg: float | None
    lines: tuple[BudgetLine, ...] | None
    marks_deg: tuple[float, ...]
    from_cylinder: str | None = None
    stops_at_deg: float = 0.0
    each_side_deg: float = 0.0


class WheelHistory:
    """The settings of the wheel, the stops in each, and what readings are corrected by.

    Parameters
    ----------
    readings : sequence of Reading
        Those that count, in order of time.
    engine : Engine

    Attributes
    ----------
    settings : list of _Setting
    stops : dict
        By cylinder and setting.
    alone : list of Reading
        Stops of no use.
    sideless : list of Reading
        Those of them whose side cannot be told.
    warnings, notes : list of str
        What was found doubtful, and how things were taken; the caller adds to them.
    """

    def __init__(self, readings: Sequence[Reading], engine: Engine) -> None:
        self.engine = engine
        self.warnings: list[str] = []
        self.notes: list[str] = []
        self.alone: list[Reading] = []
        self.sideless: list[Reading] = []
        self._pair_of: dict[int, StopPair] = {}
        self.settings = [_Setting(engine.first.name, None)]
        self._setting_of: dict[int, int] = {}
        stops: dict[tuple[str, int], list[Reading]] = {}
        self._swept: dict[tuple[str, int], list[Reading]] = {}
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
            elif reading.step == "opening" and reading.cylinder:
                self._swept.setdefault((reading.cylinder, now), []).append(reading)
        self.stops = {key: self._measure(*key, found) for key, found in stops.items()}
        self._off_centre = {now: self._ask_off_centre(now) for now in range(len(self.settings))}
        self._corrections: dict[tuple[str, int], WheelCorrection] = {}
        self._marks: dict[tuple[str, int], float] = {}

    def correction(self, figure: CylinderFigure, reading: Reading) -> tuple[int, WheelCorrection]:
        """Return the setting a reading was taken in and what corrects it."""
        now = self._setting_of[id(reading)]
        return now, self._correction(figure, now)

    def read_from(self, figure: CylinderFigure, setting: int) -> float:
        """Return the wheel's mark that stands for a cylinder's dead centre in a setting."""
        key = (figure.name, setting)
        if key not in self._marks:
            self._marks[key] = self._read_from(figure, setting)
        return self._marks[key]

    def target_deg(self, figure: CylinderFigure) -> float | None:
        """Return the wheel angle at which a cylinder's points should open, as the wheel stands.

        The wheel stands as it was set last. None when the cylinder's dead centre is not known.
        """
        last = len(self.settings) - 1
        error = self._correction(figure, last).wheel_error_deg
        if error is None:
            return None
        return wrap(self.read_from(figure, last) + self.engine.opens_at_deg + error)

    def measured_with(self, stop: Reading) -> tuple[StopPair, DeadCentre] | None:
        """Return the pair a stop is of, and the dead centre its setting gave; None if alone."""
        couple = self._pair_of.get(id(stop))
        if couple is None or stop.cylinder is None:
            return None
        found = self.stops[stop.cylinder, self._setting_of[id(stop)]].dead_centre
        return (couple, found) if found else None

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
            (mark, [from_mark(mark_of(stop), mark, self.engine) for stop in stops])
            for mark in self.marks(figure, setting)
        ]
        mark, angles = min(choices, key=lambda choice: max(abs(angle) for angle in choice[1]))
        placed, sideless = _sided(stops, angles, mark, self.engine)
        for stop in sideless:
            self.warnings.append(
                f"cylinder {name}: {stop.where()} does not tell its side; it is left out"
            )
        self.sideless += sideless
        self.alone += sideless
        before = [stop for side, stop in placed if side == "before"]
        after = [stop for side, stop in placed if side == "after"]
        pairs = []
        for one, other in zip(before, after, strict=False):
            couple = StopPair(one.reading_deg, -other.reading_deg)
            if 0.0 < couple.sum_deg < HIGHEST_SUM_DEG:
                pairs.append(couple)
                self._pair_of |= {id(one.reading): couple, id(other.reading): couple}
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
        self, figure: CylinderFigure, setting: int, used: WheelCorrection, angle_deg: float
    ) -> list[BudgetLine]:
        """Return what a wheel off centre adds to an opening at an angle.

        Parameters
        ----------
        figure : CylinderFigure
            Whose opening it is.
        setting : int
            In which the reading was taken.
        used : WheelCorrection
            What corrects it.
        angle_deg : float
            Of the opening; before dead centre positive.
        """
        off = max(self.engine.wheel.off_centre, self._off_centre[setting])
        if off == 0.0:
            return []
        apart = self.read_from(figure, setting) - used.stops_at_deg
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

    def _correction(self, figure: CylinderFigure, setting: int) -> WheelCorrection:
        key = (figure.name, setting)
        if key not in self._corrections:
            self._corrections[key] = self._correct(figure, setting)
        return self._corrections[key]

    def _read_from(self, figure: CylinderFigure, setting: int) -> float:
        """Choose between the marks that are possible by the cylinder's openings."""
        correction = self._correction(figure, setting)
        own, *others = correction.marks_deg
        openings = self._swept.get((figure.name, setting), [])
        if not others or not openings:
            return own
        expected = self.engine.opens_at_deg + (correction.wheel_error_deg or 0.0)

        def off(mark: float) -> float:
            angles = [from_mark(mark_of(o), mark, self.engine, expected) for o in openings]
            return statistics.median(abs(wrap(angle - expected)) for angle in angles)

        chosen = min(correction.marks_deg, key=off)
        if chosen != own:
            self.warnings.append(
                f"cylinder {figure.name}: its readings only make sense from the wheel's 0 mark, "
                f"not from the one {figure.fires_at_deg % 360.0:g} degrees on; they are taken so"
            )
        return chosen

    def _correct(self, figure: CylinderFigure, setting: int) -> WheelCorrection:
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
        return WheelCorrection("unknown", None, None, marks)

    def _from_zeroing(self, setting: int, marks: tuple[float, ...]) -> WheelCorrection:
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
        return WheelCorrection("zeroed", 0.0, tuple(lines), marks, zero_of, 0.0, each_side)

    def _carried(self, figure: CylinderFigure, name: str, marks: tuple[float, ...]) -> None:
        text = f"cylinder {figure.name}: no stops of its own; dead centre of cylinder {name}"
        if figure.fires_at_deg % 360.0 == self.engine.cylinder(name).fires_at_deg % 360.0:
            self.notes.append(f"{text} is used, which is the same mark")
        else:
            self.warnings.append(
                f"{text} is carried over by fires_at = {figure.fires_at_deg:g}; stops for "
                "each cylinder are better"
            )


def _sided(
    stops: Sequence[Reading], angles: Sequence[float], mark: float, engine: Engine
) -> tuple[list[tuple[Side, PlacedReading]], list[Reading]]:
    """Give each stop its side, those without one the side that their partner leaves.

    Those whose side cannot be told are returned apart.
    """
    known: list[Side | None] = []
    for stop, angle in zip(stops, angles, strict=True):
        options = {wrap(meaning - mark) for meaning in meanings(mark_of(stop), engine.wheel)}
        open_side = angle == 0.0 or -angle in options
        known.append(None if open_side else "before" if angle > 0.0 else "after")
    placed: list[tuple[Side, PlacedReading]] = []
    sideless: list[Reading] = []
    for place, (stop, angle) in enumerate(zip(stops, angles, strict=True)):
        partner = place ^ 1
        side = known[place]
        if side is None and partner < len(stops):
            if known[partner]:
                side = "after" if known[partner] == "before" else "before"
            elif abs(angles[partner]) == abs(angle):
                side = "before" if place < partner else "after"
        if side is None:
            sideless.append(stop)
            continue
        placed.append((side, PlacedReading(stop, abs(angle) if side == "before" else -abs(angle))))
    return placed, sideless


def _from_stops(
    source: CentreSource,
    found: DeadCentre,
    marks: tuple[float, ...],
    at_deg: float,
    name: str | None = None,
) -> WheelCorrection:
    each_side = found.pairs[0].each_side_deg
    lines = found.budget.lines
    return WheelCorrection(source, found.wheel_error_deg, lines, marks, name, at_deg, each_side)


def mark_of(reading: Reading) -> Mark:
    """Return what the wheel showed; ValueError for a reading that says nothing."""
    if reading.mark is None:
        raise ValueError(f"{reading.where()} has no reading")
    return reading.mark


def from_mark(mark: Mark, at_deg: float, engine: Engine, expected_deg: float = 0.0) -> float:
    """Return a reading's angle from one of the wheel's marks, nearest to what is expected.

    Parameters
    ----------
    mark : Mark
        The reading.
    at_deg : float
        The mark, in degrees from the wheel's 0 mark, before it positive.
    engine : Engine
        Whose wheel it is.
    expected_deg : float
        From the mark; before it positive, as is what is returned.
    """
    return wrap(nearest(mark, engine.wheel, wrap(at_deg + expected_deg)) - at_deg)
