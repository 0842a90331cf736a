"""What is spoken in a recording: utterances, what they mean, and the readings they make."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from analysis.ear.buzzer import BuzzerPrint
from analysis.engine import Engine
from analysis.spoken.job import SpokenJob
from analysis.spoken.judge import Expected, Hypothesis, Judged, judge
from analysis.spoken.language import in_figures
from analysis.spoken.lines import lines_of
from listen.paths import StrPath
from listen.sources import open_recording
from listen.speech import Recogniser, Utterance, utterances_in


@dataclass(frozen=True)
class Spoken:
    """One utterance and what was made of it.

    Attributes
    ----------
    start_s, end_s : float
        Where the voice begins and ends.
    judged : Judged
    """

    start_s: float
    end_s: float
    judged: Judged

    @property
    def reading(self) -> str | None:
        """The likeliest reading in the trade's form; None when none was understood."""
        best = self.judged.best
        if best is None or best.mark is None or self.judged.act == "ignore":
            return None
        return in_figures(best.mark)

    @property
    def accepted(self) -> bool:
        """Whether there is a reading and nothing to ask about it."""
        return self.judged.act == "accept" and self.reading is not None

    @property
    def shown(self) -> str:
        """What was made of it, in a few words."""
        best = self.judged.best
        if best is None or self.judged.act == "ignore":
            return "-"
        return best.words() + ("" if self.judged.act == "accept" else "?")

    def as_dict(self) -> dict[str, object]:
        """Return it as the plain object that the JSON output shows."""
        return {
            "start_s": round(self.start_s, 3),
            "end_s": round(self.end_s, 3),
            "words": self.judged.heard,
            "reading": self.reading,
            "confidence": round(self.judged.confidence if self.reading else 0.0, 4),
            "accepted": self.accepted,
        }


def make_of(
    utterance: Utterance,
    hypotheses: Sequence[Hypothesis],
    expected: Expected = Expected(),  # noqa: B008
    cylinders: Sequence[str] = (),
    before: Spoken | None = None,
) -> Spoken:
    """Judge an utterance by what the recogniser wrote, and by what was said before it.

    Parameters
    ----------
    utterance : Utterance
        When it was said, and how long it took.
    hypotheses : sequence of Hypothesis
        What the recogniser wrote.
    expected : Expected
        What is plausible at this point of the job.
    cylinders : sequence of str
        Names on the sheet.
    before : Spoken, optional
        What was said last.
    """
    since_doubt_s = math.inf
    if before is not None and before.judged.doubted:
        since_doubt_s = utterance.start_s - before.end_s
    seconds = utterance.end_s - utterance.start_s
    judged = judge(hypotheses, seconds, expected, cylinders, since_doubt_s)
    if utterance.too_long:
        judged = Judged("ignore", (), judged.heard)
    return Spoken(utterance.start_s, utterance.end_s, judged)


def spoken_in(recording: StrPath, model: StrPath | None = None) -> Iterator[Spoken]:
    """Find what is spoken in a recording, utterance by utterance.

    Raises
    ------
    BadInput
        If the recording cannot be read, or the speech engine cannot be loaded.
    """
    source = open_recording(recording)
    recogniser = Recogniser(model)
    spoken = None
    for utterance in utterances_in(source.blocks()):
        spoken = make_of(utterance, recogniser.write_down(utterance.samples), before=spoken)
        yield spoken


def job_spoken_in(
    recording: StrPath,
    engine: Engine,
    model: StrPath | None = None,
    buzzer: BuzzerPrint | None = None,
    tell: Callable[[Spoken], None] = lambda spoken: None,
) -> SpokenJob:
    """Follow a job that is spoken in a recording.

    Parameters
    ----------
    recording : str or path
        Any file a phone or camera makes.
    engine : Engine
        The sheet: what is plausible, and which cylinders there are.
    model : str or path, optional
        Folder of another speech model.
    buzzer : BuzzerPrint, optional
        The buzzer in the recording, where it is known: its lines are taken out.
    tell : callable
        Told each utterance as it is understood.

    Returns
    -------
    SpokenJob
        Its readings, its notes, and its questions: what was said and could not be taken.

    Raises
    ------
    BadInput
        As `spoken_in` does.
    """
    source = open_recording(recording)
    recogniser = Recogniser(model)
    job = SpokenJob(engine)
    names = [cylinder.name for cylinder in engine.cylinders]
    lines = lines_of(buzzer) if buzzer is not None else ()
    spoken = None
    for utterance in utterances_in(source.blocks(), lines):
        hypotheses = recogniser.write_down(utterance.samples)
        spoken = make_of(utterance, hypotheses, job.expected(), names, spoken)
        job.take(spoken.start_s, spoken.judged)
        tell(spoken)
    return job
