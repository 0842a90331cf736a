"""What the tool answers aloud: short, for somebody whose hands and eyes are busy.

Only what was said aloud is answered aloud, and what must be known at once.
"""

from collections.abc import Callable, Mapping

from analysis.spoken.language import say
from analysis.wheel import parse
from listen.event import Event, EventKind
from listen.job_steps import WHAT_TO_DO
from listen.session import Session


def aloud(session: Session, event: Event) -> str | None:
    """Return what is said aloud of an event of a session; None for nothing."""
    if event.kind in _ALWAYS:
        return _ALWAYS[event.kind](session, event)
    if "heard" in event.body and event.kind in _ANSWERS:
        return _ANSWERS[event.kind](session, event)
    return None


def what_now(session: Session) -> str:
    """Return what is to be done now."""
    return f"{session.place}. {_first(WHAT_TO_DO[session.place.step])}"


def _first(words: str) -> str:
    """Return the first clause."""
    for end in (". ", "; ", ": "):
        words = words.partition(end)[0]
    return words


def _in_words(written: str) -> str:
    return say(parse(written))


def _reading(session: Session, event: Event) -> str:
    body = event.body
    if body["step"] == "zeroed":
        return "wheel zeroed"
    words = _in_words(body["written"])
    known = any(e.kind == "buzzer" for e in session.events)
    given = [reading for reading in session.readings if reading.time_s == event.at_s]
    if known and given and body["step"] != "stop" and session.taken_by(given[-1]) is None:
        return f"{words}, but no {body['step']} was heard"
    return words


def _asked(session: Session, event: Event) -> str:
    first = session.written(event.body["event"])
    return f"{_in_words(first)}, or {_in_words(event.body['written'])}?"


def _struck(session: Session, event: Event) -> str:
    written = session.written(event.body["event"])
    return f"struck, {_in_words(written)}" if written else "struck"


def _change(session: Session, event: Event) -> str | None:
    change = next(c for c in session.changes if c.time_s == event.body["time_s"])
    if session.place.step == "watch":
        return "the points moved"
    return change.points if session.place.step == "set" else None


_ALWAYS: Mapping[EventKind, Callable[[Session, Event], str | None]] = {
    "change": _change,
    "asked": _asked,
    "agreed": lambda session, event: f"yes, {_in_words(event.body['written'])}",
    "corrected": lambda session, event: f"corrected, {_in_words(event.body['written'])}",
    "unheard": lambda session, event: event.body.get("question"),
    "lost": lambda session, event: _first(event.body["why"]),
    "speech": lambda session, event: event.body.get("aloud"),
    "finished": lambda session, event: "the record is closed",
}
_ANSWERS: Mapping[EventKind, Callable[[Session, Event], str | None]] = {
    "reading": _reading,
    "moved": lambda session, event: str(session.place),
    "struck": _struck,
    "note": lambda session, event: "noted",
    "refused": lambda session, event: _first(event.body["why"]),
}
