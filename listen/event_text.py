"""Events of a session in words, as a face shows them."""

from collections.abc import Callable, Mapping

from analysis.reading import Reading
from listen.event import Event, EventKind
from listen.job_steps import Place
from listen.session import Session


def event_text(session: Session, event: Event) -> str:
    """Return an event of a session in words."""
    return _TEXTS[event.kind](session, event)


def _say_change(session: Session, event: Event) -> str:
    change = session.changes_by_seq[event.seq]
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
    reading = session.standing.readings.get(event.seq)
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
    measured = session.wheel_history.measured_with(stop)
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
    words = {
        "moved": f"back to {session.place}",
        "note": "the note",
        "told": "how the points stand",
        "ignored": "that a change needs no reading",
        "corrected": "the correction",
        "asked": "the question",
    }
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
    if length == 0:
        return "the microphone is back: no sound was lost"
    span = _span(length) if length >= 1 else f"{1000 * length:.0f} ms"
    return f"nothing was heard for {span} ({body['why']})"


def _span(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    if minutes:
        return f"{minutes} min {rest} s"
    return f"{seconds:.1f} s"


_TEXTS: Mapping[EventKind, Callable[[Session, Event], str]] = {
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
