"""Listening for speech while something else listens for the buzzer.

A `Listener` has a thread of its own: `hear` only puts a block into a queue, so that the ear never
waits for speech. Live, the recogniser is `listen.recogniser.OwnProcess`. If the engine fails or
hangs, `trouble` says so, sound is no longer taken, and the session goes on typed.

What is said while the program speaks, or runs into that, is not understood: half an utterance may
be a whole one of another meaning.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from analysis.sound import Block, Samples
from analysis.spoken.judge import Expected, Hypothesis, Judged
from listen.errors import BadInput
from listen.recogniser import HANGS_S
from listen.speech import Recogniser, Utterance, Utterances
from listen.spoken import Spoken, make_of
from listen.voice import Spoke

WAITING_BLOCKS = 2000
OWN_S = 0.2
"""How far the program's own voice may be heard before or after the time it is known to speak."""


class WritesDown(Protocol):
    """A recogniser."""

    def write_down(self, samples: Samples) -> Sequence[Hypothesis]:
        """See `listen.speech.Recogniser`."""


class Listener:
    """Hears blocks, reports what was spoken.

    Parameters
    ----------
    report : callable
        Called in the listener's thread with each `Spoken`.
    spoke : Spoke
        When the program itself spoke: then it does not listen.
    make_recogniser : callable, optional
        Makes the recogniser, in the listener's thread.
    known_hz : sequence of float
        Lines of the buzzer, where it was learnt.

    Attributes
    ----------
    expected : Expected
        What is plausible now; the session sets it whenever it changes.
    cylinders : sequence of str
        Their names on the sheet.
    """

    def __init__(
        self,
        report: Callable[[Spoken], None],
        spoke: Spoke,
        make_recogniser: Callable[[], WritesDown] = Recogniser,
        known_hz: Sequence[float] = (),
    ) -> None:
        self.expected = Expected()
        self.cylinders: Sequence[str] = ()
        self._report, self._spoke, self._make = report, spoke, make_recogniser
        self._known_hz = known_hz
        self._blocks: queue.Queue[Block | None] = queue.Queue(WAITING_BLOCKS)
        self._trouble: str | None = None
        self._busy_since: float | None = None
        self._written: tuple[float, Sequence[Hypothesis]] | None = None
        self._last: Spoken | None = None
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)
        self._thread.start()

    @property
    def trouble(self) -> str | None:
        """Why speech is no longer heard, in words for the user; None while it is."""
        since = self._busy_since
        if self._trouble is None and since is not None and time.monotonic() - since > HANGS_S:
            self._trouble = "the speech engine hangs; readings can still be typed"
        return self._trouble

    def hear(self, block: Block) -> None:
        """Take a block; returns at once."""
        if self.trouble is not None:
            return
        try:
            self._blocks.put_nowait(block)
        except queue.Full:
            self._trouble = "the speech engine does not keep up; readings can still be typed"

    def close(self, wait_s: float = HANGS_S) -> None:
        """Hear what is left, report it, and end."""
        with contextlib.suppress(queue.Full):
            self._blocks.put_nowait(None)
        if self.trouble is None:
            self._thread.join(timeout=wait_s)

    def _run(self) -> None:
        try:
            self._recogniser = self._make()
            cutter = Utterances(self._known_hz, perhaps=self._perhaps)
            while (block := self._blocks.get()) is not None:
                self._tell(cutter.hear(block))
            self._tell(cutter.finish())
        except BadInput as trouble:
            self._trouble = str(trouble)
        except Exception as trouble:  # whatever the engine raises, the session goes on
            self._trouble = f"the speech engine failed ({trouble!r}); readings can still be typed"

    def _tell(self, utterances: Sequence[Utterance]) -> None:
        for utterance in utterances:
            over = self._spoke.covers(utterance.start_s, utterance.end_s)
            if over and self._spoke.all_of(utterance.start_s + OWN_S, utterance.end_s - OWN_S):
                continue
            if self._written is None or self._written[0] != utterance.end_s:
                self._write_down(utterance)
            assert self._written is not None
            written = self._written[1]
            spoken = make_of(utterance, written, self.expected, self.cylinders, self._last)
            if over:
                judged = Judged("ignore", (), spoken.judged.heard)
                spoken = Spoken(spoken.start_s, spoken.end_s, judged)
            self._last = spoken
            self._report(spoken)

    def _perhaps(self, utterance: Utterance) -> None:
        if not self._spoke.covers(utterance.start_s, utterance.end_s):
            self._write_down(utterance)

    def _write_down(self, utterance: Utterance) -> None:
        """Recognise an utterance and keep what was written until it has surely ended."""
        self._busy_since = time.monotonic()
        self._written = utterance.end_s, self._recogniser.write_down(utterance.samples)
        self._busy_since = None
