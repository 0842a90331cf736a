"""A session live: the microphone, the ear, the logbook and a face, brought together.

Sound goes through two threads of its own. The first keeps it and measures its level, and never
waits; the second is the ear, which may think for a second while it learns a buzzer. What they
find, and what the mechanic gives, meets in one queue. What is said aloud is heard beside them, by
`listen.handsfree`, and nothing waits for it. The caller's thread takes it from there:
each event is written to the logbook, then added to the session, then shown.
"""

import math
import queue
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from analysis.change import Change
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.live import LiveEar
from listen.event import Event, EventDraft
from listen.handsfree import HandsFree
from listen.hearing import at_the_buzzer
from listen.level import Level
from listen.logbook import Logbook
from listen.microphone import Lost, Microphone, Opened, Piece
from listen.record_files import as_json
from listen.recorder import Recorder
from listen.session import Session
from listen.sessions import Listening, print_body, record_of
from listen.spoken import Spoken
from listen.words import event_from

TICK_S = 0.25
STOP_S = 20.0
STEP_CHANGED = "the step has changed, say again"
REPORT_S = 0.5
"""How often the ear says how far it has come, when there is nothing else to say."""


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
    known : bool
        Whether the buzzer is known by now.
    heard_s : float
        Up to what session time the ear has come.
    now_s : float
    """

    input: str | None = None
    level: Level | None = None
    state: str | None = None
    known: bool = False
    heard_s: float = 0.0
    now_s: float = 0.0


@dataclass(frozen=True)
class TypedLine:
    """What the mechanic typed, as one line."""

    text: str


@dataclass(frozen=True)
class Key:
    """A key was pressed; the face knows what to make of it."""

    text: str


@dataclass(frozen=True)
class _Ear:
    changes: list[Change]
    state: str | None
    known: bool
    heard_s: float
    buzzer: BuzzerPrint | None


@dataclass(frozen=True)
class _Failed:
    trouble: BaseException


Inbox = queue.SimpleQueue[Any]


class Face(Protocol):
    """What a session is shown on."""

    def begin(self, session: Session, status: Status, inbox: Inbox) -> None:
        """Appear, and from now on put `TypedLine` and `Key` into the inbox."""

    def show(self, event: Event) -> None:
        """Show an event, which is in the logbook and in the session."""

    def key(self, key: Key) -> str | None:
        """Take a key; return a line of words when it completes one."""

    def tick(self) -> None:
        """Bring what changes by itself up to date."""

    def end(self) -> None:
        """Give the terminal back."""


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
    spoken : bool
        Take what is said, too, and answer aloud.
    model : Path or None
        Folder of another speech model.
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
        spoken: bool = False,
        model: Path | None = None,
    ) -> None:
        self.session = session
        self._logbook, self._number = logbook, number
        self._microphone, self._face = microphone, face
        self._listening = listening
        self._sound = sound
        self._status = Status()
        self._inbox: Inbox = queue.SimpleQueue()
        self._pieces: queue.SimpleQueue[Piece | None] = queue.SimpleQueue()
        self._speech = (
            HandsFree(self._inbox, microphone, listening.buzzer, model) if spoken else None
        )
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
        try:
            self._face.begin(self.session, self._status, self._inbox)
            with _signals_say_quit(self._inbox):
                for thread in self._threads:
                    thread.start()
                self._tick()
                while not self.session.finished and self._take(self._next()):
                    self._tick()
                self._drain()
        finally:
            self._stop_listening()
            self._microphone.close()
            if self._speech is not None:
                self._speech.close()
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
            item = TypedLine(words) if words is not None else None
        if isinstance(item, TypedLine):
            return self._answer(item.text)
        if isinstance(item, Spoken):
            self._take_spoken(item)
        if isinstance(item, _Failed):
            raise item.trouble
        if isinstance(item, EventDraft):
            self._log(self.session.event(item.kind, item.at_s, item.body))
        elif isinstance(item, _Ear):
            self._status.state, self._status.known = item.state, item.known
            self._status.heard_s = item.heard_s
            if item.buzzer is not None:
                self._log(self.session.event("buzzer", item.heard_s, print_body(item.buzzer)))
            for change in item.changes:
                self._log(self.session.heard(change, self._microphone.now_s()))
        elif isinstance(item, Level):
            self._status.level = item
        elif isinstance(item, Opened):
            self._status.input = f"{item.name}, {item.rate_hz} Hz"
        elif isinstance(item, Lost):
            self._status.input = self._status.state = None
        return True

    def _take_spoken(self, spoken: Spoken) -> None:
        """Do what was said aloud; log what was not understood."""
        assert self._speech is not None
        listening = self._speech.listening
        outcome = self._speech.take(spoken, self.session)
        heard = spoken.as_dict()
        understood, question = outcome.understood, outcome.question
        if spoken.reading is not None and self.session.moved_since(spoken.start_s):
            # It was said at another step than the one it would now be taken for.
            understood, question = False, STEP_CHANGED
        if not understood:
            if listening:
                body = {"words": heard["words"], "question": question, "heard": heard}
                self._log(self.session.event("unheard", spoken.start_s, body))
            return
        for line in outcome.lines:
            if self.session.finished:
                return
            self._answer(line, spoken.start_s, heard, line is outcome.lines[-1])

    def _answer(
        self,
        words: str,
        at_s: float | None = None,
        heard: dict[str, object] | None = None,
        aloud: bool = True,
    ) -> bool:
        said = words.strip()
        if said.casefold() in ("quit", "q"):
            return False
        if said:
            at_s = self._microphone.now_s() if at_s is None else at_s
            event = event_from(self.session, said, at_s, heard)
            if event.kind == "finished":
                # What the ear still holds belongs to the record.
                self._drain(at_s)
                if self.session.finished:
                    return True
                event = replace(event, seq=len(self.session.events) + 1)
            self._log(event, aloud)
        return True

    def _log(self, event: Event, aloud: bool = True) -> None:
        self._logbook.append(self._number, event)
        self.session.add(event)
        if event.kind == "finished":
            record = record_of(self._logbook, self._number, self.session)
            self._logbook.keep_record(self._number, as_json(record))
        self._face.show(event)
        if self._speech is not None:
            self._speech.expect(self.session)
            if aloud:
                self._speech.answer(self.session, event)

    def _drain(self, until_s: float = math.inf) -> None:
        """End listening and take in what it still brings, and what was said until a moment."""
        self._stop_listening()
        while not self._inbox.empty():
            item = self._inbox.get()
            said = isinstance(item, Spoken) and item.start_s < until_s
            if (said and not self.session.finished) or isinstance(
                item, EventDraft | _Ear | _Failed
            ):
                self._take(item)

    def _stop_listening(self) -> None:
        self._microphone.stop()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(STOP_S)
        if self._speech is not None:
            self._speech.stop()

    def _tick(self) -> None:
        self._status.now_s = self._microphone.now_s()
        if self._speech is not None:
            self._mind_speech(self._speech)
        self._face.tick()

    def _mind_speech(self, speech: HandsFree) -> None:
        """Say when speech no longer works; put aside what the program's own voice has made."""
        now_s = self._status.now_s
        while (why := speech.trouble()) is not None:
            self._log(self.session.event("speech", now_s, {"words": why}))
        for seq in speech.spoken_over(self.session, self._status.heard_s):
            body = {"event": seq, "reason": "heard while the program itself spoke"}
            self._log(self.session.event("ignored", now_s, body))

    # The threads ------------------------------------------------------------------------------

    def _guarded(self, work: Any) -> None:
        try:
            work()
        except BaseException as trouble:
            self._inbox.put(_Failed(trouble))

    def _keep(self) -> None:
        """Keep the sound, measure it, and hand it to the ear."""
        recorder = Recorder(self._sound, self._inbox)
        try:
            for item in self._microphone.heard():
                if isinstance(item, Piece):
                    recorder.take(item)
                    self._pieces.put(item)
                    if self._speech is not None:
                        self._speech.hear(item)
                else:
                    self._inbox.put(item)
                    if isinstance(item, Opened):
                        recorder.opened = item
                    else:
                        recorder.lost(item, self._microphone.now_s())
        finally:
            self._pieces.put(None)
            recorder.close()

    def _hear(self) -> None:
        """Be the ear."""
        listening = self._listening
        ear: LiveEar | None = None
        learnt, rate = listening.buzzer, 0
        last_state, last_s = None, -np.inf
        piece: Piece | None = None

        def report(ear: LiveEar, changes: list[Change], heard_s: float) -> None:
            nonlocal learnt, last_state, last_s
            is_new = listening.buzzer is None and ear.learnt is not learnt
            learnt = ear.learnt if is_new else learnt
            new = learnt if is_new else None
            if changes or new or ear.state != last_state or heard_s - last_s >= REPORT_S:
                if listening.distance_m is not None:
                    changes = [at_the_buzzer(c, listening.distance_m) for c in changes]
                last_state, last_s = ear.state, heard_s
                self._inbox.put(_Ear(changes, ear.state, ear.buzzer is not None, heard_s, new))

        while (following := self._pieces.get()) is not None:
            piece = following
            if ear is None or piece.rate_hz != rate:
                if ear is not None:
                    report(ear, ear.finish(), piece.start_s)
                rate = piece.rate_hz
                ear = LiveEar(rate, listening.sounding, learnt)
            report(ear, ear.hear(piece.block()), piece.end_s)
        if ear is not None and piece is not None:
            report(ear, ear.finish(), piece.end_s)


@contextmanager
def _signals_say_quit(inbox: Inbox) -> Iterator[None]:
    """Take Ctrl-C, and the end of the terminal, as the word quit: no event is left half done."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    kept = {
        number: signal.signal(number, lambda *_: inbox.put(TypedLine("quit")))
        for number in (getattr(signal, name) for name in names if hasattr(signal, name))
    }
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
