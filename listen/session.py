"""A timing session: the steps of the job, and everything heard, read and said in it.

A session is nothing but its events, in order. `Session.answer` takes the mechanic's words and
`Session.heard` a change of the buzzer; each returns the event that comes of it. The caller writes
the event to the logbook, then hands it to `Session.add`, then shows it. The same events give the
same session again, so that a session can be taken up where it stopped. Nothing here knows a
screen, a clock or a device.

Conventions
-----------
Times are seconds since listening began. Nothing is taken out: what is struck, corrected or
ignored stays among the events and only no longer counts. Striking a struck thing is not possible;
it is given again.

Which change a reading belongs to is worked out afresh from everything that counts, by the rule of
:mod:`analysis.pairing`, each time it is asked for. A reading may so come before its change was
made out, and the outcome is that of a replay of the same sound and readings.

Readings may be typed or said aloud; an event made of something said keeps what was heard. Where
both ways give a reading for the same change, the later is no second reading: it agrees with the
first, or the tool asks which of the two is meant, and the first stands until that is said.

Readings taken as left before the points were set again say nothing of how they are left; they are
set aside, and stand in the record as struck, as does what was struck or corrected. The points count
as set again once something was heard or held while that was done, or the cylinder is read again:
a look at the step changes nothing. Openings and closings heard while the points are being set,
watched or first heard need no reading and are left out of the record's list of those without one.

References
----------
The order of the steps and the cautions: common practice, no source.
"""

import itertools
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, get_args

from analysis.change import Change, Points
from analysis.engine import Engine
from analysis.pairing import Pairing, pair, tell_points
from analysis.reading import Phase, Reading, ReadingStep
from analysis.record import Ignored, Inputs, TimingRecord
from analysis.spoken.job import expected
from analysis.spoken.judge import Expected
from analysis.timing import timing_record
from analysis.wheel import Mark, meanings, parse, write
from analysis.wheelhistory import WheelHistory
from listen.event import Event, EventKind

JobStep = Literal["start", "buzzer", "centre", "found", "set", "watch", "check", "record"]
LEAST_SWEEPS = 3
TWICE_S = 20.0
"""Within what time two readings of one change, given in two ways, are the same one."""
_BY_HAND: tuple[EventKind, ...] = (
    "reading",
    "moved",
    "told",
    "corrected",
    "ignored",
    "note",
    "asked",
)
"""What the mechanic gave, and so can strike."""
_WHERE_READINGS_BELONG: Mapping[JobStep, ReadingStep] = {
    "centre": "stop",
    "found": "opening",
    "check": "opening",
}


@dataclass(frozen=True)
class Place:
    """Where in the job: a step, and the cylinder it is done for.

    Attributes
    ----------
    step : str
    cylinder : str or None
    reads : str or None
        What a plain reading is of, where that is not what the step tells.
    """

    step: JobStep
    cylinder: str | None = None
    reads: ReadingStep | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return TITLES[self.step] + (f", cylinder {self.cylinder}" if self.cylinder else "")


TITLES: Mapping[JobStep, str] = {
    "start": "before you start",
    "buzzer": "the buzzer",
    "centre": "dead centre",
    "found": "as found",
    "set": "set the points",
    "watch": "watch while tightening",
    "check": "check, as left",
    "record": "the record",
}

WHAT_TO_DO: Mapping[JobStep, str] = {
    "start": "Make the machine safe, have the maker's manual at hand, then: next",
    "buzzer": "Open and close the points a few times. If it asks, type open or closed, as they "
    "stand now.",
    "centre": "Rough dead centre first, then the piston against the stop from both sides: "
    "type each reading with its side. Wheel set true since? zeroed",
    "found": "Touch nothing yet. Back off to 50 or 60 before, come up slowly in the running "
    "direction, stop as the points open, type the reading. Other cylinders: go found 2",
    "set": "Lock the advance unit full out, hold the crank at the figure, and move the points "
    "to the hairline; each opening and closing is called.",
    "watch": "Tighten up. Any change is called at once: the points moved.",
    "check": "Back off to 50 or 60 before, come up slowly in the running direction, stop as "
    "the points open, type the reading. Three or more.",
    "record": "See what the record says, then: next closes it. Words that help: ignore, "
    "correct, strike, note",
}

CAUTIONS: Mapping[JobStep, str] = {
    "start": "Ignition dead, plugs out, out of gear, fuel off, machine held. Where the maker's "
    "manual differs, follow the manual.",
    "buzzer": "A magneto can kick: keep phone and sound card off its leads.",
    "centre": "Turn by hand, bring the piston up to the stop gently, never force it. "
    "Stop out before any full turn.",
    "found": "Is the piston stop out? Hands clear of belts and chains; turn by hand only.",
    "set": "Crank and machine held; a locked advance unit must be freed again afterwards.",
    "watch": "Mind the tool on the last quarter turn: it moves the points.",
    "check": "Is the piston stop out? A sweep that went too far starts again from 50 or 60 before.",
    "record": "Piston stop out, advance unit freed, tools off the flywheel before she is started.",
}


@dataclass
class _Standing:
    """What counts, after the events so far."""

    places: list[tuple[float, Place]] = field(default_factory=list)
    readings: dict[int, Reading] = field(default_factory=dict)
    struck: list[Reading] = field(default_factory=list)
    withdrawn: dict[int, Reading] = field(default_factory=dict)
    """Readings that were struck, as they last stood."""
    held: dict[int, Reading] = field(default_factory=dict)
    ignored: dict[int, str] = field(default_factory=dict)
    told: tuple[float, Points] | None = None
    gaps: list[tuple[float, float]] = field(default_factory=list)
    unsettled: dict[int, str] = field(default_factory=dict)
    """Readings given in two ways that differ, and the other one."""
    notes: list[str] = field(default_factory=list)


_WORKED_OUT = ("changes", "readings", "pairing", "_now", "_wheel", "_told", "_plain_record")
"""What a session works out from its events, once for each state of them."""
_WITHOUT_CHANGES = ("_now", "_wheel")
"""Of these, what leaves the changes out: they come by the thousand."""


class Session:
    """A timing session.

    Parameters
    ----------
    engine : Engine
        The sheet's figures.
    events : sequence of Event
        What happened so far.

    Attributes
    ----------
    engine : Engine
    events : list of Event
    plan : tuple of Place
        The steps in their usual order.
    """

    def __init__(self, engine: Engine, events: Sequence[Event] = ()) -> None:
        self.engine = engine
        self.plan = plan(engine)
        self.events: list[Event] = []
        self._struck: set[int] = set()
        self._heard: dict[int, Change] = {}
        self._numbers: list[int] = []
        self._counts: Counter[EventKind] = Counter()
        for event in events:
            self.add(event)

    # What goes in -----------------------------------------------------------------------------

    def answer(self, words: str, at_s: float, heard: Mapping[str, Any] | None = None) -> Event:
        """Return the event that the mechanic's words make; ``refused`` when none can be made.

        Parameters
        ----------
        words : str
            ``34 1/2``, ``18 before``, ``closing 15 after``, ``strike``, ``next``, ``note …``; all
            of them in `WORDS`.
        at_s : float
            When they were given.
        heard : mapping, optional
            What the recogniser heard, when they were said aloud; the event keeps it.
        """
        said = " ".join(words.split())
        head, _, rest = said.partition(" ")
        try:
            kind, body = _GRAMMAR.get(head.casefold(), _plain_reading)(self, head, rest)
        except ValueError as trouble:
            kind, body = "refused", {"words": said, "why": str(trouble)}
        if kind == "reading":
            kind, body = self._given_twice(body, at_s, heard is not None) or (kind, body)
        return self.event(kind, at_s, {**body, "heard": dict(heard)} if heard else body)

    def heard(self, change: Change, at_s: float) -> Event:
        """Return the event that a change makes which was reported at a time."""
        return self.event("change", at_s, asdict(change))

    def spoken_over(self, start_s: float, end_s: float) -> list[int]:
        """Return the changes that the program's own voice may have made, by their events.

        A sound that starts and stops again while the program speaks is its own; what lasts is not.
        """
        now = self._now
        inside = sorted(
            (change.time_s, seq, change.change)
            for seq, change in self._heard.items()
            if start_s <= change.time_s <= end_s and seq not in now.ignored
        )
        made: list[int] = []
        for (_, one, starts), (_, other, stops) in itertools.pairwise(inside):
            if (starts, stops) == ("starts", "stops"):
                made += [one, other]
        return made

    def moved_since(self, at_s: float) -> bool:
        """Say whether another step was gone to after a moment."""
        return self._now.places[-1][0] > at_s

    def written(self, seq: int) -> str:
        """Return a reading as it stands, or last stood, by its event."""
        corrected = [
            event.body["written"]
            for event in self.events
            if event.kind == "corrected" and event.body["event"] == seq
            if event.seq not in self._struck
        ]
        return str(corrected[-1] if corrected else self.events[seq - 1].body.get("written", ""))

    def event(self, kind: EventKind, at_s: float, body: Mapping[str, Any]) -> Event:
        """Return the next event, of a kind that the program itself makes."""
        return Event(len(self.events) + 1, at_s, kind, body)

    def add(self, event: Event) -> None:
        """Take an event in."""
        if event.seq != len(self.events) + 1:
            raise ValueError(f"event {event.seq} does not follow event {len(self.events)}")
        self.events.append(event)
        self._counts[event.kind] += 1
        self._numbers.append(self._counts[event.kind])
        if event.kind == "struck":
            self._struck.add(event.body["event"])
        elif event.kind == "change":
            self._heard[event.seq] = Change(**event.body)
        for name in _WORKED_OUT:
            if not (name in _WITHOUT_CHANGES and event.kind == "change"):
                self.__dict__.pop(name, None)

    # What stands ------------------------------------------------------------------------------

    @property
    def place(self) -> Place:
        """The step that is being done."""
        return self._now.places[-1][1]

    @property
    def finished(self) -> bool:
        """The record has been closed."""
        return self._counts["finished"] > 0

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """Every change heard, ignored ones too, in order of time, told open from closed."""
        return tuple(self._told[0].values())

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """The readings that count, in order of time."""
        return tuple(sorted(self._valid().values(), key=lambda reading: reading.time_s))

    def listed(self) -> list[tuple[int, Reading]]:
        """Return the readings that count, each with the number that a face shows."""
        return [(self.numbered(seq), reading) for seq, reading in sorted(self._valid().items())]

    def taken_by(self, reading: Reading) -> Change | None:
        """Return the change a reading belongs to."""
        couples = (*self.pairing.openings, *self.pairing.closings)
        return next((couple.change for couple in couples if couple.reading is reading), None)

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes that count."""
        return tuple(self._now.notes)

    @cached_property
    def pairing(self) -> Pairing:
        """Which reading belongs to which change."""
        return pair(self._countable(), self.readings)

    @property
    def expected(self) -> Expected:
        """What is plausible for the next reading."""
        place = self.place
        step = place.reads or _WHERE_READINGS_BELONG.get(place.step, "opening")
        cylinder = place.cylinder or self.engine.first.name
        return expected(self.engine, step, cylinder, self.readings)

    def wheel_target(self, cylinder: str) -> str | None:
        """Return what the wheel, as it stands, shows at the figure; None if that is not known."""
        target = self._wheel.target_deg(self.engine.cylinder(cylinder))
        if target is None:
            return None
        step = self.engine.wheel.read_to_deg
        return write(round(target / step) * step, self.engine.wheel)

    def record(self, inputs: Inputs | None = None, guard: float = 0.0) -> TimingRecord:
        """Return the timing record of what counts so far.

        Parameters
        ----------
        inputs : Inputs, optional
            Where it came from.
        guard : float
            Guard band of the verdicts, by the expanded uncertainty.

        Raises
        ------
        ValueError
            As :func:`analysis.timing.timing_record` does.
        """
        return self._plain_record if inputs is None else self._make_record(inputs, guard)

    def _remarks(self) -> list[str]:
        """Return what the session itself gives to doubt."""
        now, remarks = self._now, []
        for start_s, end_s in now.gaps:
            remarks.append(f"nothing was heard from {start_s:.1f} to {end_s:.1f} s")
        for seq, other in now.unsettled.items():
            standing = now.readings[seq].written
            remarks.append(
                f"reading {self.numbered(seq)} was given as {standing} and as {other}; it was "
                f"not said which is right, and {standing} stands"
            )
        last_set = max((at_s for at_s, _ in self._settings()), default=None)
        for cylinder in self.engine.cylinders:
            checked = [
                r.time_s
                for r in self.readings
                if r.cylinder == cylinder.name and r.phase == "left" and r.step == "opening"
            ]
            if last_set is not None and checked and max(checked) < last_set:
                remarks.append(
                    f"cylinder {cylinder.name} was checked before the points were last set; where "
                    "one set of points fires both, check it again"
                )
        return remarks

    def still_s(self, at_s: float) -> float | None:
        """Return for how long nothing has changed; None when nothing was ever heard to."""
        return at_s - self.changes[-1].time_s if self.changes else None

    def say(self, event: Event) -> str:
        """Return an event of this session in words, as a face shows or speaks it."""
        return _SAID[event.kind](self, event)

    def numbered(self, seq: int) -> int:
        """Return the number of a reading or change among its like, by its event."""
        return self._numbers[seq - 1]

    # The arithmetic of what counts ------------------------------------------------------------

    @cached_property
    def _now(self) -> _Standing:
        return self._fold()

    @cached_property
    def _wheel(self) -> WheelHistory:
        """How the wheel stood; readings from before the points were set again tell it too."""
        given = sorted(self._now.readings.values(), key=lambda reading: reading.time_s)
        return WheelHistory(given, self.engine)

    @cached_property
    def _plain_record(self) -> TimingRecord:
        return self._make_record(None, 0.0)

    def _make_record(self, inputs: Inputs | None, guard: float) -> TimingRecord:
        read = {couple.change.time_s for couple in (*self.pairing.openings, *self.pairing.closings)}
        wanted = [
            change
            for change in self._countable()
            if change.time_s in read or change.points is None or self._wants_reading(change)
        ]
        now, valid = self._now, self._valid()
        aside = [replace(r, struck=True) for seq, r in now.readings.items() if seq not in valid]
        record = timing_record(
            wanted,
            (*self.readings, *aside, *now.struck),
            self.engine,
            warnings=(*self._told[1], *self._remarks()),
            inputs=inputs,
            guard=guard,
        )
        notes = list(record.notes)
        if aside:
            count = "1 reading" if len(aside) == 1 else f"{len(aside)} readings"
            notes.append(f"{count} from before the points were set again stand struck")
        return replace(
            record,
            notes=tuple(notes),
            noted=self.notes,
            ignored=tuple(
                Ignored(self._told[0][seq], reason) for seq, reason in sorted(now.ignored.items())
            ),
        )

    def _fold(self) -> _Standing:
        now = _Standing(places=[(0.0, self.plan[0])])
        for event in self.events:
            body = event.body
            if event.seq in self._struck:
                if event.kind == "reading" and not body["held"]:
                    now.withdrawn[event.seq] = _reading(event)
                elif event.kind == "corrected":
                    self._correct(now, body["event"], body["written"], struck=True)
                continue
            if event.kind == "reading":
                (now.held if body["held"] else now.readings)[event.seq] = _reading(event)
            elif event.kind == "corrected":
                self._correct(now, body["event"], body["written"])
            elif event.kind == "asked":
                now.unsettled[body["event"]] = body["written"]
            elif event.kind == "moved":
                place = Place(body["step"], body["cylinder"], body.get("reads"))
                now.places.append((event.at_s, place))
            elif event.kind == "ignored":
                now.ignored[body["event"]] = body["reason"]
            elif event.kind == "told":
                now.told = event.at_s, body["points"]
            elif event.kind == "gap":
                now.gaps.append((body["from_s"], body["to_s"]))
            elif event.kind == "note":
                now.notes.append(body["text"])
            if event.kind in ("corrected", "agreed"):
                now.unsettled.pop(body["event"], None)
        now.unsettled = {seq: other for seq, other in now.unsettled.items() if seq in now.readings}
        now.struck += [replace(reading, struck=True) for reading in now.withdrawn.values()]
        return now

    def _given_twice(
        self, body: Mapping[str, Any], at_s: float, spoken: bool
    ) -> tuple[EventKind, dict[str, Any]] | None:
        """Return what is made of a reading whose change has one, given the other way."""
        seq = self._first_given(body, at_s)
        if seq is None:
            return None
        asked = seq in self._now.unsettled
        if not asked and ("heard" in self.events[seq - 1].body) == spoken:
            return None
        first, other = self._now.readings[seq].mark, parse(body["written"])
        assert first is not None
        about = {"event": seq, "written": body["written"]}
        if _alike(first, other):
            return "agreed", about
        meant = asked and _alike(parse(self._now.unsettled[seq]), other)
        return ("corrected" if meant else "asked"), about

    def _first_given(self, body: Mapping[str, Any], at_s: float) -> int | None:
        """Return the event of the reading that the last change before a moment has."""
        if body["held"] or body["step"] not in ("opening", "closing"):
            return None
        points = "open" if body["step"] == "opening" else "closed"
        before = [c for c in self.changes if c.time_s <= at_s]
        here = [c for c in before if c.points == points]
        for seq, reading in self._valid().items():
            alike = reading.step == body["step"] and reading.cylinder == body["cylinder"]
            # Once the points moved again, or after a while, it is a reading of another sweep.
            still = at_s - reading.time_s < TWICE_S and before[-1:] == here[-1:]
            if alike and still and here and self.taken_by(reading) == here[-1]:
                return seq
        return None

    @staticmethod
    def _correct(now: _Standing, seq: int, written: str, *, struck: bool = False) -> None:
        """Correct a reading; the value that no longer counts stays, as struck."""
        for kept in (now.readings, now.withdrawn, now.held):
            if seq in kept:
                first = kept[seq]
                second = replace(first, mark=parse(written), written=written)
                if kept is not now.held:
                    now.struck.append(replace(second if struck else first, struck=True))
                kept[seq] = first if struck else second

    def _valid(self) -> dict[int, Reading]:
        """Return the readings without those from before the points were set again."""
        set_at = {cylinder: at_s for at_s, cylinder in self._settings()}
        return {
            seq: reading
            for seq, reading in self._now.readings.items()
            if not _as_left(reading) or reading.time_s >= set_at.get(reading.cylinder, 0.0)
        }

    def _settings(self) -> list[tuple[float, str | None]]:
        """Return when the points were set, and by which cylinder."""
        now = self._now
        doings = [change.time_s for change in self._heard.values()]
        doings += [reading.time_s for reading in now.held.values()]
        found = []
        for place, (at_s, here) in enumerate(now.places):
            if here.step != "set":
                continue
            later = now.places[place + 1 :]
            until_s = next((s for s, p in later if p.step not in ("set", "watch")), math.inf)
            done = any(at_s <= doing_s < until_s for doing_s in doings)
            if done or any(
                _as_left(reading) and reading.cylinder == here.cylinder and reading.time_s >= at_s
                for reading in now.readings.values()
            ):
                found.append((at_s, here.cylinder))
        return found

    @cached_property
    def _told(self) -> tuple[dict[int, Change], tuple[str, ...]]:
        """All changes by their events, told open from closed; and what is asked for that."""
        now = self._now
        every = dict(sorted(self._heard.items(), key=lambda item: item[1].time_s))
        changes = list(every.values())
        if now.told:  # what is said at the engine goes before what was said at the start
            changes = [replace(change, points=None) for change in changes]
        told, asked = tell_points(changes, self.readings, now.told)
        return dict(zip(every, told, strict=True)), asked

    def _countable(self) -> list[Change]:
        return [c for seq, c in self._told[0].items() if seq not in self._now.ignored]

    def _wants_reading(self, change: Change) -> bool:
        steps = (place.step for at_s, place in reversed(self._now.places) if at_s <= change.time_s)
        return next(steps, "start") in ("found", "check", "record")


def _alike(one: Mark, other: Mark) -> bool:
    """Say whether two marks are one; a side left out is the usual one."""
    return one.number == other.number and (one.side or "before") == (other.side or "before")


def plan(engine: Engine) -> tuple[Place, ...]:
    """Return the steps of the job in their usual order.

    The points are set by the first cylinder; the others, in the sheet's order, are checked.
    """
    first = engine.first
    others = [cylinder for cylinder in engine.cylinders if cylinder is not first]
    whole: tuple[JobStep, ...] = ("centre", "found", "set", "watch", "check")
    checked: tuple[JobStep, ...] = ("centre", "check")
    return (
        Place("start"),
        Place("buzzer"),
        *(Place(step, first.name) for step in whole),
        *(Place(step, other.name) for other in others for step in checked),
        Place("record"),
    )


# The words ------------------------------------------------------------------------------------

_Made = tuple[EventKind, dict[str, Any]]

WORDS = (
    ("34 1/2, 34.5, 18 before", "a reading"),
    ("stop, opening, closing READING", "the same, said outright"),
    ("stop, opening, closing", "what the next readings are of"),
    ("cylinder NAME", "the same for another cylinder"),
    ("as found, as left", "before, or after, the points were touched"),
    ("zeroed", "the wheel was moved to show true dead centre"),
    ("next, skip, back", "the step is done; leave it out; the step before"),
    ("done", "to the record; said there, it closes it"),
    ("go STEP [CYL]", ", ".join(get_args(JobStep))),
    ("strike [N]", "the last thing given, or reading N, goes"),
    ("correct N READING", "reading N was misread"),
    ("ignore [N] REASON", "the last opening, or change N, needs no reading"),
    ("open, closed", "how the points stand now"),
    ("note TEXT", "anything worth keeping"),
)
"""What the mechanic may say, and what it means."""


def _plain_reading(session: Session, head: str, rest: str) -> _Made:
    place = session.place
    words = f"{head} {rest}".strip()
    step = place.reads or _WHERE_READINGS_BELONG.get(place.step)
    if step is None and place.step == "set":
        parse(words)
        return _make_reading(session, "opening", words, held=True)
    if step is None:
        try:
            parse(words)
        except ValueError:
            raise ValueError(f"{words!r} is not known here; help lists the words") from None
        raise ValueError(
            f"a reading does not belong to this step ({place}); say opening {words}, closing "
            f"{words} or stop {words}, or go to another step"
        )
    return _make_reading(session, step, words)


def _prefixed_reading(session: Session, head: str, rest: str) -> _Made:
    steps: dict[str, ReadingStep] = {"stop": "stop", "opening": "opening", "closing": "closing"}
    step = steps[head.casefold()]
    if rest:
        return _make_reading(session, step, rest)
    reads = step if step == "closing" else None
    return _to(session, "centre" if step == "stop" else _sweeps(session), reads=reads)


def _sweeps(session: Session) -> JobStep:
    """Return the step at which openings were last read: as found or as left."""
    steps = [place.step for _, place in session._now.places]
    return next((step for step in reversed(steps) if step in ("found", "check")), "check")


def _to(
    session: Session, step: JobStep, cylinder: str | None = None, reads: ReadingStep | None = None
) -> _Made:
    near = cylinder or session.place.cylinder or session.engine.first.name
    return "moved", {"step": step, "cylinder": near, "why": "asked", "reads": reads}


def _other_cylinder(session: Session, head: str, rest: str) -> _Made:
    place = session.place
    step = place.step if place.cylinder else _sweeps(session)
    return _to(session, step, _cylinder(session, rest), place.reads)


def _phase(session: Session, head: str, rest: str) -> _Made:
    steps: dict[str, JobStep] = {"found": "found", "left": "check"}
    if rest.casefold() not in steps:
        raise ValueError("say: as found, or as left")
    return _to(session, steps[rest.casefold()])


def _done(session: Session, head: str, rest: str) -> _Made:
    if session.place.step == "record":
        return "finished", {}
    return "moved", {"step": "record", "cylinder": None, "why": "done"}


def _make_reading(
    session: Session, step: ReadingStep, written: str, *, held: bool = False
) -> _Made:
    place = session.place
    cylinder = place.cylinder or session.engine.first.name
    _check(session, step, written, cylinder)
    phase: Phase = "found" if place.step == "found" else "left"
    body = {"step": step, "cylinder": cylinder, "written": written, "phase": phase, "held": held}
    return "reading", body


def _check(session: Session, step: ReadingStep, written: str, cylinder: str | None) -> None:
    """Raise ValueError for a reading that is not on the wheel, or a stop with no side."""
    mark = parse(written)
    meanings(mark, session.engine.wheel)
    if step == "stop":
        alone = Reading(0.0, step, cylinder, mark, written)
        if WheelHistory([alone], session.engine).sideless:
            raise ValueError(f"a stop tells its side: {written} before, or {written} after")


def _zeroed(session: Session, head: str, rest: str) -> _Made:
    cylinder = _cylinder(session, rest) if rest else session.place.cylinder
    body = {"step": "zeroed", "cylinder": cylinder, "written": "", "phase": "left", "held": False}
    return "reading", body


def _next(session: Session, head: str, rest: str) -> _Made:
    place = session.place
    if place.step == "record":
        return "finished", {}
    if place.step == "check":
        angle = _angle(session, place)
        if angle is None or angle[1] < LEAST_SWEEPS:
            count = angle[1] if angle else 0
            raise ValueError(
                f"{count} reading(s) as left so far; {LEAST_SWEEPS} or more are wanted. Take "
                "another sweep, or: skip"
            )
        if angle[0] == "outside":
            return "moved", {"step": "set", "cylinder": place.cylinder, "why": "it is out"}
    elif place.step == "centre":
        stops = [r for r in session.readings if r.step == "stop" and r.cylinder == place.cylinder]
        found = next(c for c in session.record().cylinders if c.figure.name == place.cylinder)
        if found.dead_centre.measured is None:
            raise ValueError(
                f"{len(stops)} stop(s) so far; dead centre needs one on each side. Or: skip, and "
                "another cylinder's dead centre is carried over where there is one"
            )
    elif place.step == "buzzer":
        _hear_both_ways(session)
    return _along(session, 1, "done")


def _hear_both_ways(session: Session) -> None:
    """Raise ValueError while the buzzer is not yet of use."""
    ways = {change.points for change in session.changes}
    if not ways:
        raise ValueError(
            "no buzzer is heard: nothing starts, stops or shifts as one does. Bring the microphone "
            "nearer and open and close the points a few times. Or: skip"
        )
    if ways == {None}:
        raise ValueError("which sound means open? Type open or closed, as the points stand now")
    if len(ways) < 2:
        raise ValueError("only one change was heard yet: open and close the points, or: skip")


def _skip(session: Session, head: str, rest: str) -> _Made:
    if session.place.step == "record":
        raise ValueError("this is the last step; next closes the record")
    return _along(session, 1, "skipped")


def _back(session: Session, head: str, rest: str) -> _Made:
    return _along(session, -1, "back")


def _along(session: Session, by: int, why: str) -> _Made:
    """Go along the plan, from a step that may not stand in it."""
    place = session.place
    here = session.plan.index(place) if place in session.plan else None
    if here is None:
        others = [p for p in session.plan if p.cylinder == place.cylinder]
        here = session.plan.index(others[-1]) - (by > 0)
    to = session.plan[min(max(0, here + by), len(session.plan) - 1)]
    return "moved", {"step": to.step, "cylinder": to.cylinder, "why": why}


def _go(session: Session, head: str, rest: str) -> _Made:
    word, _, name = rest.partition(" ")
    step = next((s for s in get_args(JobStep) if s == word.casefold()), None)
    if step is None:
        raise ValueError(f"go needs a step: {', '.join(get_args(JobStep))}")
    cylinder = None
    if any(place.cylinder for place in session.plan if place.step == step):
        near = session.place.cylinder or session.engine.first.name
        cylinder = _cylinder(session, name) if name else near
    return "moved", {"step": step, "cylinder": cylinder, "why": "asked"}


def _cylinder(session: Session, name: str) -> str:
    wanted = name.casefold().removeprefix("cylinder ")
    for cylinder in session.engine.cylinders:
        if cylinder.name.casefold() == wanted:
            return cylinder.name
    names = ", ".join(c.name for c in session.engine.cylinders)
    raise ValueError(f"cylinder {name!r} is not on the sheet, which has {names}")


def _strike(session: Session, head: str, rest: str) -> _Made:
    if rest:
        return "struck", {"event": _numbered(session, "reading", rest)}
    for event in reversed(session.events):
        if event.kind in _BY_HAND and event.seq not in session._struck:
            return "struck", {"event": event.seq}
    raise ValueError("there is nothing to strike")


def _correct_words(session: Session, head: str, rest: str) -> _Made:
    number, _, written = rest.partition(" ")
    if not written:
        raise ValueError("correct needs a reading's number and what it should be: correct 3 34 1/2")
    seq = _numbered(session, "reading", number)
    body = session.events[seq - 1].body
    if body["step"] == "zeroed":
        raise ValueError(f"number {number} is a zeroing and has no reading; strike {number}")
    _check(session, body["step"], written, body["cylinder"])
    return "corrected", {"event": seq, "written": written}


def _ignore(session: Session, head: str, rest: str) -> _Made:
    first, _, reason = rest.partition(" ")
    if first.isdecimal():
        seq = _numbered(session, "change", first)
    else:
        reason = rest
        unread = {c.time_s for c in session.pairing.changes if c.points in ("open", None)}
        ours = [seq for seq, change in session._heard.items() if change.time_s in unread]
        ours = [seq for seq in ours if seq not in session._now.ignored]
        if not ours:
            raise ValueError("there is no opening without a reading")
        seq = ours[-1]
    if not reason.strip():
        raise ValueError("ignore needs a reason: ignore turned back too soon")
    return "ignored", {"event": seq, "reason": reason.strip()}


def _numbered(session: Session, kind: EventKind, number: str) -> int:
    """Return the event that a number on the screen stands for."""
    seqs = [event.seq for event in session.events if event.kind == kind]
    place = int(number) if number.isdecimal() else 0
    if not 1 <= place <= len(seqs):
        raise ValueError(f"there is no {kind} number {number}")
    if seqs[place - 1] in session._struck:
        raise ValueError(f"{kind} {number} is struck already")
    return seqs[place - 1]


def _told(session: Session, head: str, rest: str) -> _Made:
    if rest:
        raise ValueError(f"say only {head}, as the points stand now; a reading: closing {rest}")
    return "told", {"points": head.casefold()}


def _note(session: Session, head: str, rest: str) -> _Made:
    if not rest:
        raise ValueError("note needs its words")
    return "note", {"text": rest}


_GRAMMAR: Mapping[str, Callable[[Session, str, str], _Made]] = {
    "stop": _prefixed_reading,
    "opening": _prefixed_reading,
    "closing": _prefixed_reading,
    "cylinder": _other_cylinder,
    "as": _phase,
    "zeroed": _zeroed,
    "done": _done,
    "next": _next,
    "n": _next,
    "skip": _skip,
    "back": _back,
    "go": _go,
    "strike": _strike,
    "x": _strike,
    "correct": _correct_words,
    "ignore": _ignore,
    "open": _told,
    "closed": _told,
    "note": _note,
}


def _as_left(reading: Reading) -> bool:
    return reading.phase == "left" and reading.step in ("opening", "closing")


def _reading(event: Event) -> Reading:
    body = event.body
    mark = parse(body["written"]) if body["step"] != "zeroed" else None
    return Reading(event.at_s, body["step"], body["cylinder"], mark, body["written"], body["phase"])


# What is said ---------------------------------------------------------------------------------


def _angle(session: Session, place: Place) -> tuple[str, int] | None:
    """Return the verdict on a cylinder as left and how many readings it stands on."""
    for cylinder in session.record().cylinders:
        if cylinder.figure.name == place.cylinder and "left" in cylinder.phases:
            return cylinder.verdict.verdict, cylinder.phases["left"].n
    return None


def _say_change(session: Session, event: Event) -> str:
    change = session._told[0][event.seq]
    points = {"open": "points OPEN", "closed": "points closed", None: f"sound {change.change}"}
    what = points[change.points]
    number = session.numbered(event.seq)
    taken = [n for n, reading in session.listed() if session.taken_by(reading) == change]
    taken_by = f", reading {taken[0]} is for it" if taken else ""
    if session.place.step == "watch":
        earlier = [c.time_s for c in session.changes if c.time_s < change.time_s]
        still = f", after {_span(change.time_s - earlier[-1])} still" if earlier else ""
        return f"THE POINTS MOVED: {what}{still}  (change {number} at {change.time_s:.2f} s)"
    return f"{what}  (change {number} at {change.time_s:.2f} s{taken_by})"


def _say_reading(session: Session, event: Event) -> str:
    body = event.body
    number = session.numbered(event.seq)
    name = f"cylinder {body['cylinder']}"
    if body["held"]:
        return f"{number}: crank held at {body['written']}; it does not go into the record"
    if body["step"] == "zeroed":
        return f"{number}: the wheel was set to true dead centre of {name}"
    reading = session._now.readings.get(event.seq)
    if body["step"] == "stop":
        centre = _say_centre(session, reading) if reading else ""
        return f"{number}: stop {body['written']}, {name}{centre}"
    change = session.taken_by(reading) if reading else None
    if change is None:
        return f"{number}: {body['written']}, {name}, but no {body['step']} was heard for it yet"
    late = event.at_s - change.time_s
    found = f" as found, {name}" if body["phase"] == "found" else f", {name}"
    return f"{number}: {body['written']}{found}, for the {body['step']} {late:.1f} s before"


def _say_centre(session: Session, stop: Reading) -> str:
    measured = session._wheel.measured_with(stop)
    if measured is None:
        return ". Now the other side"
    pair, centre = measured
    error, count = centre.wheel_error_deg, len(centre.pairs)
    way = "before" if error > 0 else "after"
    state = f"{abs(error):.2f} too far {way}" if error else "true"
    by = ", so" if count == 1 else f"; by {count} pairs"
    return f". {pair.each_side_deg:g} each side{by} the wheel is {state}"


def _say_moved(session: Session, event: Event) -> str:
    body = event.body
    why = f"{body['why']}: " if body["why"] == "it is out" else ""
    return f"{why}{Place(body['step'], body['cylinder'])}"


def _say_struck(session: Session, event: Event) -> str:
    struck = session.events[event.body["event"] - 1]
    if struck.kind == "reading":
        return f"struck: {session.numbered(struck.seq)}, {session.written(struck.seq)}"
    words = {"moved": f"back to {session.place}", "note": "the note"}
    return f"struck: {words.get(struck.kind, struck.kind)}"


def _say_ignored(session: Session, event: Event) -> str:
    number = session.numbered(event.body["event"])
    return f"change {number} needs no reading: {event.body['reason']}"


def _say_corrected(session: Session, event: Event) -> str:
    seq = event.body["event"]
    was = session.events[seq - 1].body["written"]
    return f"{session.numbered(seq)}: {event.body['written']}, not {was}"


def _say_agreed(session: Session, event: Event) -> str:
    return f"{session.numbered(event.body['event'])}: {event.body['written']}, given twice"


def _say_asked(session: Session, event: Event) -> str:
    seq = event.body["event"]
    first = session.written(seq)
    return (
        f"{session.numbered(seq)}: {first}, or {event.body['written']}? Give the right one again; "
        f"{first} stands"
    )


def _say_unheard(session: Session, event: Event) -> str:
    question = event.body.get("question")
    asked = f": {question}" if question else ""
    return f'heard and not understood{asked}  "{event.body["words"]}"'


def _say_buzzer(session: Session, event: Event) -> str:
    body = event.body
    return f"the buzzer is known: its two states stand {body['margin_db']:.0f} dB apart"


def _say_gap(session: Session, event: Event) -> str:
    body = event.body
    length = body["to_s"] - body["from_s"]
    span = _span(length) if length >= 1 else f"{1000 * length:.0f} ms"
    return f"nothing was heard for {span} ({body['why']})"


def _span(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    if minutes:
        return f"{minutes} min {rest} s"
    return f"{seconds:.1f} s"


_SAID: Mapping[EventKind, Callable[[Session, Event], str]] = {
    "began": lambda session, event: f"session begun: {session.engine.name}",
    "listening": lambda session, event: f"listening to {event.body['input']}",
    "buzzer": _say_buzzer,
    "change": _say_change,
    "lost": lambda session, event: event.body["why"],
    "gap": _say_gap,
    "level": lambda session, event: event.body["words"],
    "unkept": lambda session, event: event.body["why"],
    "reading": _say_reading,
    "moved": _say_moved,
    "told": lambda session, event: f"the points are {event.body['points']} now",
    "corrected": _say_corrected,
    "ignored": _say_ignored,
    "note": lambda session, event: f"noted: {event.body['text']}",
    "struck": _say_struck,
    "agreed": _say_agreed,
    "asked": _say_asked,
    "refused": lambda session, event: event.body["why"],
    "unheard": _say_unheard,
    "speech": lambda session, event: event.body["words"],
    "finished": lambda session, event: "the record is closed",
}
