"""Spoken readings and words in a live session, and the answers to them.

Brings together the listener, the recogniser in its own process, the talk and the voice. What is
heard goes into the session's inbox as `Spoken`, what becomes of the engine as `EventDraft`.
"""

import queue
from pathlib import Path
from typing import Any

import numpy as np

from analysis.ear.buzzer import BuzzerPrint
from analysis.spoken.dialogue import Dialogue, Outcome
from analysis.spoken.lines import lines_of
from listen.aloud import aloud, what_now
from listen.event import Event, EventDraft
from listen.listener import Listener
from listen.loudspeaker import Loudspeaker
from listen.microphone import Microphone, Piece
from listen.recogniser import OwnProcess
from listen.session import Session
from listen.spoken import Spoken
from listen.voice import Spoke, Voice

READY = "you may speak: readings and words are taken by ear too"
LAST_WORDS_S = 6.0
"""How long the end of a session waits for what is still being said or recognised."""
REST_S = 1.0
"""How far the ear must have come after the program spoke before that is looked back on."""


class HandsFree:
    """Hears what is said at the engine and answers.

    Parameters
    ----------
    inbox : SimpleQueue
        Takes a `Spoken` for every utterance, an `EventDraft` when it can hear, or no longer can.
    microphone : Microphone
        Its clock.
    buzzer : BuzzerPrint, optional
        Where it is known.
    model : path, optional
        Folder of another speech model.
    """

    def __init__(
        self,
        inbox: queue.SimpleQueue[Any],
        microphone: Microphone,
        buzzer: BuzzerPrint | None = None,
        model: Path | None = None,
    ) -> None:
        self._inbox, self._now, self._model = inbox, microphone.now_s, model
        self._recogniser: OwnProcess | None = None
        self._loudspeaker = Loudspeaker()
        self._spoke = Spoke()
        self._voice = Voice(self._now, self._spoke, self._loudspeaker.play)
        self._dialogue = Dialogue()
        self._last_said = ""
        self._troubles: set[str] = set()
        self._looked_back_s = -np.inf
        self._end_s: float | None = None
        lines = lines_of(buzzer) if buzzer is not None else ()
        self._listener = Listener(inbox.put, self._spoke, self._load, lines)

    def _load(self) -> OwnProcess:
        self._recogniser = OwnProcess(self._model)
        self._inbox.put(EventDraft("speech", self._now(), {"words": READY, "aloud": "listening"}))
        return self._recogniser

    def hear(self, piece: Piece) -> None:
        """Take sound; returns at once."""
        lost = 0 if self._end_s is None else round((piece.start_s - self._end_s) * piece.rate_hz)
        self._end_s = piece.end_s
        self._listener.hear(piece.block(max(0, lost)))

    def expect(self, session: Session) -> None:
        """Know what is plausible now."""
        self._listener.expected = session.expected
        self._listener.cylinders = [cylinder.name for cylinder in session.engine.cylinders]

    def take(self, spoken: Spoken, session: Session) -> Outcome:
        """Return what is to be done about an utterance, and answer what only asks."""
        outcome = self._dialogue.take(spoken.judged, spoken.start_s)
        if outcome.about is not None:
            answers = {
                "again": self._last_said or "nothing was said",
                "what now": what_now(session),
            }
            self._say(answers.get(outcome.about, outcome.about))
        return outcome

    @property
    def listening(self) -> bool:
        """Nobody has said "stop listening"."""
        return self._dialogue.listening

    def answer(self, session: Session, event: Event) -> None:
        """Answer an event aloud, which is in the logbook."""
        if event.kind in ("reading", "corrected", "struck", "moved"):
            self._dialogue.settle()
        words = aloud(session, event)
        if words:
            self._say(words)

    def _say(self, words: str) -> None:
        self._last_said = words
        self._voice.say(words)

    def spoken_over(self, session: Session, heard_s: float) -> list[int]:
        """Return the changes, by their events, that the program's own voice has made."""
        found: list[int] = []
        for start_s, end_s in self._spoke.spans():
            if self._looked_back_s < end_s < heard_s - REST_S:
                self._looked_back_s = end_s
                found += session.spoken_over(start_s, end_s)
        return found

    def trouble(self) -> str | None:
        """Return, once, why speech or the voice no longer works."""
        gone = None if self._recogniser is None else self._recogniser.trouble
        for words in (self._listener.trouble or gone, self._voice.trouble):
            if words is not None and words not in self._troubles:
                self._troubles.add(words)
                return words
        return None

    def stop(self) -> None:
        """Take in what is left of the sound, and hear no more."""
        self._listener.close(LAST_WORDS_S)

    def close(self) -> None:
        """Say what is left, and end."""
        self._voice.close(LAST_WORDS_S)
        self._loudspeaker.end()
        if self._recogniser is not None:
            self._recogniser.end()
