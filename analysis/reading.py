"""A wheel reading: one thing the mechanic wrote down, with its moment and its purpose."""

from dataclasses import dataclass
from typing import Literal

from analysis.wheel import Mark

ReadingStep = Literal["stop", "zeroed", "opening", "closing"]
Phase = Literal["found", "left"]

STEPS: tuple[ReadingStep, ...] = ("stop", "zeroed", "opening", "closing")
PHASES: tuple[Phase, ...] = ("found", "left")
Advance = Literal["full", "static"]
Sweep = Literal["forward", "backward"]


@dataclass(frozen=True)
class Reading:
    """A wheel reading.

    Attributes
    ----------
    time_s : float
        When it was given, in seconds since listening began.
    step : {"stop", "zeroed", "opening", "closing"}
        ``stop``: the piston rests on the piston stop. ``zeroed``: the wheel was moved to show
        true dead centre. ``opening``, ``closing``: the points opened or closed here.
    cylinder : str or None
        Its name on the sheet; None for a ``zeroed`` that names none.
    mark : Mark or None
        What the wheel showed; None only for ``zeroed``.
    written : str
        The words or keys it came from.
    phase : {"found", "left"}
        Before anything was touched, or after the last adjustment.
    advance : {"full", "static"}
        Advance unit held at full advance, or at rest.
    sweep : {"forward", "backward"}
        Crank turned in its running direction, or against it.
    struck : bool
        It does not count any more: kept and shown, and left out of everything.
    row : int or None
        The row of the readings file it stands in.
    """

    time_s: float
    step: ReadingStep
    cylinder: str | None
    mark: Mark | None
    written: str
    phase: Phase = "left"
    row: int | None = None
    advance: Advance = "full"
    sweep: Sweep = "forward"
    struck: bool = False

    def where(self) -> str:
        """Return words that lead the user to this reading."""
        place = f"row {self.row}" if self.row is not None else f"{self.time_s:.1f} s"
        return f"{self.step} {self.written} ({place})" if self.written else f"{self.step} ({place})"

    def as_dict(self) -> dict[str, object]:
        """Return the reading as the plain object that the record shows."""
        return {
            "time_s": self.time_s,
            "step": self.step,
            "cylinder": self.cylinder,
            "reading": self.written,
            "phase": self.phase,
            "row": self.row,
            "advance": self.advance,
            "sweep": self.sweep,
            "struck": self.struck,
        }
