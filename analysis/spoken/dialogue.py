"""The talk with the mechanic: from what was judged of each utterance to what is done about it.

What is accepted becomes lines of words, as they might have been typed. A doubt is asked, and what
is said next is weighed with it: two utterances that both leave thirteen likelier than thirty leave
it much likelier, as independent evidence does (Bayes' rule). A second doubt about the same two asks
for the digits one by one, which do not sound alike.
"""

from dataclasses import dataclass
from typing import Literal

from analysis.spoken.commands import Command, remark
from analysis.spoken.judge import Candidate, Judged, decide
from analysis.spoken.language import in_figures

UNNAMED = 0.02
"""Probability of a meaning that an utterance did not suggest at all."""
DIGITS = "say it digit by digit"
ANSWER_S = 20.0
"""What is said later than this after a doubt is no answer to it."""


@dataclass(frozen=True)
class Outcome:
    """What is done about an utterance.

    Attributes
    ----------
    lines : tuple of str
        Words for the session, in order.
    understood : bool
        Somebody spoke to the program and it knows what was meant.
    question : str or None
        What to ask, where it does not.
    about : {"again", "what now", "listening", "not listening"} or None
        What it is asked or told about itself.
    judged : Judged
    """

    judged: Judged
    lines: tuple[str, ...] = ()
    understood: bool = False
    question: str | None = None
    about: Literal["again", "what now", "listening", "not listening"] | None = None


class Dialogue:
    """Follows the talk.

    Attributes
    ----------
    listening : bool
        False between "stop listening" and "start listening".
    """

    def __init__(self) -> None:
        self.listening = True
        self._doubted: Judged | None = None
        self._doubted_s = 0.0

    def settle(self) -> None:
        """Know that what was in doubt has been given in another way."""
        self._doubted = None

    def take(self, judged: Judged, at_s: float = 0.0) -> Outcome:
        """Take what was judged of an utterance, and when that was said, in seconds."""
        before, self._doubted = self._doubted, None
        if at_s - self._doubted_s > ANSWER_S:
            before = None
        if before is not None:
            judged = weigh(before, judged)
        if judged.act != "accept" or judged.best is None:
            if judged.act == "ignore" or not self.listening:
                self._doubted = before
                return Outcome(judged)
            self._doubted, self._doubted_s = judged, at_s
            again = before is not None and before.act == judged.act == "offer"
            return Outcome(judged, question=DIGITS if again else judged.question())
        return self._obey(judged)

    def _obey(self, judged: Judged) -> Outcome:
        assert judged.best is not None
        lines: list[str] = []
        about = None
        for command in judged.best.commands:
            if command.word in ("start listening", "stop listening"):
                self.listening = command.word == "start listening"
                about = "listening" if self.listening else "not listening"
            elif self.listening and command.word in ("again", "what now"):
                about = command.word
            elif self.listening:
                lines.append(_line(command, judged.heard))
        if judged.best.mark is not None and self.listening:
            lines.append(in_figures(judged.best.mark))
        understood = bool(lines) or about is not None
        return Outcome(judged, tuple(lines), understood, about=about)  # type: ignore[arg-type]


def weigh(before: Judged, now: Judged) -> Judged:
    """Weigh an utterance together with the doubtful one before it, of the same meaning perhaps."""
    if not (now.doubted and now.candidates):
        return now
    earlier = {c.meaning: c.probability for c in before.candidates}
    odds = [c.probability * earlier.get(c.meaning, UNNAMED) for c in now.candidates]
    left = max(0.0, 1.0 - sum(c.probability for c in now.candidates)) * UNNAMED
    whole = sum(odds) + left
    if whole <= 0.0 or now.candidates[0].meaning not in earlier:
        return now
    return decide(
        [Candidate(c.meaning, p / whole) for c, p in zip(now.candidates, odds, strict=True)],
        now.heard,
    )


def _line(command: Command, heard: str) -> str:
    if command.word == "note":
        return f"note {remark(heard)}"
    return f"{command.word} {command.argument}".strip()
