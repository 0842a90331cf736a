"""A change of the buzzer's sound: the one thing the ear reports."""

from dataclasses import dataclass
from typing import Literal

Sounding = Literal["open", "closed", "both"]
"""When the buzzer sounds: while the points are open, while they are closed, or both."""

Kind = Literal["starts", "stops", "shifts"]
Points = Literal["open", "closed"]


@dataclass(frozen=True)
class Change:
    """One change of the buzzer's sound.

    Attributes
    ----------
    time_s : float
        First sign of the change, in seconds since listening began.
    settled_s : float
        When the chatter was over and the new sound steady, in seconds.
    uncertainty_s : float
        One standard uncertainty of `time_s`, in seconds.
    change : {"starts", "stops", "shifts"}
        What the sound did.
    points : {"open", "closed"} or None
        What the points did; None when it was not told which sound belongs to which.
    margin_db : float
        How far the two states stood apart at this change, in decibels.
    """

    time_s: float
    settled_s: float
    uncertainty_s: float
    change: Kind
    points: Points | None
    margin_db: float

    def as_dict(self) -> dict[str, object]:
        """Return the change as the plain object that the JSON output shows."""
        return {
            "time_s": round(self.time_s, 6),
            "settled_s": round(self.settled_s, 6),
            "uncertainty_s": round(self.uncertainty_s, 6),
            "change": self.change,
            "points": self.points,
            "margin_db": round(self.margin_db, 1),
        }
