"""A session: the steps, the words, and that nothing given is ever lost or used twice."""

import json
from collections.abc import Sequence
from dataclasses import asdict

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from analysis.change import Change
from analysis.engine import engine_from
from analysis.timing import timing_record
from listen.event import Event
from listen.event_text import event_text
from listen.job_steps import Place
from listen.session import Session
from listen.words import event_from

SHEET = {
    "name": "Museum fire pump",
    "ignition": {"opens_at": "28 before", "tolerance_deg": 1.0, "cam_speed": "half"},
}


def change(time_s: float, points: str = "open") -> Change:
    kind = "starts" if points == "open" else "stops"
    return Change(time_s, time_s + 0.01, 0.0003, kind, points, 20.0)  # type: ignore[arg-type]


class Bench:
    """A session that is spoken to."""

    def __init__(
        self, marks: str = "before-after", *, rising: bool = False, fires_at: Sequence[float] = ()
    ) -> None:
        wheel = {"marks": marks, "graduation_deg": 1.0, "rising": rising}
        fires = {str(number): at for number, at in enumerate(fires_at or (0, 360), start=1)}
        cylinders = [{"name": name, "fires_at": at} for name, at in fires.items()]
        self.session = Session(engine_from({**SHEET, "wheel": wheel, "cylinder": cylinders}))
        self.at_s = 0.0

    def say(self, words: str) -> Event:
        self.at_s += 1.0
        event = event_from(self.session, words, self.at_s)
        self.session.add(event)
        assert event_text(self.session, event)
        return event

    def hear(self, points: str = "open") -> Event:
        self.at_s += 1.0
        event = self.session.heard(change(self.at_s - 0.1, points), self.at_s)
        self.session.add(event)
        return event

    def sweep(self, written: str) -> Event:
        self.hear("open")
        event = self.say(written)
        self.hear("closed")
        return event


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_a_look_at_the_setting_step_sets_nothing_aside(bench: Bench) -> None:
    for words in ("go centre 1", "18 before", "15 after", "go check 1"):
        bench.say(words)
    for written in ("31.5", "31.75", "31.5"):
        bench.sweep(written)
    bench.say("next")
    assert bench.session.place == Place("set", "1")
    assert len(bench.session.readings) == 5
    bench.hear("closed"), bench.hear("open")
    assert len(bench.session.readings) == 2


def test_the_whole_job(bench: Bench) -> None:
    say, session = bench.say, bench.session
    say("next")
    assert say("next").kind == "refused"  # the buzzer was not heard
    bench.hear("open"), bench.hear("closed")
    say("next")
    assert session.place == Place("centre", "1")
    assert say("18").kind == "refused"  # a stop tells its side
    say("18 before")
    assert say("next").kind == "refused"  # one side only
    say("15 after")
    say("next")
    bench.sweep("26 before")
    say("next")
    assert session.place == Place("set", "1")
    assert session.wheel_target("1") == "29.5 before"
    assert say("29.5").body["held"]
    say("next")
    bench.say("next")
    assert session.place == Place("check", "1")
    bench.sweep("31.5"), bench.sweep("31.75")
    assert say("next").kind == "refused"  # three are wanted
    bench.sweep("31.5")
    say("next")
    assert session.place == Place("set", "1")  # it is out
    say("next"), say("next")
    for written in ("29.5", "29.25", "29 3/4"):
        bench.sweep(written)
    say("next")
    assert session.place == Place("centre", "2")
    say("skip")
    for written in ("29.5", "29.25", "29.5"):
        bench.sweep(written)
    say("next")
    assert session.place == Place("record")
    record = session.record()
    first, second = record.cylinders
    assert [opening.reading.written for opening in first.openings] == [
        "26 before", "29.5", "29.25", "29 3/4",
    ]  # fmt: skip
    assert first.verdict.verdict == second.verdict.verdict == "within"
    assert first.phases["found"].angle_deg == pytest.approx(24.5)
    assert not record.unpaired_readings
    assert [r.written for r in record.readings if r.struck] == ["31.5", "31.75", "31.5"]
    assert "3 readings from before the points were set again stand struck" in record.notes
    say("next")
    assert session.finished


STOPS = ("go centre 1", "18 before", "15 after")  # the wheel reads 1.5 too far before


@pytest.mark.parametrize(
    ("fires_at", "words", "targets"),
    [
        ((0, 360), STOPS, "29.5 before, 29.5 before"),
        ((0, 180), STOPS, "29.5 before, 150.5 after"),
        ((0, 180), (*STOPS, "zeroed"), "28 before, 152 after"),
        ((0, 180), (*STOPS, "zeroed 2"), "152 after, 28 before"),
        ((0, 180), ("go centre 2", "162 after", "162 before"), "28 before, 152 after"),
        ((0, 180), (*STOPS, "go centre 2", "162 after", "161 before"), "29.5 before, 152.5 after"),
        ((0, 180), (*STOPS, "go found 2", "29.5"), "29.5 before, 29.5 before"),
        ((0, 292, 360, 652), STOPS, "29.5 before, 97.5 before, 29.5 before, 97.5 before"),
        ((360, 0), ("go centre 1", "zeroed"), "28 before, 28 before"),
    ],
)
def test_the_wheel_is_set_to_each_cylinders_own_dead_centre(
    fires_at: Sequence[float], words: Sequence[str], targets: str
) -> None:
    bench = Bench(fires_at=fires_at)
    for said in words:
        bench.say(said)
    session = bench.session
    shown = [session.wheel_target(cylinder.name) for cylinder in session.engine.cylinders]
    assert ", ".join(str(target) for target in shown) == targets


def test_the_wheel_is_set_as_it_stands_now(bench: Bench) -> None:
    assert bench.session.wheel_target("1") is None
    for words in (*STOPS, "zeroed", "17.5 before", "16.5 after"):
        bench.say(words)
    assert bench.session.wheel_target("1") == "28.5 before"
    bench.say("go found")
    bench.sweep("28")
    assert bench.session.wheel_target("1") == "28.5 before"


def test_the_wheel_is_set_alike_when_readings_are_set_aside() -> None:
    """Cylinder 2 is read from the 0 mark; once its points move, those readings count no more."""
    bench = Bench(fires_at=(0, 180))
    for words in (*STOPS, "go check 2"):
        bench.say(words)
    bench.sweep("26")
    bench.say("go set 2")
    assert bench.session.wheel_target("2") == "29.5 before"
    bench.hear("open")
    assert bench.session.wheel_target("2") == "29.5 before"


@pytest.mark.parametrize("words", [STOPS, (*STOPS, "zeroed"), (*STOPS, "zeroed 2")])
@pytest.mark.parametrize("fires_at", [(0, 360), (0, 180), (0, 292)])
@pytest.mark.parametrize(
    ("marks", "rising"),
    [("before-after", False), ("0-360", True), ("0-360", False), ("quarters", False)],
)
def test_set_as_told_every_wheel_reads_the_figure(
    marks: str, rising: bool, fires_at: Sequence[float], words: Sequence[str]
) -> None:
    bench = Bench(marks, rising=rising, fires_at=fires_at)
    for said in words:
        bench.say(said)
    for name in "12":
        target = bench.session.wheel_target(name)
        assert target
        bench.say(f"go check {name}")
        bench.sweep(target)
    record = bench.session.record()
    assert [c.opens_at and c.opens_at.angle_deg for c in record.cylinders] == [28.0, 28.0]
    assert not any("only make sense" in warning for warning in record.warnings)


def test_a_reading_belongs_to_the_last_opening_before_it_even_if_that_is_told_later(
    bench: Bench,
) -> None:
    bench.say("go check")
    given = bench.say("28 before")
    assert "no opening was heard for it yet" in event_text(bench.session, given)
    late = bench.session.heard(change(given.at_s - 0.2), given.at_s + 5)
    bench.session.add(late)
    assert "reading 1 is for it" in event_text(bench.session, late)
    assert "for the opening 0.2 s before" in event_text(bench.session, given)


def test_what_was_struck_or_corrected_stays_in_the_journal(bench: Bench) -> None:
    bench.say("go check")
    bench.sweep("28 before")
    bench.say("strike")
    assert bench.session.readings == ()
    bench.say("28.5 before")
    bench.say("correct 2 27.5 before")
    assert [reading.written for reading in bench.session.readings] == ["27.5 before"]
    bench.say("strike")  # the correction
    assert [reading.written for reading in bench.session.readings] == ["28.5 before"]
    given = [e.body["written"] for e in bench.session.events if e.kind == "reading"]
    assert given == ["28 before", "28.5 before"]
    assert bench.say("strike 1").kind == "refused"  # it is struck already
    struck = bench.say("strike 2")
    assert event_text(bench.session, struck) == "struck: 2, 28.5 before"
    bench.say("29 before"), bench.say("correct 3 30 before")
    assert event_text(bench.session, bench.say("strike 3")) == "struck: 3, 30 before"
    record = bench.session.record()
    assert sorted(reading.written for reading in record.readings if reading.struck) == [
        "27.5 before", "28 before", "28.5 before", "29 before", "30 before",
    ]  # fmt: skip


def test_the_first_cylinder_is_the_one_that_fires_at_0_wherever_it_stands_on_the_sheet() -> None:
    bench = Bench(fires_at=(360, 0))
    for words in ("stop 18 before", "stop", "15 after"):
        bench.say(words)
    assert [reading.cylinder for reading in bench.session.readings] == ["2", "2"]
    assert bench.say("go set").body["cylinder"] == "2"
    plan = [str(place) for place in bench.session.plan]
    assert plan[2:8] == [
        "dead centre, cylinder 2", "as found, cylinder 2", "set the points, cylinder 2",
        "watch while tightening, cylinder 2", "check, as left, cylinder 2",
        "dead centre, cylinder 1",
    ]  # fmt: skip


def test_each_stop_tells_of_its_own_pair(bench: Bench) -> None:
    bench.say("go centre")
    given = [bench.say(words) for words in ("18 before", "15 after", "20 before")]
    now = [event_text(bench.session, event).partition(". ")[2] for event in given]
    assert now == ["16.5 each side, so the wheel is 1.50 too far before"] * 2 + [
        "Now the other side"
    ]
    given += [bench.say(words) for words in ("16 after", "zeroed", "18 before")]
    assert event_text(bench.session, given[3]).endswith(
        "18 each side; by 2 pairs the wheel is 1.75 too far before"
    )
    assert event_text(bench.session, given[5]).endswith("Now the other side")
    given.append(bench.say("18 after"))
    assert event_text(bench.session, given[6]).endswith("18 each side, so the wheel is true")


def test_striking_a_move_goes_back(bench: Bench) -> None:
    bench.say("next")
    bench.say("go set")
    bench.say("strike")
    assert bench.session.place == Place("buzzer")


def test_an_opening_can_be_ignored_with_a_reason(bench: Bench) -> None:
    bench.say("go check")
    bench.hear("open")
    assert bench.say("ignore").kind == "refused"
    bench.say("ignore turned back too soon")
    given = bench.say("28 before")
    assert bench.session.taken_by(bench.session.readings[0]) is None
    bench.say("strike")
    struck = bench.say("strike")
    assert event_text(bench.session, struck) == "struck: that a change needs no reading"
    bench.say("28 before")
    assert bench.session.taken_by(bench.session.readings[0]) is not None
    assert given.body["written"] == "28 before"


def test_openings_while_setting_need_no_reading(bench: Bench) -> None:
    bench.say("go set")
    bench.hear("open"), bench.hear("closed"), bench.hear("open")
    bench.say("go watch")
    moved = bench.hear("closed")
    assert "THE POINTS MOVED" in event_text(bench.session, moved)
    assert not any("no reading was given" in w for w in bench.session.record().warnings)
    assert len(bench.session.changes) == 4


def test_which_sound_is_open_can_be_told(bench: Bench) -> None:
    session = bench.session
    for at_s in (1.0, 2.0, 3.0):
        shift = Change(at_s, at_s, 0.001, "shifts", None, 9.0)
        session.add(session.heard(shift, at_s))
    bench.at_s = 3.0
    bench.say("open")
    assert [c.points for c in session.changes] == ["open", "closed", "open"]


def test_what_is_said_at_the_engine_goes_before_what_was_said_at_the_start(bench: Bench) -> None:
    bench.hear("open")
    bench.say("closed")
    bench.hear("closed")
    assert [c.points for c in bench.session.changes] == ["closed", "open"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("34 1/2", "does not belong to this step"),
        ("hallo", "not known here"),
        ("opening 400", "not on the wheel"),
        ("strike", "nothing to strike"),
        ("strike 4", "no reading number 4"),
        ("go home", "go needs a step"),
        ("go check 3", "not on the sheet"),
        ("correct 1", "correct needs"),
        ("note", "needs its words"),
        ("closed 15", "say only closed"),
    ],
)
def test_words_that_make_nothing_say_why_and_are_kept(bench: Bench, words: str, why: str) -> None:
    event = bench.say(words)
    assert event.kind == "refused"
    assert why in event.body["why"]
    assert bench.session.events[-1].body["words"] == words


class AnyOrder(RuleBasedStateMachine):
    """Changes, readings, strikes and skips in any order."""

    @initialize(marks=st.sampled_from(["before-after", "0-360", "quarters"]))
    def begin(self, marks: str) -> None:
        self.bench = Bench(marks)
        self.given: list[Event] = []

    @rule(points=st.sampled_from(["open", "closed"]))
    def hear(self, points: str) -> None:
        self.bench.hear(points)

    @rule(delay_s=st.floats(0.01, 30.0))
    def hear_late(self, delay_s: float) -> None:
        """A change is made out a while after it happened."""
        time_s = max(0.001, self.bench.at_s - delay_s)
        known = {c.time_s for c in self.bench.session.changes}
        if time_s not in known:
            event = self.bench.session.heard(change(time_s), self.bench.at_s)
            self.bench.session.add(event)

    @rule(
        step=st.sampled_from(["", "opening ", "closing ", "stop "]),
        number=st.integers(0, 200),
        side=st.sampled_from(["", " before", " after"]),
    )
    def read(self, step: str, number: int, side: str) -> None:
        event = self.bench.say(f"{step}{number}{side}")
        if event.kind == "reading":
            self.given.append(event)

    @rule(
        words=st.sampled_from(
            ["next", "skip", "back", "zeroed", "zeroed 2", "strike", "ignore why", "open", "closed"]
            + [f"go {s} {c}" for s in ("centre", "found", "set", "watch", "check") for c in "12"]
        )
    )
    def say(self, words: str) -> None:
        event = self.bench.say(words)
        if event.kind == "reading":
            self.given.append(event)

    @precondition(lambda self: bool(self.given))
    @rule(data=st.data(), number=st.integers(1, 179))
    def correct(self, data: st.DataObject, number: int) -> None:
        which = data.draw(st.integers(1, len(self.given)))
        self.bench.say(f"correct {which} {number} before")

    @invariant()
    def nothing_is_lost(self) -> None:
        """Every reading counts, is held, set aside or struck, and is in the journal."""
        session = self.bench.session
        kept = [event for event in session.events if event.kind == "reading"]
        assert kept == self.given
        struck = {e.body["event"] for e in session.events if e.kind == "struck"}
        standing = set(session.standing.readings) | set(session.standing.held)
        assert standing == {event.seq for event in kept} - struck

    @invariant()
    def nothing_is_paired_twice(self) -> None:
        session = self.bench.session
        pairing = session.pairing
        couples = (*pairing.openings, *pairing.closings)
        readings = [id(couple.reading) for couple in couples]
        taken = [couple.change.time_s for couple in couples]
        assert len(set(readings)) == len(readings)
        assert len(set(taken)) == len(taken)
        alone = {id(reading) for reading in pairing.readings}
        wanted = {id(r) for r in session.readings if r.step in ("opening", "closing")}
        assert set(readings) | alone == wanted
        assert not alone & set(readings)

    @invariant()
    def the_journal_gives_the_same_session(self) -> None:
        session = self.bench.session
        text = json.dumps([asdict(event) for event in session.events])
        again = Session(session.engine, [Event(**entry) for entry in json.loads(text)])
        assert again.standing == session.standing
        assert again.changes_by_seq == session.changes_by_seq
        assert again.record().as_dict() == session.record().as_dict()

    @invariant()
    def the_record_is_that_of_a_replay(self) -> None:
        """What was ignored or needs no reading aside, the plain arithmetic gives the same."""
        session = self.bench.session
        ignored = {session.changes_by_seq[seq].time_s for seq in session.standing.ignored}
        counted = [change for change in session.changes if change.time_s not in ignored]
        plain = timing_record(counted, session.readings, session.engine).as_dict()
        ours = session.record().as_dict()
        assert ours["cylinders"] == plain["cylinders"]
        assert ours["unpaired"]["readings"] == plain["unpaired"]["readings"]


AnyOrder.TestCase.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)
TestAnyOrder = AnyOrder.TestCase


def test_a_reading_typed_and_said_for_one_opening_agrees_or_is_asked() -> None:
    bench = Bench()
    for words in ("stop", "18 before", "15 after", "opening"):
        bench.say(words)
    bench.hear("open")
    bench.say("29.5")

    def aloud(words: str) -> str:
        event = event_from(bench.session, words, bench.at_s, {"words": words})
        bench.session.add(event)
        return event.kind

    assert aloud("29.5 before") == "agreed"
    assert aloud("28.5") == "asked"
    assert "29.5, or 28.5?" in event_text(bench.session, bench.session.events[-1])
    assert [r.written for r in bench.session.readings][-1] == "29.5"
    assert any("stands" in warning for warning in bench.session.record().warnings)
    assert aloud("13") == "asked"  # neither of the two
    assert aloud("29.5 after") == "asked"
    assert aloud("28.5") == "asked"
    assert aloud("28.5") == "corrected"
    assert [r.written for r in bench.session.readings][-1] == "28.5"
    assert not any("stands" in warning for warning in bench.session.record().warnings)
    bench.hear("closed")
    assert aloud("28.5") == "reading"  # the points moved on: it is of another sweep
    bench.hear("open")
    assert aloud("28.5") == "reading"


def test_what_the_programs_own_voice_starts_and_stops_is_not_of_the_buzzer() -> None:
    bench = Bench()
    bench.say("opening")
    bench.hear("open")
    before = bench.at_s
    bench.hear("closed")
    bench.hear("open")
    bench.hear("closed")
    made = bench.session.spoken_over(before + 0.01, bench.at_s)
    assert len(made) == 2
    assert bench.session.spoken_over(bench.at_s + 1, bench.at_s + 2) == []


@pytest.mark.parametrize(
    ("words", "place"),
    [
        ("stop", "dead centre, cylinder 1"),
        ("opening", "check, as left, cylinder 1"),
        ("as found", "as found, cylinder 1"),
        ("cylinder 2", "check, as left, cylinder 2"),
        ("done", "the record"),
    ],
)
def test_a_bare_word_tells_what_comes_next(words: str, place: str) -> None:
    bench = Bench()
    bench.say(words)
    assert str(bench.session.place) == place
