"""An event of a session: what the logbook keeps and a session is made of."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

EventKind = Literal[
    "began",
    "listening",
    "buzzer",
    "change",
    "lost",
    "gap",
    "level",
    "unkept",
    "reading",
    "moved",
    "told",
    "corrected",
    "ignored",
    "note",
    "struck",
    "agreed",
    "asked",
    "refused",
    "unheard",
    "speech",
    "finished",
]


@dataclass(frozen=True)
class Event:
    """One thing that happened.

    Attributes
    ----------
    seq : int
        1, 2, 3 … in its session.
    at_s : float
        When, in seconds since listening began.
    kind : str
    body : mapping
        What a JSON object holds; its keys depend on the kind.
    """

    seq: int
    at_s: float
    kind: EventKind
    body: Mapping[str, Any]


@dataclass(frozen=True)
class EventDraft:
    """What is to become an event, and has no place in a session yet.

    Attributes
    ----------
    kind, at_s, body
        As of the `Event`.
    """

    kind: EventKind
    at_s: float
    body: Mapping[str, Any]
