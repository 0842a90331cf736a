"""The last beep of a train, and the first: points that close or chatter in one cut it short.

Meaning
-------
A pulsed buzzer's clock runs on by itself, so when the points stay open the next beep comes a
period after the last began. What comes of it when they close meanwhile may be too short for the
frames to show: some milliseconds. But when it would begin is known, and so is how loud it would
be, from the beep before. So the ear looks there: how long, from that moment, does the sound stand
above what the gap before it holds? The points closed when it ended. Before the first beep that the
frames show it looks in the same way, backwards: the points chattered in the one before.

Conventions
-----------
Times are seconds from the first sample of the stretch handed in. Filters have no delay.

Sources
-------
E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100: the running sum of log
odds. Periods of beepers: see :mod:`.beeps`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.ear.beeps import beat
from analysis.ear.firstsign import STEP_S
from analysis.ear.stretch import Stretch, log_odds_of_level

Array = npt.NDArray[np.float64]

LEAST_LOG_ODDS = 5.0
"""Log odds from which a short beep is believed."""
LEAST_S = 0.003
"""A beep that is shorter is none: it hardly comes up."""
EARLY_S = 0.003
"""How far the clock may be out."""
BESIDE_S = 0.006
"""How far either side of a beep its level may still rise or fall."""
STILL = 0.6
"""Part of its greatest level down to which a beep still sounds."""
UNCERTAINTY_S = 0.0015
LEAST_STEPS = 3
"""So many steps of a beep that chatters show that it is heard there."""
LATEST_BEEPS = 40
ANEW = 1.7
"""So many periods after the last beep the next begins a train."""


@dataclass(frozen=True)
class Due:
    """The beep that would come next.

    Attributes
    ----------
    start_s : float
        When it would begin, in seconds since listening began.
    beep_s : float
        How long a beep lasts.
    last_s : (float, float)
        When the last one began and ended.
    """

    start_s: float
    beep_s: float
    last_s: tuple[float, float]

    def after(self, origin_s: float) -> "Due":
        """Return the same beep with its times counted from another moment."""
        began_s, ended_s = self.last_s
        return Due(self.start_s - origin_s, self.beep_s, (began_s - origin_s, ended_s - origin_s))


class Beeps:
    """The clock of the beeps heard so far."""

    def __init__(self) -> None:
        self._starts: list[float] = []
        self._lengths: list[float] = []

    def starts(self, time_s: float) -> None:
        """Take the beginning of a beep."""
        self._starts = [*self._starts, time_s][-LATEST_BEEPS:]

    def before(self, time_s: float, heard_s: float) -> Due | None:
        """Return the beep before the first of a train, if they keep to a clock, seen backwards.

        The first began at `time_s` and was heard until `heard_s`, from which times are counted.
        """
        period_s = beat(self._starts)
        if period_s is None or not self._lengths:
            return None
        beep_s = float(np.median(self._lengths))
        if time_s - self._starts[-1] < ANEW * period_s or beep_s > 0.9 * period_s:
            return None
        first_s = min(heard_s - time_s, beep_s)
        return Due(first_s + period_s - beep_s, beep_s, (0.0, first_s))

    def stops(self, time_s: float) -> Due | None:
        """Take the end of a beep; return the one that would be next, if they keep to a clock."""
        if not self._starts:
            return None
        last = self._starts[-1]
        self._lengths = [*self._lengths, time_s - last][-LATEST_BEEPS:]
        period_s = beat(self._starts)
        if period_s is None:
            return None
        beep_s = float(np.median(self._lengths))
        if not 0.8 * beep_s < time_s - last < 1.2 * beep_s or beep_s > 0.9 * period_s:
            return None  # cut short itself, or no beep
        return Due(last + period_s, beep_s, (last, time_s))


def cut_short(stretch: Stretch, due: Due) -> tuple[float, float] | None:
    """Return when the due beep began and ended, in s, if it was cut short; None if none came.

    Parameters
    ----------
    stretch : Stretch
        The sound from the last beep to the end of the due one; `before` is silence.
    due : Due
        The beep, on the time scale of the stretch.
    """
    found = _there(stretch, due)
    if found is None:
        return None
    weights, level = found
    top = int(np.cumsum(weights).argmax())
    heard = level[: top + 1]
    return _from(due, int(np.flatnonzero(heard > STILL * heard.max())[-1]) + 1)


def broken_up(stretch: Stretch, due: Due) -> tuple[float, float] | None:
    """Return when the due beep began and when it was last heard, in s, as `cut_short`.

    Between, it may come and go.
    """
    found = _there(stretch, due)
    if found is None:
        return None
    plain = np.convolve(found[0], np.ones(LEAST_STEPS), "valid") > LEAST_LOG_ODDS
    return _from(due, int(np.flatnonzero(plain)[-1]) + LEAST_STEPS) if plain.any() else None


def _there(stretch: Stretch, due: Due) -> tuple[Array, Array] | None:
    """Return the log odds of each step of the due beep, and its level; None if there is no beep."""
    sounding = 1 - stretch.before
    if not stretch.tell.responses[sounding].any():
        return None
    on = _between(due.last_s[0] + BESIDE_S, due.last_s[1] - BESIDE_S)
    gap = _between(due.last_s[1] + BESIDE_S, due.start_s - BESIDE_S)
    gap = slice((gap.start + gap.stop) // 2, gap.stop)  # its first half holds a room's echo
    if min(on.stop - on.start, gap.stop - gap.start) < 5:
        return None
    power = stretch.power(sounding)
    flanked = stretch.tell.flanks[sounding].any()
    beside = stretch.power(sounding, beside=True) if flanked else None
    there = _between(due.start_s - EARLY_S, due.start_s + due.beep_s + EARLY_S)
    weights = log_odds_of_level(power, beside, gap, on)[there]
    if len(weights) == 0 or np.cumsum(weights).max() < LEAST_LOG_ODDS:
        return None
    return weights, np.sqrt(power[there])


def _from(due: Due, steps: int) -> tuple[float, float] | None:
    """Return when a beep begins and ends that is heard for so many steps, if that is no moment."""
    end_s = (_between(due.start_s - EARLY_S, due.start_s).start + steps) * STEP_S
    return (due.start_s, end_s) if end_s - due.start_s > LEAST_S else None


def _between(start_s: float, end_s: float) -> slice:
    return slice(max(0, int(start_s / STEP_S)), max(0, int(end_s / STEP_S)))
