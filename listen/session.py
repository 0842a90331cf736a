"""A timing session: the steps of the job, and everything heard, read and said in it.

A session is nothing but its events, in order. :func:`listen.words.event_from` makes one of the
mechanic's words, `Session.heard` of a change of the buzzer. The caller writes the event to the
logbook, then hands it to `Session.add`, then shows :func:`listen.event_text.event_text`. The same
events give the same session again, so that a session can be taken up where it stopped. Nothing
here knows a screen, a clock or a device.

Conventions
-----------
Times are seconds since listening began. Nothing is taken out: what is struck, corrected or
ignored stays among the events and only no longer counts. Striking a struck thing is not possible;
it is given again.

Which change a reading belongs to is worked out afresh from everything that counts, by the rule of
:mod:`analysis.pairing`, each time it is asked for. A reading may so come before its change was
made out, and the outcome is that of a replay of the same sound and readings.

Readings taken as left before the points were set again say nothing of how they are left; they are
set aside, and stand in the record as struck, as does what was struck or corrected. The points count
as set again once something was heard or held while that was done, or the cylinder is read again:
a look at the step changes nothing. Openings and closings heard while the points are being set,
watched or first heard need no reading and are left out of the record's list of those without one.
"""

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from functools import cached_property
from typing import Any

from analysis.change import Change
from analysis.engine import Engine
from analysis.pairing import Pairing, pair, tell_points
from analysis.reading import Reading
from analysis.record import Ignored, Inputs, TimingRecord
from analysis.spoken.job import expected
from analysis.spoken.judge import Expected
from analysis.timing import timing_record
from analysis.wheel import write
from analysis.wheelhistory import WheelHistory
from listen.event import Event, EventKind
from listen.job_steps import WHERE_READINGS_BELONG, Place, plan
from listen.standing import Standing, standing_of

_WORKED_OUT = (
    "changes", "readings_by_seq", "readings", "pairing", "standing", "wheel_history", "_told",
    "_plain_record",
)  # fmt: skip
"""What a session works out from its events, once for each state of them."""
_WITHOUT_CHANGES = ("standing", "wheel_history")
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
    struck : set of int
        The events that were struck.
    """

    def __init__(self, engine: Engine, events: Sequence[Event] = ()) -> None:
        self.engine = engine
        self.plan = plan(engine)
        self.events: list[Event] = []
        self.struck: set[int] = set()
        self._heard: dict[int, Change] = {}
        self._numbers: list[int] = []
        self._counts: Counter[EventKind] = Counter()
        for event in events:
            self.add(event)

    # What goes in -----------------------------------------------------------------------------

    def heard(self, change: Change, at_s: float) -> Event:
        """Return the event that a change makes which was reported at a time.

        Parameters
        ----------
        change : Change
            As the ear told it.
        at_s : float
            When the ear told of it, in seconds since listening began.
        """
        return self.event("change", at_s, asdict(change))

    def event(self, kind: EventKind, at_s: float, body: Mapping[str, Any]) -> Event:
        """Return the next event, of a kind that the program itself makes.

        Parameters
        ----------
        kind : str
            One of `EventKind`.
        at_s : float
            When it happened, in seconds since listening began.
        body : mapping
            What it holds; see `Event`.
        """
        return Event(len(self.events) + 1, at_s, kind, body)

    def add(self, event: Event) -> None:
        """Take an event in.

        Raises
        ------
        ValueError
            If it is not the next one.
        """
        if event.seq != len(self.events) + 1:
            raise ValueError(f"event {event.seq} does not follow event {len(self.events)}")
        self.events.append(event)
        self._counts[event.kind] += 1
        self._numbers.append(self._counts[event.kind])
        if event.kind == "struck":
            self.struck.add(event.body["event"])
        elif event.kind == "change":
            self._heard[event.seq] = Change(**event.body)
        for name in _WORKED_OUT:
            if not (name in _WITHOUT_CHANGES and event.kind == "change"):
                self.__dict__.pop(name, None)

    # What stands ------------------------------------------------------------------------------

    @cached_property
    def standing(self) -> Standing:
        """What counts of the events."""
        return standing_of(self.events, self.struck, self.plan[0])

    @cached_property
    def wheel_history(self) -> WheelHistory:
        """How the wheel stood; readings from before the points were set again tell it too."""
        given = sorted(self.standing.readings.values(), key=lambda reading: reading.time_s)
        return WheelHistory(given, self.engine)

    @property
    def place(self) -> Place:
        """The step that is being done."""
        return self.standing.places[-1][1]

    @property
    def finished(self) -> bool:
        """The record has been closed."""
        return self._counts["finished"] > 0

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """Every change heard, ignored ones too, in order of time, told open from closed."""
        return tuple(self.changes_by_seq.values())

    @property
    def changes_by_seq(self) -> dict[int, Change]:
        """The same by their events."""
        return self._told[0]

    @cached_property
    def readings_by_seq(self) -> dict[int, Reading]:
        """The readings that count, by their events; none from before the points were set again."""
        set_at = {cylinder: at_s for at_s, cylinder in self._settings()}
        return {
            seq: reading
            for seq, reading in self.standing.readings.items()
            if not _as_left(reading) or reading.time_s >= set_at.get(reading.cylinder, 0.0)
        }

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """The readings that count, in order of time."""
        return tuple(sorted(self.readings_by_seq.values(), key=lambda reading: reading.time_s))

    def listed(self) -> list[tuple[int, Reading]]:
        """Return the readings that count, each with the number that a face shows."""
        return [
            (self.numbered(seq), reading) for seq, reading in sorted(self.readings_by_seq.items())
        ]

    def taken_by(self, reading: Reading) -> Change | None:
        """Return the change a reading belongs to."""
        couples = (*self.pairing.openings, *self.pairing.closings)
        return next((couple.change for couple in couples if couple.reading is reading), None)

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes that count."""
        return tuple(self.standing.notes)

    @cached_property
    def pairing(self) -> Pairing:
        """Which reading belongs to which change."""
        return pair(self._countable(), self.readings)

    @property
    def expected(self) -> Expected:
        """What is plausible for the next reading."""
        place = self.place
        step = place.reads or WHERE_READINGS_BELONG.get(place.step, "opening")
        cylinder = place.cylinder or self.engine.first.name
        return expected(self.engine, step, cylinder, self.readings)

    def wheel_target(self, cylinder: str) -> str | None:
        """Return what the wheel, as it stands, shows at the figure; None if that is not known."""
        target = self.wheel_history.target_deg(self.engine.cylinder(cylinder))
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
        now, remarks = self.standing, []
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

    def spoken_over(self, start_s: float, end_s: float) -> list[int]:
        """Return the changes that the program's own voice may have made, by their events.

        A sound that starts and stops again while the program speaks is its own; what lasts is not.
        """
        now = self.standing
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
        return self.standing.places[-1][0] > at_s

    def written(self, seq: int) -> str:
        """Return a reading as it stands, or last stood, by its event."""
        corrected = [
            event.body["written"]
            for event in self.events
            if event.kind == "corrected" and event.body["event"] == seq
            if event.seq not in self.struck
        ]
        return str(corrected[-1] if corrected else self.events[seq - 1].body.get("written", ""))

    def still_s(self, at_s: float) -> float | None:
        """Return for how long nothing has changed; None when nothing was ever heard to."""
        return at_s - self.changes[-1].time_s if self.changes else None

    def numbered(self, seq: int) -> int:
        """Return the number of a reading or change among its like, by its event."""
        return self._numbers[seq - 1]

    # The arithmetic of what counts ------------------------------------------------------------

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
        now, valid = self.standing, self.readings_by_seq
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
                Ignored(self.changes_by_seq[seq], reason)
                for seq, reason in sorted(now.ignored.items())
            ),
        )

    def _settings(self) -> list[tuple[float, str | None]]:
        """Return when the points were set, and by which cylinder."""
        now = self.standing
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
        now = self.standing
        every = dict(sorted(self._heard.items(), key=lambda item: item[1].time_s))
        changes = list(every.values())
        if now.told:  # what is said at the engine goes before what was said at the start
            changes = [replace(change, points=None) for change in changes]
        told, asked = tell_points(changes, self.readings, now.told)
        return dict(zip(every, told, strict=True)), asked

    def _countable(self) -> list[Change]:
        return [c for seq, c in self.changes_by_seq.items() if seq not in self.standing.ignored]

    def _wants_reading(self, change: Change) -> bool:
        steps = (
            place.step for at_s, place in reversed(self.standing.places) if at_s <= change.time_s
        )
        return next(steps, "start") in ("found", "check", "record")


def _as_left(reading: Reading) -> bool:
    return reading.phase == "left" and reading.step in ("opening", "closing")
