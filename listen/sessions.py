"""Sessions and the logbook: begun, read back, taken up again, and their records."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from analysis.change import Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.teaching import sounding_of
from analysis.engine import Engine, engine_from
from analysis.record import Inputs, TimingRecord
from listen import __version__, buzzers
from listen.event import EventKind
from listen.excerpts import SoundFile
from listen.hearing import agreed
from listen.kept_sound import seconds_kept
from listen.logbook import Logbook
from listen.session import Session


@dataclass(frozen=True, eq=False)
class Listening:
    """How a session is listened to.

    Attributes
    ----------
    sounding : {"open", "closed", "both"} or None
    buzzer : BuzzerPrint or None
    distance_m : float or None
    """

    sounding: Sounding | None = None
    buzzer: BuzzerPrint | None = None
    distance_m: float | None = None


def record_of(
    logbook: Logbook,
    number: int,
    session: Session,
    *,
    guard: float = 0.0,
    by: str | None = None,
    when: str | None = None,
    where: str | None = None,
) -> TimingRecord:
    """Return a session's record, with where it came from.

    Parameters
    ----------
    logbook : Logbook
        Where it is kept.
    number : int
        Of the session in it.
    session : Session
        What it holds.
    guard : float
        Guard band of the verdicts, by the expanded uncertainty.
    by, when, where : str, optional
        Instead of what was said when it was begun, and of the day it was.

    Raises
    ------
    BadInput
        If kept sound cannot be read.
    """
    from listen.sources import sha256_of

    began = next((event.body for event in session.events if event.kind == "began"), {})
    paths = [sound.path for sound in sounds_of(logbook, number, session)]
    inputs = Inputs(
        recording=", ".join(path.name for path in paths) or None,
        sha256=", ".join(map(sha256_of, paths)) or None,
        sounding=began.get("sounding"),
        sheet=began.get("sheet"),
        readings=f"session {number}",
        program=f"thirdear {__version__}",
        buzzer=began.get("buzzer"),
        distance_m=began.get("distance_m"),
        by=by or began.get("by"),
        when=when or logbook.session(number).day,
        where=where or began.get("where"),
        instruments=session.engine.instruments,
    )
    return session.record(inputs, guard)


def sounds_of(logbook: Logbook, number: int, session: Session) -> list[SoundFile]:
    """Return the sound that was kept of a session, in order of time."""
    folder = logbook.sound_of(number)
    kept = [e.body for e in session.events if e.kind == "listening" and e.body["sound"]]
    sounds = [SoundFile(folder / body["sound"], body["from_s"]) for body in kept]
    return [sound for sound in sounds if sound.path.is_file()]


def print_body(buzzer: BuzzerPrint) -> dict[str, Any]:
    """Return the body of the event that says a buzzer is known."""
    taught = not math.isfinite(buzzer.quality)
    return {
        "margin_db": round(buzzer.margin_db, 1),
        "quality": None if taught else round(buzzer.quality, 2),
        "print": buzzers.as_dict(buzzer),
    }


def known_buzzer(session: Session) -> BuzzerPrint | None:
    """Return the buzzer that a session knows already, taught or learnt."""
    for event in reversed(session.events):
        if event.kind == "buzzer":
            buzzer = buzzers.from_dict(event.body["print"])
            quality = event.body["quality"]
            return buzzer if quality is None else replace(buzzer, quality=quality)
    return None


def begin_session(
    logbook: Logbook, sheet: Path, engine: Engine, options: Mapping[str, Any]
) -> tuple[int, Session, Listening]:
    """Begin a session in the logbook.

    Parameters
    ----------
    logbook : Logbook
        Open for writing.
    sheet : Path
        The engine's sheet, which is kept too.
    engine : Engine
        What it says.
    options : mapping
        ``sounding``, ``buzzer`` (a taught one's name), ``distance_m``, ``by`` and ``where``.

    Raises
    ------
    BadInput
        If the buzzer cannot be used, sounds otherwise, or the logbook cannot be written.
    """
    taught = buzzers.load(options["buzzer"]) if options["buzzer"] else None
    sounding = options["sounding"]
    if taught is not None:
        sounding = agreed(sounding, sounding_of(taught))
    number = logbook.begin(sheet.name, sheet.read_text(encoding="utf-8-sig"))
    session = Session(engine)
    body = {"sheet": sheet.name, "program": f"thirdear {__version__}", **options}
    made: list[tuple[EventKind, dict[str, Any]]] = [("began", {**body, "sounding": sounding})]
    if taught is not None:
        made.append(("buzzer", print_body(taught)))
    for kind, rest in made:
        event = session.event(kind, 0.0, rest)
        logbook.append(number, event)
        session.add(event)
    return number, session, Listening(sounding, taught, options["distance_m"])


def take_up(logbook: Logbook, number: int) -> tuple[Session, Listening, float]:
    """Return a session as its journal left it, and the time at which it goes on.

    Raises
    ------
    BadInput
        If there is no such session, or the logbook cannot be read.
    """
    session = read_session(logbook, number)
    began = session.events[0].body if session.events else {}
    listening = Listening(began.get("sounding"), known_buzzer(session), began.get("distance_m"))
    return session, listening, _next_s(session, logbook.sound_of(number))


def read_session(logbook: Logbook, number: int) -> Session:
    """Return a session as its journal tells it.

    Raises
    ------
    BadInput
        If there is no such session, or the logbook cannot be read.
    """
    engine = engine_from(tomllib.loads(logbook.session(number).sheet))
    return Session(engine, logbook.events(number))


def _next_s(session: Session, folder: Path) -> float:
    """Return the whole second after all that was heard and given."""
    last_s = max((event.at_s for event in session.events), default=0.0)
    stretches = [e.body for e in session.events if e.kind == "listening" and e.body["sound"]]
    if stretches:
        kept_s = seconds_kept(folder / stretches[-1]["sound"])
        last_s = max(last_s, stretches[-1]["from_s"] + kept_s)
    return float(math.ceil(last_s))
