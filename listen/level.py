"""How loud the sound is, and what to do about it.

Conventions
-----------
Levels are in decibels of full scale (dBFS): the mean of a full-scale sine is -3.
A second of sound is judged at a time. Limits: from memory, tried on phones and sound cards.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

State = Literal["good", "clipped", "quiet", "silent"]

WINDOW_S = 1.0
QUIET_DBFS = -70.0
CLIPPED_SHARE = 0.001
_FULL = 32767

WHAT_TO_DO: dict[State, str] = {
    "good": "the level is good",
    "clipped": "too loud: turn the microphone's level down, or move it away from the buzzer",
    "quiet": "very quiet: move the microphone nearer to the buzzer, or turn its level up",
    "silent": "silence only: the microphone is muted, unplugged, or this program may not use it",
}


@dataclass(frozen=True)
class Level:
    """The level of the last second.

    Attributes
    ----------
    mean_dbfs : float
    state : {"good", "clipped", "quiet", "silent"}
    """

    mean_dbfs: float
    state: State


class LevelMeter:
    """Measure the level of sound that comes in pieces."""

    def __init__(self, rate_hz: int) -> None:
        self._window = round(WINDOW_S * rate_hz)
        self._begin()

    def _begin(self) -> None:
        self._count = self._clipped = self._peak = 0
        self._energy = 0.0

    def add(self, samples: npt.NDArray[np.int16]) -> Level | None:
        """Take a piece; return the level when a second is full."""
        wide = np.abs(samples.astype(np.int32))
        self._count += len(samples)
        self._clipped += int(np.count_nonzero(wide >= _FULL))
        self._peak = max(self._peak, int(wide.max(initial=0)))
        self._energy += float(np.square(wide, dtype=np.float64).sum())
        if self._count < self._window:
            return None
        mean = 10 * np.log10(self._energy / self._count / _FULL**2 + 1e-12)
        level = Level(float(mean), self._judge(mean))
        self._begin()
        return level

    def _judge(self, mean_dbfs: float) -> State:
        if self._peak == 0:
            return "silent"
        if self._clipped > CLIPPED_SHARE * self._count:
            return "clipped"
        return "quiet" if mean_dbfs < QUIET_DBFS else "good"
