"""The first break of a change and its last, judged from all clues together by a small trained net.

Meaning
-------
At the hairline the contact breaks for half a millisecond, makes again, and settles later. The
model of :mod:`.stretch` and :mod:`.moment` weighs each kind of evidence by itself and must allow
for accidents, so it tells some breaks late and takes some clicks for breaks. Here a net of
one-dimensional convolutions, each looking further to either side than the one before, sees all
:mod:`.clues` at once. It gives the odds of each half millisecond to hold the first sign, and those
of none to hold it; and those of each to hold the last move, with which the change has settled. It
is trained by cross entropy, so that the odds mean what they say. They often have two peaks, at a
first break and at a later one; so the standard uncertainty is half of what holds 95 in 100, and
not a root mean square.

Of a growl a second net sees more (:mod:`.growl`), and the odds of both are pooled: one knows other
buzzers, the other growls, and neither all there are.

The nets were trained on thousands of simulated changes, half of them from a wider world than
that of the accuracy table, and none of its seeds: tests/bench/ear_training.py. How often a contact
chatters differs from one to the next: `rarity_of_chatter` learns it from a recording's changes.

Conventions
-----------
Times are seconds from the first sample of the stretch handed in. The net looks both ways alike and
no further than the stretch: it delays nothing.

Sources
-------
JCGM 100:2008 (GUM), 6.2 and table G.1: twice the standard uncertainty holds 95.45 %. The net's
layers: :mod:`analysis.convolution`. K. He et al., "Deep residual learning for image recognition",
CVPR 2016: each adds to the one before. M. Saerens, P. Latinne, C. Decaestecker,
"Adjusting the outputs of a classifier to new a priori probabilities: a simple procedure", Neural
Computation 14 (2002) 21: how often a recording's contact chatters, from the odds themselves.
C. Genest, J. V. Zidek, "Combining probability distributions: a critique and an annotated
bibliography", Statist. Sci. 1 (1986) 114: the mean of log odds pools two opinions.
"""

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from analysis.convolution import Floats, convolved
from analysis.ear.clues import BACK_S, COUNT, STEP_S, Clues, clues, times_s
from analysis.ear.firstbreak_weights import WEIGHTS
from analysis.ear.growl import COUNT as GROWL_COUNT
from analysis.ear.growl import Growl
from analysis.ear.growlbreak_weights import WEIGHTS as GROWL_WEIGHTS
from analysis.ear.stretch import Stretch

Array = npt.NDArray[np.float64]

COUNTS = COUNT, COUNT + GROWL_COUNT
"""How many clues either net sees: that of any buzzer, and that of growls."""
WIDTH = 40
"""Courses in each layer."""
TAPS = 5
DILATIONS = (1, 2, 4, 8, 16, 32)
NEAR_S = 0.0055
"""The first sign is taken to lie where this much to either side holds the best odds."""
FAR_S = 0.006
"""For the blur, doubts are counted as if no further off than this."""
COVERED = 0.9545
"""Share of the odds that lie within twice the standard uncertainty, as in a normal distribution."""
AGREE_S = 0.001
"""So far apart, the model's moment and the net's weigh alike; further, the net's weighs more."""
BLUR_S = 0.0006
"""By how much the moments that the net was trained on were blurred."""
LONG_S = 0.015
"""A first sign this long before the state turned for good is that of a long chatter."""
CHATTERS, CHATTERS_WEIGHT = 0.3, 4.0
"""How often that is, as the net takes it, and as how many changes of a recording this counts."""
TURNS = 30
BRIEFEST_S = 0.002
"""Briefer chatter than this is none."""
LEAST_S = 0.0003
"""Standard uncertainty left when one step is sure: the rise is never quite as trained."""


@dataclass(frozen=True, eq=False)
class BreakOdds:
    """The odds of the first sign's moment.

    Attributes
    ----------
    times_s, odds : ndarray, shape (STEPS,)
        Moments, in seconds, and the share of each; all shares sum to 1.
    none : float
        The odds that there is no change at all.
    settles : ndarray, shape (STEPS,), or None
        The odds of each moment to be that of the last move; None where it is also the first.
    """

    times_s: Array
    odds: Array
    none: float = 0.0
    settles: Array | None = None

    @property
    def _long(self) -> npt.NDArray[np.bool_]:
        """Which moments are those of a long chatter."""
        return np.asarray(self.times_s < self.times_s[0] + BACK_S - LONG_S)

    @property
    def chatter(self) -> float:
        """The odds of a long chatter."""
        return float(self.odds[self._long].sum())

    def where_chatter_is(self, ratio: float) -> "BreakOdds":
        """Return the odds where long chatter is so many times as likely as anywhere."""
        odds = self.odds * np.where(self._long, ratio, 1.0)
        return replace(self, odds=odds / odds.sum())

    def but_at(self, time_s: float, reach_s: float) -> "BreakOdds":
        """Return the odds if it is not within so much of a moment."""
        odds = np.where(np.abs(self.times_s - time_s) < reach_s, 1e-12, self.odds)
        left = (1 - self.none) * float(odds.sum())
        return replace(self, odds=odds / odds.sum(), none=self.none / (self.none + left))

    def moves_after(self, first_s: float) -> float:
        """Return the odds that the last move comes after a first, and not with it."""
        if self.settles is None:
            return 0.0
        later = self.times_s > first_s + BRIEFEST_S
        return float(self.settles[later].sum() / self.settles.sum())

    def settled_s(self, first_s: float) -> float:
        """Return when a change whose first sign is known has settled: `first_s` if at once."""
        if self.settles is None:
            return first_s
        share = np.cumsum(np.where(self.times_s > first_s, self.settles, 0.0))
        settled_s = float(np.interp(0.5 * share[-1], share, self.times_s))
        return settled_s if settled_s > first_s + BRIEFEST_S else first_s

    @property
    def blur_s(self) -> float:
        """How far the odds spread about their peak, those of another counted as FAR_S off."""
        off = np.minimum(np.abs(self.times_s - self._peak_s()), FAR_S)
        return self._told_from(float(np.sqrt(self.odds @ off**2)))

    def with_opinion(self, time_s: float) -> tuple[float, float]:
        """Return moment and standard uncertainty, in seconds, in the light of the model's moment.

        The model resolves finer than the net's steps: where both agree, its word is taken.
        """
        mean = self._peak_s()
        apart = (mean - time_s) ** 2
        mean = time_s + (mean - time_s) * apart / (apart + AGREE_S**2)
        return mean, self._told_from(0.5 * self._within_s(mean))

    def _peak_s(self) -> float:
        """Return the mean of the odds near where they are best."""
        reach = round(NEAR_S / STEP_S)
        within = np.convolve(np.pad(self.odds, reach), np.ones(2 * reach + 1), "valid")
        best = int(within.argmax())
        near = slice(max(0, best - reach), best + reach + 1)
        return float(self.odds[near] @ self.times_s[near] / self.odds[near].sum())

    def _told_from(self, spread_s: float) -> float:
        """Return the spread of what is told from that of the odds."""
        return float(np.sqrt(max(spread_s**2 - BLUR_S**2, 0.0) + LEAST_S**2))

    def _within_s(self, time_s: float) -> float:
        """Return how far to either side of a moment COVERED of the odds lie."""
        off = np.abs(self.times_s - time_s)
        nearest = np.argsort(off)
        return float(np.interp(COVERED, np.cumsum(self.odds[nearest]), off[nearest]))


def first_break(
    stretch: Stretch, said_s: float, uncertainty_s: float, growl: Growl | None = None
) -> BreakOdds:
    """Return the odds of the first break's moment.

    Parameters
    ----------
    stretch : Stretch
        The sound around the change, with a run of makes and breaks.
    said_s, uncertainty_s : float
        Its moment and uncertainty by the model.
    growl : Growl, optional
        What shows of a growl in it, if it is one's.
    """
    begins, settles = judged(seen_of(stretch, said_s, uncertainty_s, growl))
    t = times_s(stretch.run[-1])
    there = (t > 0) & (t < stretch.end_s)
    odds, last = (each * there + 1e-12 for each in (begins[:-1], settles))
    return BreakOdds(t, odds / odds.sum(), float(begins[-1]), last)


def seen_of(stretch: Stretch, said_s: float, uncertainty_s: float, growl: Growl | None) -> Clues:
    """Return what a net sees, shape (one of COUNTS, STEPS); parameters as :func:`first_break`."""
    seen = clues(stretch, said_s, uncertainty_s)
    return seen if growl is None else np.concatenate([seen, growl.clues])


def rarity_of_chatter(odds: Sequence[float]) -> float:
    """Return how much rarer long chatter is here than anywhere, from its odds; 1 at most.

    A contact that chatters does so again and again; where it did not, a click before a change is a
    click. The share of changes with chatter is the mean of their odds in its light, found in turns.
    """
    chatter = np.asarray(odds, dtype=float)
    share = CHATTERS
    for _ in range(TURNS):
        yes, no = chatter * share / CHATTERS, (1 - chatter) * (1 - share) / (1 - CHATTERS)
        share = float(CHATTERS_WEIGHT * CHATTERS + (yes / (yes + no)).sum())
        share /= CHATTERS_WEIGHT + len(chatter)
    return min(1.0, share / CHATTERS * (1 - CHATTERS) / (1 - share))


def judged(seen: Clues) -> tuple[Array, Array]:
    """Judge clues, shape (one of COUNTS, STEPS).

    Returns
    -------
    begins : ndarray, shape (STEPS + 1,)
        The odds of each step to hold the first sign, and last that of none.
    settles : ndarray, shape (STEPS,)
        The odds of each step to hold the last move.
    """
    said = [_log_odds(seen[:count]) for count in COUNTS if count <= len(seen)]
    begins, settles = (softmax(np.mean(each, axis=0)) for each in zip(*said, strict=True))
    return begins, settles


def _log_odds(seen: Clues) -> tuple[Array, Array]:
    """Return what the net that sees so many clues says, as :func:`judged`, up to a constant."""
    net = weights_for(len(seen))
    courses = np.maximum(convolved(seen, net[0], net[1]), 0.0)
    for i, dilation in enumerate(DILATIONS):
        weights, offsets = net[2 + 2 * i], net[3 + 2 * i]
        courses += np.maximum(convolved(courses, weights, offsets, dilation), 0.0)
    step, step_offset, none, none_offset, last, last_offset = net[-6:]
    begins = np.append(step @ courses + step_offset, none @ courses.mean(axis=1) + none_offset)
    return begins.astype(float), (last @ courses + last_offset).astype(float)


def shapes(count: int) -> list[tuple[int, ...]]:
    """Return the shapes of the weights of a net that sees so many clues, in their order."""
    kept: list[tuple[int, ...]] = [(WIDTH, TAPS * count), (WIDTH,)]
    for _ in DILATIONS:
        kept += [(WIDTH, TAPS * WIDTH), (WIDTH,)]
    return [*kept, *[(WIDTH,), (1,)] * 3]


@lru_cache(maxsize=len(COUNTS))
def weights_for(count: int) -> list[Floats]:
    """Return the weights of the net that sees so many clues, of :func:`shapes`."""
    kept = WEIGHTS if count == COUNT else GROWL_WEIGHTS
    values = np.frombuffer(base64.b85decode(kept), dtype="<f2").astype(np.float32)
    sizes = [int(np.prod(shape)) for shape in shapes(count)]
    pieces = np.split(values, np.cumsum(sizes)[:-1])
    return [piece.reshape(shape) for piece, shape in zip(pieces, shapes(count), strict=True)]
