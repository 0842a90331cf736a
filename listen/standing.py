"""What counts of a session's events, after what was struck, corrected and ignored.

Times are seconds since listening began; a dict is by the number of the event.
"""

from collections.abc import Container, Sequence
from dataclasses import dataclass, field, replace

from analysis.change import Points
from analysis.reading import Reading
from analysis.wheel import parse
from listen.event import Event
from listen.job_steps import Place


@dataclass
class Standing:
    """What counts.

    Attributes
    ----------
    places : list of (float, Place)
        Where in the job, and since when.
    readings : dict
        As they stand, by their events; so are the next three.
    struck : list of Reading
        Every value that counts no more.
    withdrawn : dict
        Readings that were struck, as they last stood.
    held : dict
        What the crank was held at while the points were set.
    ignored : dict
        Why a change needs no reading.
    told : (float, str) or None
        When it was said how the points stood, and how.
    gaps : list of (float, float)
        From when to when nothing was heard.
    unsettled : dict
        Readings given in two ways that differ, and the other one.
    notes : list of str
    """

    places: list[tuple[float, Place]] = field(default_factory=list)
    readings: dict[int, Reading] = field(default_factory=dict)
    struck: list[Reading] = field(default_factory=list)
    withdrawn: dict[int, Reading] = field(default_factory=dict)
    held: dict[int, Reading] = field(default_factory=dict)
    ignored: dict[int, str] = field(default_factory=dict)
    told: tuple[float, Points] | None = None
    gaps: list[tuple[float, float]] = field(default_factory=list)
    unsettled: dict[int, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def standing_of(events: Sequence[Event], struck: Container[int], first: Place) -> Standing:
    """Work out what counts.

    Parameters
    ----------
    events : sequence of Event
        Of a session, all of them.
    struck : container of int
        Which of them were struck.
    first : Place
        Where the job begins.
    """
    now = Standing(places=[(0.0, first)])
    for event in events:
        body = event.body
        if event.seq in struck:
            if event.kind == "reading" and not body["held"]:
                now.withdrawn[event.seq] = _reading(event)
            elif event.kind == "corrected":
                _correct(now, body["event"], body["written"], struck=True)
            continue
        if event.kind == "reading":
            (now.held if body["held"] else now.readings)[event.seq] = _reading(event)
        elif event.kind == "corrected":
            _correct(now, body["event"], body["written"])
        elif event.kind == "asked":
            now.unsettled[body["event"]] = body["written"]
        elif event.kind == "moved":
            place = Place(body["step"], body["cylinder"], body.get("reads"))
            now.places.append((event.at_s, place))
        elif event.kind == "ignored":
            now.ignored[body["event"]] = body["reason"]
        elif event.kind == "told":
            now.told = event.at_s, body["points"]
        elif event.kind == "gap" and body["to_s"] > body["from_s"]:
            now.gaps.append((body["from_s"], body["to_s"]))
        elif event.kind == "note":
            now.notes.append(body["text"])
        if event.kind in ("corrected", "agreed"):
            now.unsettled.pop(body["event"], None)
    now.unsettled = {seq: other for seq, other in now.unsettled.items() if seq in now.readings}
    now.struck += [replace(reading, struck=True) for reading in now.withdrawn.values()]
    return now


def _correct(now: Standing, seq: int, written: str, *, struck: bool = False) -> None:
    """Correct a reading; the value that no longer counts stays, as struck."""
    for kept in (now.readings, now.withdrawn, now.held):
        if seq in kept:
            first = kept[seq]
            second = replace(first, mark=parse(written), written=written)
            if kept is not now.held:
                now.struck.append(replace(second if struck else first, struck=True))
            kept[seq] = first if struck else second


def _reading(event: Event) -> Reading:
    body = event.body
    mark = parse(body["written"]) if body["step"] != "zeroed" else None
    return Reading(event.at_s, body["step"], body["cylinder"], mark, body["written"], body["phase"])
