"""The changes that were told, and what they show of the buzzer together.

Meaning
-------
A buzzer comes and goes the same way each time, and its contact chatters or does not. So each change
is told better in the light of all others: how the sound rises, and how rare chatter is. All
together they show whether it is a buzzer (:mod:`.belief`): how much they are doubted, how sharp
they are, how alike it sounds each time.

What is heard between two changes may have been something else, a word say, that passed for a short
sound of the buzzer's. Once it is over, how like the buzzer all of it was tells, and beside a growl,
whether it repeats itself after the same period; it is let go then, unless it came and went too
plainly. Where two changes running are doubted to the last, there was none: a room, or somebody in
the way, made the tone fainter for a while.

Conventions
-----------
State 1 is one of the buzzer's two, 0 the other (:mod:`.buzzer`). Times are in seconds.
"""

import itertools
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.change import Change
from analysis.ear.belief import Manner, Repeats
from analysis.ear.firstbreak import BreakOdds, rarity_of_chatter
from analysis.ear.growl import Repetition
from analysis.ear.moment import Moment, rise_shapes
from analysis.ear.shortbeep import UNCERTAINTY_S
from analysis.ear.sincechange import Sound
from analysis.ear.splice import Spliced

Array = npt.NDArray[np.float64]

DOUBTED = 0.6
"""Odds of no true change from which one is doubted: noise may hide a sound, or sound like it."""
SUREST = 0.001
"""Odds of no true change that count as none at all."""
CHATTERED_S = 0.0008
"""Standard uncertainty that chatter adds: its first break may be too faint to hear."""
LEAST_LIKE = 0.6
"""A short state of which less than that share is like it was something else."""
PLAIN = 0.75
"""Probability from which the changes before and after it are plain, and it was none the less the
buzzer: a microphone's gain that goes up and down makes a short state unlike its own."""
KEPT_PITCH = 0.004
"""Part of its pitch by which a buzzer's may change from one time to the next."""
SAME_PERIOD = 0.04
"""Part of its period by which a growl's wavers."""
OTHER_PERIOD, OFTEN = 0.1, 0.5
"""Part of a growl's usual period by which that of something else differs; and how often at least
its own is the usual one."""
LATEST_CHANGES = 300
"""Latest changes that tell how often the contact chatters."""


@dataclass(frozen=True, eq=False)
class ToldChange:
    """What a change was told from, to be told again when more is known of the buzzer.

    Times of `moment` and `odds` are in the sound that is `spliced`.

    Attributes
    ----------
    state : int
        The new state.
    sounds : bool
        Whether the buzzer sounds in it, and is silent in the other.
    spliced : Spliced
        The sound that was looked at.
    moment : Moment
        When it was, by the model.
    odds : BreakOdds or None
        The same by the net; None where none was asked.
    repeats : Repetition or None
        How a growl, or a hiss, repeats itself.
    like : float
        The share of what was heard until the next change that is like the state, if that came soon.
    sound : Sound or None
        How it sounded until then, if it did for long enough.
    again_s : float
        When it came again after chatter, in s, if that showed only once it was told.
    """

    state: int
    sounds: bool
    spliced: Spliced
    moment: Moment
    odds: BreakOdds | None
    repeats: Repetition | None = None
    like: float = 1.0
    sound: Sound | None = None
    again_s: float = -np.inf

    @property
    def doubted(self) -> bool:
        """Whether it was doubted to the last."""
        return self.odds is not None and self.odds.none > DOUBTED

    def told(self, shape_log_odds: Array, chatter_ratio: float) -> tuple[float, float, float]:
        """Return the moment, when it had settled, and the moment's standard uncertainty, in s."""
        time_s, uncertainty_s = when(self.moment, shape_log_odds, chattered=False)
        settled_s = time_s
        if self.odds is not None:
            odds = self.odds.where_chatter_is(chatter_ratio)
            time_s, uncertainty_s = odds.with_opinion(time_s)
            settled_s = odds.settled_s(time_s)
        at_s, lost_s = self.spliced.when(time_s, uncertainty_s)
        settled_at_s = max(at_s, self.spliced.when(settled_s)[0], self.again_s)
        return at_s, settled_at_s, math.hypot(uncertainty_s, lost_s)


class ToldChanges:
    """The changes that were told, in their order; all, or the latest of them."""

    def __init__(self) -> None:
        self.kept: list[ToldChange] = []
        self.shape_log_odds = np.zeros((2, len(rise_shapes())))
        """What all changes to a state say of how it comes, shape (2, shapes)."""
        self._chatter: deque[float] = deque(maxlen=LATEST_CHANGES)

    def append(self, told: ToldChange) -> None:
        """Add a change that came after all others."""
        self.kept.append(told)

    def learn(self, state: int, moment: Moment, odds: BreakOdds) -> None:
        """Learn from a change to a state how that comes, and whether the contact chatters."""
        self.shape_log_odds[state] += moment.says_of_shape()
        self._chatter.append(odds.chatter)

    def keep(self, count: int) -> None:
        """Forget all but the latest so many; what they said of shape and chatter is kept."""
        del self.kept[: max(0, len(self.kept) - count)]

    def last_was(self, like: float, sound: Sound | None) -> None:
        """Add to the last change what was heard since, in a state that is over."""
        if self.kept:
            self.kept[-1] = replace(self.kept[-1], like=like, sound=sound)

    def last_came_again(self, again_s: float) -> None:
        """Add to the last change when it came again after chatter."""
        if self.kept:
            last = self.kept[-1]
            self.kept[-1] = replace(last, again_s=max(last.again_s, again_s))

    @property
    def rarity_of_chatter(self) -> float:
        """How much rarer chatter is here than anywhere: :func:`.firstbreak.rarity_of_chatter`."""
        return rarity_of_chatter(self._chatter)

    def doubted(self, count: int) -> list[bool]:
        """Say of each of the latest so many changes whether it was doubted to the last."""
        return [one.doubted for one in self.kept[len(self.kept) - count :]]

    @property
    def doubt(self) -> float:
        """Mean odds that a change that was told is none."""
        return float(np.mean(self._odds_of_none() or [0.0]))

    @property
    def usual_doubt(self) -> float:
        """Geometric mean of these odds, which a word over one change hardly moves; about 1 if no
        change was looked at closely.
        """
        odds = np.array(self._odds_of_none() or [1.0])
        return float(np.exp(np.mean(np.log(odds + SUREST))))

    @property
    def blur_ms(self) -> float:
        """Median blur of what was told, whichever way it is more: every other one goes the same
        way.
        """
        rarity = self.rarity_of_chatter
        blurs = [
            UNCERTAINTY_S if one.odds is None else one.odds.where_chatter_is(rarity).blur_s
            for one in self.kept
        ]
        return 1e3 * max(
            (float(np.median(way)) for way in (blurs[::2], blurs[1::2]) if way), default=0.0
        )

    def _odds_of_none(self) -> list[float]:
        """Return the odds that each change is none, of those that were looked at closely."""
        return [one.odds.none for one in self.kept if one.odds is not None]

    def manner(self) -> Manner:
        """Return in what manner the changes were heard."""
        repeats = self._repeats()
        sounds = [one.sound for one in self._without_others(repeats) if one.sound is not None]
        # Other prints have other columns.
        again = [
            (one, other)
            for one, other in itertools.pairwise(sounds)
            if one.print_number == other.print_number
        ]
        swing_db = waver = None
        if again:
            swing_db = float(np.median([abs(b.level_db - a.level_db) for a, b in again]))
            waver = float(np.median([_wavers(one, other) for one, other in again]))
        return Manner(self.usual_doubt, self.blur_ms, swing_db, waver, repeats)

    def reconsider(self, changes: list[Change]) -> list[Change]:
        """Return all changes in the light of all that was heard.

        What was told stands, as it does live, unless it is off by more than its uncertainty; two
        between which something else was heard are left out.
        """
        better = {}
        rarity = self.rarity_of_chatter
        for change, kept in zip(changes, self.kept, strict=True):
            others = self.shape_log_odds[kept.state] - kept.moment.says_of_shape()
            time_s, settled_s, uncertainty_s = kept.told(others, rarity)
            if abs(time_s - change.time_s) <= change.uncertainty_s:
                time_s, uncertainty_s = change.time_s, change.uncertainty_s
                settled_s = max(change.settled_s, kept.again_s)
            better[kept] = replace(
                change, time_s=time_s, settled_s=settled_s, uncertainty_s=uncertainty_s
            )
        return [better[kept] for kept in self._without_others(self._repeats())]

    def _repeats(self) -> Repeats | None:
        """Return how it repeats itself; None if that is seldom asked."""
        asked = [one.repeats for one in self.kept if one.repeats is not None]
        if 2 * len(asked) <= len(self.kept):
            return None
        alike, period_s = (
            float(np.median(usual))
            for usual in ([one.alike for one in asked], [one.period_s for one in asked])
        )
        same = int(np.sum(_apart(self.kept, period_s) < SAME_PERIOD))
        return Repeats(alike, period_s, (same + 1) / (len(asked) + 2))

    def _without_others(self, repeats: Repeats | None) -> list[ToldChange]:
        """Return the changes but each two that were doubted to the last, or between which something
        else was heard, unless both are plain. A growl that keeps its period is known by that, too.
        """
        period_s = None
        if repeats is not None and repeats.growls and repeats.steady >= OFTEN:
            period_s = repeats.period_s
        left: list[ToldChange] = []
        i = 0
        while i < len(self.kept):
            pair = self.kept[i : i + 2]
            of = period_s if pair[0].sounds else None
            doubted = all(one.doubted for one in pair)
            if len(pair) == 2 and (doubted or (_is_other(pair, of) and not _plain(pair))):
                i += 2
            else:
                left.append(pair[0])
                i += 1
        return left


def when(moment: Moment, shape_log_odds: Array, chattered: bool) -> tuple[float, float]:
    """Return a change's moment by the model and its standard uncertainty, in seconds.

    Parameters
    ----------
    moment : Moment
        The change.
    shape_log_odds : ndarray, shape (shapes,)
        What others say of how it comes.
    chattered : bool
        Whether the contact did.
    """
    time_s, uncertainty_s = moment.given(shape_log_odds)
    return time_s, float(np.hypot(uncertainty_s, CHATTERED_S if chattered else 0.0))


def _wavers(one: Sound, other: Sound) -> float:
    """Return how far two pitches lie apart, beside how far either wavers by itself."""
    if other.tone_hz == 0.0:
        return 0.0
    kept_hz = KEPT_PITCH * other.tone_hz + 0.5 * (one.tone_spread_hz + other.tone_spread_hz)
    return abs(other.tone_hz - one.tone_hz) / kept_hz


def _apart(told: Sequence[ToldChange], period_s: float) -> Array:
    """Return in what part the periods of those that have one differ from another."""
    periods_s = np.array([one.repeats.period_s for one in told if one.repeats is not None])
    return np.asarray(np.abs(np.log(periods_s / period_s)))


def _is_other(pair: Sequence[ToldChange], period_s: float | None) -> bool:
    """Say whether what was heard between two changes is something else than the buzzer, which may
    growl with a period.
    """
    if pair[0].like < LEAST_LIKE:
        return True
    return period_s is not None and not np.any(_apart(pair, period_s) < OTHER_PERIOD)


def _plain(told: Sequence[ToldChange]) -> bool:
    """Say whether all of some changes are hardly doubted."""
    return math.prod(1.0 - one.odds.none for one in told if one.odds is not None) > PLAIN
