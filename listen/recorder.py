"""All incoming sound is recorded here: kept, its level measured, and gaps and losses told."""

import queue
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from listen.errors import BadInput
from listen.event import EventDraft, EventKind
from listen.kept_sound import SoundKeeper
from listen.level import WHAT_TO_DO, LevelMeter
from listen.microphone import Lost, Opened, Piece

KEEP_EVERY_S = 0.2
BAD_SECONDS = 3
"""For how long a level must be bad before it is said."""


class Recorder:
    """Keeps the sound, and says what is to be said of it.

    Parameters
    ----------
    folder : Path or None
        Where the sound is kept.
    inbox : SimpleQueue
        Takes an `EventDraft` for every event, and every `Level`.

    Attributes
    ----------
    opened : Opened or None
        The input that is listened to.
    """

    def __init__(self, folder: Path | None, inbox: queue.SimpleQueue[Any]) -> None:
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
        """Take a piece of sound."""
        last = self._last
        is_cut = last is not None and piece.start_s - last.end_s > 1e-6
        if last is not None and (is_cut or self._gone):
            self._settle()
            why = "the microphone was gone" if self._gone else "the sound card lost samples"
            from_s = last.end_s if is_cut else piece.start_s  # it was only held up
            self._made("gap", piece.start_s, {"from_s": from_s, "to_s": piece.start_s, "why": why})
        if last is None or last.rate_hz != piece.rate_hz:
            self._begin(piece)
        self._last, self._gone = piece, False
        self._waiting.append(piece)
        if piece.end_s - self._waiting[0].start_s >= KEEP_EVERY_S:
            self._settle()

    def lost(self, item: Lost, now_s: float) -> None:
        """Say that the input is lost."""
        self._gone = True
        self._made("lost", now_s, {"why": item.why})

    def close(self) -> None:
        """Finish the file."""
        self._settle()
        if self._keeper is not None:
            self._keeper.close()

    def _begin(self, piece: Piece) -> None:
        """Begin a file, and say what is listened to."""
        self.close()
        self._meter = LevelMeter(piece.rate_hz)
        self._first_at, name = piece.at, None
        if self._folder is not None:
            kept = [int(path.stem) for path in self._folder.glob("*.flac") if path.stem.isdecimal()]
            number = 1 + max(kept, default=0)
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

    def _made(self, kind: EventKind, at_s: float, body: Mapping[str, Any]) -> None:
        self._inbox.put(EventDraft(kind, at_s, body))
