"""A session live: the microphone, the ear, the logbook and a face, brought together.

Sound goes through two threads of its own. The first keeps it and measures its level, and never
waits; the second is the ear, which may think for a second while it learns a buzzer. What they
find, and what the mechanic gives, meets in one queue. The caller's thread takes it from there:
each event is written to the logbook, then added to the session, then shown.
"""

import math
import queue
import signal
import threading
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from analysis.change import Change, Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.live import LiveEar
from analysis.ear.teaching import sounding_of
from analysis.engine import Engine, engine_from
from analysis.record import Inputs, TimingRecord
from analysis.sound import Block
from listen import __version__, buzzers
from listen.errors import BadInput
from listen.event import Event, Kind
from listen.hearing import agreed, at_the_buzzer
from listen.kept_sound import SoundKeeper, seconds_kept
from listen.level import WHAT_TO_DO, Level, LevelMeter
from listen.logbook import Logbook
from listen.microphone import Lost, Microphone, Opened, Piece
from listen.record_files import as_json
from listen.session import Session

TICK_S = 0.25
STOP_S = 20.0
REPORT_S = 0.5
"""How often the ear says how far it has come, when there is nothing else to say."""
KEEP_EVERY_S = 0.2
BAD_SECONDS = 3
"""For how long a level must be bad before it is said."""


@dataclass
class Status:
    """What a face shows beside the session and nobody needs to remember.

    Attributes
    ----------
    input : str or None
        What is listened to; None while there is nothing.
    level : Level or None
    state : str or None
        Of the points now, as the ear hears it.
    heard_s : float
        Up to what session time the ear has come.
    now_s : float
    """

    input: str | None = None
    level: Level | None = None
    state: str | None = None
    heard_s: float = 0.0
    now_s: float = 0.0


@dataclass(frozen=True)
class Words:
    """What the mechanic typed, as one line."""

    text: str


@dataclass(frozen=True)
class Key:
    """A key was pressed; the face knows what to make of it."""

    text: str


@dataclass(frozen=True)
class _Made:
    kind: Kind
    at_s: float
    body: Mapping[str, Any]


@dataclass(frozen=True)
class _Ear:
    changes: list[Change]
    state: str | None
    heard_s: float
    buzzer: BuzzerPrint | None


@dataclass(frozen=True)
class _Failed:
    trouble: BaseException


Inbox = queue.SimpleQueue[Any]


class Face(Protocol):
    """What a session is shown on."""

    def begin(self, session: Session, status: Status, inbox: Inbox) -> None:
        """Appear, and from now on put `Words` and `Key` into the inbox."""

    def show(self, event: Event) -> None:
        """Show an event, which is in the logbook and in the session."""

    def key(self, key: Key) -> str | None:
        """Take a key; return a line of words when it completes one."""

    def tick(self) -> None:
        """Bring what changes by itself up to date."""

    def end(self) -> None:
        """Give the terminal back."""


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


class Live:
    """A session that is going on.

    Parameters
    ----------
    logbook : Logbook
        Open for writing.
    number : int
        Of the session in it.
    session : Session
    microphone : Microphone
    face : Face
    listening : Listening
    sound : Path or None
        Folder in which the sound is kept.
    """

    def __init__(
        self,
        logbook: Logbook,
        number: int,
        session: Session,
        microphone: Microphone,
        face: Face,
        listening: Listening,
        sound: Path | None,
    ) -> None:
        self.session = session
        self._logbook, self._number = logbook, number
        self._microphone, self._face = microphone, face
        self._listening = listening
        self._sound = sound
        self._status = Status()
        self._inbox: Inbox = queue.SimpleQueue()
        self._pieces: queue.SimpleQueue[Piece | None] = queue.SimpleQueue()
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), daemon=True)
            for work in (self._keep, self._hear)
        ]

    def run(self) -> None:
        """Go on until the record is closed or the mechanic stops.

        Raises
        ------
        BadInput
            If the logbook cannot be written any more.
        """
        self._face.begin(self.session, self._status, self._inbox)
        try:
            with _signals_say_quit(self._inbox):
                for thread in self._threads:
                    thread.start()
                self._tick()
                while not self.session.finished and self._take(self._next()):
                    self._tick()
                self._drain()
        finally:
            self._microphone.stop()
            self._face.end()

    def _next(self) -> Any:
        try:
            return self._inbox.get(timeout=TICK_S)
        except queue.Empty:
            return None

    def _take(self, item: Any) -> bool:
        """Deal with one thing from the inbox; False when it ends the session."""
        if isinstance(item, Key):
            words = self._face.key(item)
            item = Words(words) if words is not None else None
        if isinstance(item, Words):
            return self._answer(item.text)
        if isinstance(item, _Failed):
            raise item.trouble
        if isinstance(item, _Made):
            self._log(self.session.event(item.kind, item.at_s, item.body))
        elif isinstance(item, _Ear):
            self._status.state, self._status.heard_s = item.state, item.heard_s
            if item.buzzer is not None:
                self._log(self.session.event("buzzer", item.heard_s, _print_body(item.buzzer)))
            for change in item.changes:
                self._log(self.session.heard(change, self._microphone.now_s()))
        elif isinstance(item, Level):
            self._status.level = item
        elif isinstance(item, Opened):
            self._status.input = f"{item.name}, {item.rate_hz} Hz"
        elif isinstance(item, Lost):
            self._status.input = self._status.state = None
        return True

    def _answer(self, words: str) -> bool:
        said = words.strip()
        if said.casefold() in ("quit", "q"):
            return False
        if said:
            event = self.session.answer(said, self._microphone.now_s())
            if event.kind == "finished":
                # What the ear still holds belongs to the record.
                self._drain()
                event = replace(event, seq=len(self.session.events) + 1)
            self._log(event)
        return True

    def _log(self, event: Event) -> None:
        self._logbook.append(self._number, event)
        self.session.add(event)
        if event.kind == "finished":
            self._logbook.keep_record(self._number, as_json(record_of(self.session, self._number)))
        self._face.show(event)

    def _drain(self) -> None:
        """End listening and take in what it still brings."""
        self._microphone.stop()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(STOP_S)
        while not self._inbox.empty():
            item = self._inbox.get()
            if isinstance(item, _Made | _Ear | _Failed):
                self._take(item)

    def _tick(self) -> None:
        self._status.now_s = self._microphone.now_s()
        self._face.tick()

    # The threads ------------------------------------------------------------------------------

    def _guarded(self, work: Any) -> None:
        try:
            work()
        except BaseException as trouble:
            self._inbox.put(_Failed(trouble))

    def _keep(self) -> None:
        """Keep the sound, measure it, and hand it to the ear."""
        desk = _Desk(self._sound, self._inbox)
        try:
            for item in self._microphone.heard():
                if isinstance(item, Piece):
                    desk.take(item)
                    self._pieces.put(item)
                else:
                    self._inbox.put(item)
                    if isinstance(item, Opened):
                        desk.opened = item
                    else:
                        desk.lost(item, self._microphone.now_s())
        finally:
            self._pieces.put(None)
            desk.close()

    def _hear(self) -> None:
        """Be the ear."""
        listening = self._listening
        ear: LiveEar | None = None
        known, rate = listening.buzzer, 0
        last_state, last_s = None, -np.inf
        piece: Piece | None = None

        def report(ear: LiveEar, changes: list[Change], heard_s: float) -> None:
            nonlocal known, last_state, last_s
            new = ear.buzzer if known is None else None
            known = known or new
            if changes or new or ear.state != last_state or heard_s - last_s >= REPORT_S:
                if listening.distance_m is not None:
                    changes = [at_the_buzzer(c, listening.distance_m) for c in changes]
                last_state, last_s = ear.state, heard_s
                self._inbox.put(_Ear(changes, ear.state, heard_s, new))

        while (following := self._pieces.get()) is not None:
            piece = following
            if ear is None or piece.rate_hz != rate:
                if ear is not None:
                    report(ear, ear.finish(), piece.start_s)
                rate = piece.rate_hz
                ear = LiveEar(rate, listening.sounding, known)
            samples = piece.samples.astype(np.float32) / np.float32(32768)
            report(ear, ear.hear(Block(samples, rate, piece.start_s)), piece.end_s)
        if ear is not None and piece is not None:
            report(ear, ear.finish(), piece.end_s)


class _Desk:
    """Keeps the sound, and says what is to be said of it."""

    def __init__(self, folder: Path | None, inbox: Inbox) -> None:
        self.opened: Opened | None = None
        self._folder, self._inbox = folder, inbox
        self._keeper: SoundKeeper | None = None
        self._meter: LevelMeter | None = None
        self._first_at = 0
        self._last: Piece | None = None
        self._waiting: list[Piece] = []
        self._gone = False
        self._said, self._bad = "good", 0

    def take(self, piece: Piece) -> None:
        last = self._last
        if last is not None and piece.start_s - last.end_s > 1e-6:
            self._settle()
            why = "the microphone was gone" if self._gone else "the sound card lost samples"
            body = {"from_s": last.end_s, "to_s": piece.start_s, "why": why}
            self._made("gap", piece.start_s, body)
        if last is None or last.rate_hz != piece.rate_hz:
            self._begin(piece)
        self._last, self._gone = piece, False
        self._waiting.append(piece)
        if piece.end_s - self._waiting[0].start_s >= KEEP_EVERY_S:
            self._settle()

    def lost(self, item: Lost, now_s: float) -> None:
        self._gone = True
        self._made("lost", now_s, {"why": item.why})

    def close(self) -> None:
        self._settle()
        if self._keeper is not None:
            self._keeper.close()

    def _begin(self, piece: Piece) -> None:
        """Begin a file, and say what is listened to."""
        self.close()
        self._meter = LevelMeter(piece.rate_hz)
        self._first_at, name = piece.at, None
        if self._folder is not None:
            number = 1 + len(list(self._folder.glob("*.flac")))
            try:
                self._keeper = SoundKeeper(self._folder / f"{number}.flac", piece.rate_hz)
                name = self._keeper.path.name
            except BadInput as trouble:
                self._give_up(trouble, piece)
        opened = self.opened
        body = {
            "input": opened.name if opened else "",
            "rate_hz": piece.rate_hz,
            "sound": name,
            "from_s": piece.start_s,
        }
        self._made("listening", piece.start_s, body)

    def _settle(self) -> None:
        """Keep and measure what has gathered: a piece alone costs as much as ten."""
        gathered, self._waiting = self._waiting, []
        if not gathered:
            return
        samples = np.concatenate([piece.samples for piece in gathered])
        piece = Piece(samples, gathered[0].rate_hz, gathered[0].at)
        if self._keeper is not None:
            try:
                self._keeper.keep(samples, piece.at - self._first_at)
            except BadInput as trouble:
                self._keeper.close()
                self._give_up(trouble, piece)
        self._judge(piece)

    def _give_up(self, trouble: BadInput, piece: Piece) -> None:
        self._keeper = self._folder = None
        self._made("unkept", piece.end_s, {"why": str(trouble)})

    def _judge(self, piece: Piece) -> None:
        level = self._meter.add(piece.samples) if self._meter else None
        if level is None:
            return
        self._inbox.put(level)
        self._bad = self._bad + 1 if level.state not in ("good", self._said) else 0
        if self._bad >= BAD_SECONDS or (level.state == "good" and self._said != "good"):
            self._said, self._bad = level.state, 0
            body = {"state": level.state, "words": WHAT_TO_DO[level.state]}
            self._made("level", piece.end_s, body)

    def _made(self, kind: Kind, at_s: float, body: Mapping[str, Any]) -> None:
        self._inbox.put(_Made(kind, at_s, body))


@contextmanager
def _signals_say_quit(inbox: Inbox) -> Iterator[None]:
    """Take Ctrl-C, and the end of the terminal, as the word quit: no event is left half done."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    kept = {
        number: signal.signal(number, lambda *_: inbox.put(Words("quit")))
        for number in (getattr(signal, name) for name in names if hasattr(signal, name))
    }
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def record_of(session: Session, number: int) -> TimingRecord:
    """Return a session's record, with where it came from."""
    began = next((event.body for event in session.events if event.kind == "began"), {})
    return session.record(
        Inputs(
            recording=f"session {number}",
            sounding=began.get("sounding"),
            sheet=began.get("sheet"),
            program=f"thirdear {__version__}",
        )
    )


def _print_body(buzzer: BuzzerPrint) -> dict[str, Any]:
    taught = not np.isfinite(buzzer.quality)
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
        ``sounding``, ``buzzer`` (a taught one's name) and ``distance_m``.
    """
    taught = buzzers.load(options["buzzer"]) if options["buzzer"] else None
    sounding = options["sounding"]
    if taught is not None:
        sounding = agreed(sounding, sounding_of(taught))
    number = logbook.begin(sheet.name, sheet.read_text(encoding="utf-8-sig"))
    session = Session(engine)
    body = {"sheet": sheet.name, "program": f"thirdear {__version__}", **options}
    made: list[tuple[Kind, dict[str, Any]]] = [("began", {**body, "sounding": sounding})]
    if taught is not None:
        made.append(("buzzer", _print_body(taught)))
    for kind, rest in made:
        event = session.event(kind, 0.0, rest)
        logbook.append(number, event)
        session.add(event)
    return number, session, Listening(sounding, taught, options["distance_m"])


def take_up(logbook: Logbook, number: int) -> tuple[Session, Listening, float]:
    """Return a session as its journal left it, and the time at which it goes on."""
    session = read_session(logbook, number)
    began = session.events[0].body if session.events else {}
    listening = Listening(began.get("sounding"), known_buzzer(session), began.get("distance_m"))
    return session, listening, _next_s(session, logbook.sound_of(number))


def read_session(logbook: Logbook, number: int) -> Session:
    """Return a session as its journal tells it."""
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
