"""Scoring of found changes against the truth.

A found change counts when it lies within 5 ms of a true one that no other found change has
taken; its kind does not matter for that, but wrong kinds are counted. The pairing is one to one,
with as many pairs as can be had, as in ``mir_eval.util.match_events``; of all such pairings it
takes the one with the smallest errors. Precision, recall and F1 are then those of
``mir_eval.onset.f_measure`` (C. Raffel et al., "mir_eval: a transparent implementation of common
MIR metrics", ISMIR 2014).

One thing is added for pulsed buzzers. When the points close between two beeps, nothing can be
heard at that moment: any time from the end of the last beep to where the next would have begun
is right (with the same 5 ms on either side), and says nothing about accuracy, so it gives no
error.

A contact may chatter faster than the buzzer can follow. Then its first move is in the truth but
not in the sound. The strict score still asks for the first move; the score of what can be heard
also takes a time from there to the first move that shows (`TrueChange.heard_s`). Errors are
always against the first move.

Whether stated uncertainties are true is asked of all changes that were meant for a true one, within
5 ms or not: else those that are far too small would not count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from .scenes import TrueChange

WINDOW_S = 0.005
NEAR_S = 0.15
"""A found change that is this near a true one was meant for it: its uncertainty should tell."""


@dataclass(frozen=True)
class Found:
    """One found change; what a detector does not say stays None."""

    time_s: float
    uncertainty_s: float | None = None
    settled_s: float | None = None
    change: str | None = None
    points: str | None = None


@dataclass(frozen=True)
class Score:
    """Counts and errors over one or more scenes. Scores add up.

    `errors_s` is found minus true, `settled_errors_s` likewise for the end of the chatter, and
    `ratios` is each error over its stated uncertainty, also of those that are too far off to count.
    """

    true: int = 0
    found: int = 0
    hits: int = 0
    heard_hits: int = 0
    wrong_kind: int = 0
    seconds: float = 0.0
    errors_s: tuple[float, ...] = field(default=())
    settled_errors_s: tuple[float, ...] = field(default=())
    ratios: tuple[float, ...] = field(default=())

    def __add__(self, other: Score) -> Score:
        return Score(
            self.true + other.true,
            self.found + other.found,
            self.hits + other.hits,
            self.heard_hits + other.heard_hits,
            self.wrong_kind + other.wrong_kind,
            self.seconds + other.seconds,
            self.errors_s + other.errors_s,
            self.settled_errors_s + other.settled_errors_s,
            self.ratios + other.ratios,
        )

    @property
    def precision(self) -> float:
        """Share of the found changes that are right; 0 if there are none."""
        return self.hits / self.found if self.found else 0.0

    @property
    def recall(self) -> float:
        """Share of the true changes that were found; 0 if there are none."""
        return self.hits / self.true if self.true else 0.0

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2.0 * self.hits / (self.found + self.true) if self.hits else 0.0

    @property
    def heard_f1(self) -> float:
        """F1 where first moves that the buzzer could not follow need not be found."""
        return 2.0 * self.heard_hits / (self.found + self.true) if self.heard_hits else 0.0

    @property
    def false_per_10_min(self) -> float:
        """Found changes that are not true, per ten minutes of sound."""
        return (self.found - self.hits) / self.seconds * 600.0 if self.seconds else 0.0

    def error_ms(self, percentile: float) -> float:
        """Return a percentile of the absolute error of the hits, in milliseconds."""
        if not self.errors_s:
            return float("nan")
        return 1000.0 * float(np.percentile(np.abs(self.errors_s), percentile))


def windows(
    truth: Sequence[TrueChange], window_s: float = WINDOW_S, strict: bool = True
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the first and last time that counts as finding each true change."""
    first = [change.time_s for change in truth]
    last = [change.time_s if strict else change.heard_s for change in truth]
    for i, change in enumerate(truth):
        if _in_gap(change):
            first[i], last[i] = change.last_sound_s, change.next_beep_s
    return np.array(first, dtype=float) - window_s, np.array(last, dtype=float) + window_s


def _in_gap(change: TrueChange) -> bool:
    return change.last_sound_s is not None and change.last_sound_s < change.time_s


def pairs(
    truth: Sequence[TrueChange],
    found_s: Sequence[float],
    window_s: float = WINDOW_S,
    strict: bool = True,
) -> list[tuple[int, int]]:
    """Return (number in truth, number in found) of each pair, at most one pair for each."""
    if not truth or not len(found_s):
        return []
    first, last = windows(truth, window_s, strict)
    times = np.asarray(found_s, dtype=float)
    # a hair of room for times that are the window away on paper, but not in binary
    hit = (times >= first[:, None] - 1e-9) & (times <= last[:, None] + 1e-9)
    far = np.abs(times - np.array([change.time_s for change in truth])[:, None])
    # any pair is worth more than all errors together can cost
    cost = np.where(hit, far / (1.0 + far) / (len(truth) + 1) - 1.0, 0.0)
    rows, columns = linear_sum_assignment(cost)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if hit[i, j]]


def score(
    truth: Sequence[TrueChange],
    found: Sequence[Found],
    seconds: float,
    window_s: float = WINDOW_S,
) -> Score:
    """Compare one scene's found changes with the truth."""
    matched = pairs(truth, [change.time_s for change in found], window_s)
    errors, settled = [], []
    wrong = 0
    for i, j in matched:
        true, ours = truth[i], found[j]
        wrong += (ours.change is not None and ours.change != true.change) or (
            ours.points is not None and ours.points != true.points
        )
        if _in_gap(true):
            continue
        error = ours.time_s - true.time_s
        errors.append(error)
        if ours.settled_s is not None:
            settled.append(ours.settled_s - true.settled_s)
    return Score(
        true=len(truth),
        found=len(found),
        hits=len(matched),
        heard_hits=len(pairs(truth, [change.time_s for change in found], window_s, False)),
        wrong_kind=wrong,
        seconds=seconds,
        errors_s=tuple(errors),
        settled_errors_s=tuple(settled),
        ratios=_ratios(truth, found),
    )


def _ratios(truth: Sequence[TrueChange], found: Sequence[Found]) -> tuple[float, ...]:
    """Return error over uncertainty of each found change that is near a true one."""
    near = pairs(truth, [change.time_s for change in found], NEAR_S)
    return tuple(
        (found[j].time_s - truth[i].time_s) / stated_s
        for i, j in near
        if (stated_s := found[j].uncertainty_s) and not _in_gap(truth[i])
    )


def total(scores: Iterable[Score]) -> Score:
    """Add scores up."""
    return sum(scores, Score())
