"""The mechanic's words, and the events they make.

Words may be typed or said aloud; an event made of something said keeps what was heard. Where both
ways give a reading for the same change, the later is no second reading: it agrees with the first,
or the tool asks which of the two is meant, and the first stands until that is said.
"""

from collections.abc import Callable, Mapping
from typing import Any, get_args

from analysis.reading import Phase, Reading, ReadingStep
from analysis.wheel import Mark, meanings, parse
from analysis.wheelhistory import WheelHistory
from listen.event import Event, EventKind
from listen.job_steps import WHERE_READINGS_BELONG, JobStep, Place
from listen.session import Session

LEAST_SWEEPS = 3
TWICE_S = 20.0
"""Within what time two readings of one change, given in two ways, are the same one."""
_BY_HAND = ("reading", "moved", "told", "corrected", "ignored", "note", "asked")
"""What the mechanic gave, and so can strike."""
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


def event_from(
    session: Session, words: str, at_s: float, heard: Mapping[str, Any] | None = None
) -> Event:
    """Return the event that the mechanic's words make; ``refused`` when none can be made.

    Parameters
    ----------
    session : Session
        In which they were given.
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
        kind, body = _GRAMMAR.get(head.casefold(), _plain_reading)(session, head, rest)
    except ValueError as trouble:
        kind, body = "refused", {"words": said, "why": str(trouble)}
    if kind == "reading":
        kind, body = _given_twice(session, body, at_s, heard is not None) or (kind, body)
    return session.event(kind, at_s, {**body, "heard": dict(heard)} if heard else body)


def _given_twice(
    session: Session, body: Mapping[str, Any], at_s: float, spoken: bool
) -> _Made | None:
    """Return what is made of a reading whose change has one, given the other way."""
    seq = _first_given(session, body, at_s)
    if seq is None:
        return None
    asked = seq in session.standing.unsettled
    if not asked and ("heard" in session.events[seq - 1].body) == spoken:
        return None
    first, other = session.standing.readings[seq].mark, parse(body["written"])
    assert first is not None
    about = {"event": seq, "written": body["written"]}
    if _alike(first, other):
        return "agreed", about
    meant = asked and _alike(parse(session.standing.unsettled[seq]), other)
    return ("corrected" if meant else "asked"), about


def _first_given(session: Session, body: Mapping[str, Any], at_s: float) -> int | None:
    """Return the event of the reading that the last change before a moment has."""
    if body["held"] or body["step"] not in ("opening", "closing"):
        return None
    points = "open" if body["step"] == "opening" else "closed"
    before = [c for c in session.changes if c.time_s <= at_s]
    here = [c for c in before if c.points == points]
    for seq, reading in session.readings_by_seq.items():
        alike = reading.step == body["step"] and reading.cylinder == body["cylinder"]
        # Once the points moved again, or after a while, it is a reading of another sweep.
        still = at_s - reading.time_s < TWICE_S and before[-1:] == here[-1:]
        if alike and still and here and session.taken_by(reading) == here[-1]:
            return seq
    return None


def _alike(one: Mark, other: Mark) -> bool:
    """Say whether two marks are one; a side left out is the usual one."""
    return one.number == other.number and (one.side or "before") == (other.side or "before")


def _plain_reading(session: Session, head: str, rest: str) -> _Made:
    place = session.place
    words = f"{head} {rest}".strip()
    step = place.reads or WHERE_READINGS_BELONG.get(place.step)
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
    steps = [place.step for _, place in session.standing.places]
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


def _angle(session: Session, place: Place) -> tuple[str, int] | None:
    """Return the verdict on a cylinder as left and how many readings it stands on."""
    for cylinder in session.record().cylinders:
        if cylinder.figure.name == place.cylinder and "left" in cylinder.phases:
            return cylinder.verdict.verdict, cylinder.phases["left"].n
    return None


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
        if event.kind in _BY_HAND and event.seq not in session.struck:
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
        ours = [seq for seq, change in session.changes_by_seq.items() if change.time_s in unread]
        ours = [seq for seq in ours if seq not in session.standing.ignored]
        if not ours:
            raise ValueError("there is no opening without a reading")
        seq = max(ours)
    if not reason.strip():
        raise ValueError("ignore needs a reason: ignore turned back too soon")
    return "ignored", {"event": seq, "reason": reason.strip()}


def _numbered(session: Session, kind: EventKind, number: str) -> int:
    """Return the event that a number on the screen stands for."""
    seqs = [event.seq for event in session.events if event.kind == kind]
    place = int(number) if number.isdecimal() else 0
    if not 1 <= place <= len(seqs):
        raise ValueError(f"there is no {kind} number {number}")
    if seqs[place - 1] in session.struck:
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
