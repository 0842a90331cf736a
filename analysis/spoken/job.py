"""A job that is spoken: steps, cylinders and readings, in the order they were said.

A step or cylinder holds until another is said; a job begins with openings of the first cylinder.
"Strike" takes back the last reading that still stands, as often as it is said; a struck reading is
kept and shown. What was not sure enough to accept is no reading: it stands among `questions`, as it
would have been asked. Nothing is taken between "stop listening" and "start listening".
"""

from collections.abc import Sequence
from dataclasses import replace

from analysis.engine import Engine
from analysis.reading import Phase, Reading, ReadingStep
from analysis.spoken.commands import STEPS, Command, remark
from analysis.spoken.judge import Expected, Judged
from analysis.spoken.language import in_figures
from analysis.wheel import meanings

_LAST = 4
"""How many readings back tell what is plausible."""


def expected(
    engine: Engine, step: ReadingStep, cylinder: str, readings: Sequence[Reading]
) -> Expected:
    """Return what is plausible for the next reading of a step and cylinder.

    Parameters
    ----------
    engine : Engine
        Its wheel, and where on it the points of this cylinder should open.
    step, cylinder : str
        What the next reading is of.
    readings : sequence of Reading
        Those that stand, in order of time.
    """
    zeroing = _zeroing_due(readings)
    if step == "stop":
        return Expected(engine.wheel, zeroing=zeroing)
    figure = engine.opens_at_deg - engine.cylinder(cylinder).fires_at_deg
    last = [
        angle
        for reading in readings
        if reading.mark and (reading.step, reading.cylinder) == (step, cylinder)
        for angle in meanings(reading.mark, engine.wheel)
    ]
    return Expected(engine.wheel, (figure, *last[-_LAST:]), zeroing=zeroing)


def _zeroing_due(readings: Sequence[Reading]) -> bool:
    """Return whether the stop has been read on both sides since the wheel was last moved."""
    steps = [reading.step for reading in readings]
    if "zeroed" in steps:
        steps = steps[len(steps) - steps[::-1].index("zeroed") :]
    return steps.count("stop") >= 2


class SpokenJob:
    """Follows what is said and keeps the readings.

    Parameters
    ----------
    engine : Engine
        Whose wheel, figure and cylinders make sense of what is said.

    Attributes
    ----------
    readings : list of Reading
        Struck ones among them.
    questions : list of str
        What was not sure, or could not be used, in words for the user.
    notes : list of (float, str)
        Time and words of each note.
    step, cylinder, phase : str
        What the next reading is of.
    listening : bool
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.readings: list[Reading] = []
        self.questions: list[str] = []
        self.notes: list[tuple[float, str]] = []
        self.step: ReadingStep = "opening"
        self.cylinder = engine.first.name
        self.phase: Phase = "left"
        self.listening = True

    def expected(self) -> Expected:
        """Return what is plausible for the next reading."""
        standing = [reading for reading in self.readings if not reading.struck]
        return expected(self.engine, self.step, self.cylinder, standing)

    def take(self, time_s: float, judged: Judged) -> Reading | None:
        """Take what was said at a time; return the reading it made, if it made one."""
        best = judged.best
        if judged.act != "accept" or best is None:
            if judged.doubted and self.listening:
                self.questions.append(
                    f"at {time_s:.1f} s, {judged.heard!r} was not sure enough: {judged.question()}"
                )
            return None
        for command in best.commands:
            self._obey(time_s, command, judged.heard)
        if best.mark is None or not self.listening:
            return None
        return self._keep(
            Reading(time_s, self.step, self.cylinder, best.mark, in_figures(best.mark), self.phase)
        )

    def _obey(self, time_s: float, command: Command, heard: str) -> None:
        if command.word in ("stop listening", "start listening"):
            self.listening = command.word == "start listening"
        elif not self.listening:
            return
        elif command.word == "zeroed":
            self._keep(Reading(time_s, "zeroed", None, None, "", self.phase))
        elif command.word in STEPS:
            self.step = command.word  # type: ignore[assignment]
        elif command.word == "cylinder":
            self.cylinder = command.argument
        elif command.word in ("as found", "as left"):
            self.phase = "found" if command.word == "as found" else "left"
            self.step = "opening"
        elif command.word == "strike":
            self._strike(time_s)
        elif command.word == "note":
            self.notes.append((time_s, remark(heard)))

    def _keep(self, reading: Reading) -> Reading:
        self.readings.append(reading)
        return reading

    def _strike(self, time_s: float) -> None:
        for place in range(len(self.readings) - 1, -1, -1):
            if not self.readings[place].struck:
                self.readings[place] = replace(self.readings[place], struck=True)
                return
        self.questions.append(f"at {time_s:.1f} s, strike: there is no reading to strike")
