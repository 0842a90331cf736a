"""The steps of a timing job, in their usual order, and what is said at each.

References
----------
The order of the steps and the cautions: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from analysis.engine import Engine
from analysis.reading import ReadingStep

JobStep = Literal["start", "buzzer", "centre", "found", "set", "watch", "check", "record"]
WHERE_READINGS_BELONG: Mapping[JobStep, ReadingStep] = {
    "centre": "stop",
    "found": "opening",
    "check": "opening",
}
"""What a plain reading is of, by step."""


@dataclass(frozen=True)
class Place:
    """Where in the job: a step, and the cylinder it is done for.

    Attributes
    ----------
    step : str
    cylinder : str or None
    reads : str or None
        What a plain reading is of, where that is not what the step tells.
    """

    step: JobStep
    cylinder: str | None = None
    reads: ReadingStep | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return TITLES[self.step] + (f", cylinder {self.cylinder}" if self.cylinder else "")


TITLES: Mapping[JobStep, str] = {
    "start": "before you start",
    "buzzer": "the buzzer",
    "centre": "dead centre",
    "found": "as found",
    "set": "set the points",
    "watch": "watch while tightening",
    "check": "check, as left",
    "record": "the record",
}

WHAT_TO_DO: Mapping[JobStep, str] = {
    "start": "Make the machine safe, have the maker's manual at hand, then: next",
    "buzzer": "Open and close the points a few times. If it asks, type open or closed, as they "
    "stand now.",
    "centre": "Rough dead centre first, then the piston against the stop from both sides: "
    "type each reading with its side. Wheel set true since? zeroed",
    "found": "Touch nothing yet. Back off to 50 or 60 before, come up slowly in the running "
    "direction, stop as the points open, type the reading. Other cylinders: go found 2",
    "set": "Lock the advance unit full out, hold the crank at the figure, and move the points "
    "to the hairline; each opening and closing is called.",
    "watch": "Tighten up. Any change is called at once: the points moved.",
    "check": "Back off to 50 or 60 before, come up slowly in the running direction, stop as "
    "the points open, type the reading. Three or more.",
    "record": "See what the record says, then: next closes it. Words that help: ignore, "
    "correct, strike, note",
}

CAUTIONS: Mapping[JobStep, str] = {
    "start": "Ignition dead, plugs out, out of gear, fuel off, machine held. Where the maker's "
    "manual differs, follow the manual.",
    "buzzer": "A magneto can kick: keep phone and sound card off its leads.",
    "centre": "Turn by hand, bring the piston up to the stop gently, never force it. "
    "Stop out before any full turn.",
    "found": "Is the piston stop out? Hands clear of belts and chains; turn by hand only.",
    "set": "Crank and machine held; a locked advance unit must be freed again afterwards.",
    "watch": "Mind the tool on the last quarter turn: it moves the points.",
    "check": "Is the piston stop out? A sweep that went too far starts again from 50 or 60 before.",
    "record": "Piston stop out, advance unit freed, tools off the flywheel before she is started.",
}


def plan(engine: Engine) -> tuple[Place, ...]:
    """Return the steps of the job in their usual order.

    The points are set by the first cylinder; the others, in the sheet's order, are checked.
    """
    first = engine.first
    others = [cylinder for cylinder in engine.cylinders if cylinder is not first]
    whole: tuple[JobStep, ...] = ("centre", "found", "set", "watch", "check")
    checked: tuple[JobStep, ...] = ("centre", "check")
    return (
        Place("start"),
        Place("buzzer"),
        *(Place(step, first.name) for step in whole),
        *(Place(step, other.name) for other in others for step in checked),
        Place("record"),
    )
