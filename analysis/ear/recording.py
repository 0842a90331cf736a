"""Hearing a whole recording: first learn the buzzer from it, then find its changes.

The recording is gone through twice, a window of WINDOW_S at a time, so that memory does not grow
with its length. The first time, each window is asked what buzzers it may hold, or what in it goes
like the one that was taught; the likeliest of all is tried, or the first that is plainly a buzzer.
The second time, the print follows the buzzer from window to window, and the ear hears the changes.
Where these are not a buzzer's (:mod:`analysis.ear.belief`), the next likeliest is tried.

A buzzer that drifts within a window is heard once more with a print for each of its pieces
(:mod:`analysis.ear.drift`). One that was not plain, by its sound and by its changes, is compared
with the next likeliest, which may be the same at another pitch, or the buzzer beside a machine. Of
those that are believed, the one of which most is heard is kept. Where nothing was told for long, it
is looked for anew (:mod:`analysis.ear.gaps`).
"""

import itertools
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from analysis.change import Change, Sounding
from analysis.ear.beeps import gather_beeps
from analysis.ear.belief import CLEARLY, SURE_LOG_ODDS, is_near, log_odds_of_buzzer, worth
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.drift import Pieces
from analysis.ear.ear import Ear
from analysis.ear.gaps import around, heard_again, long_gaps, lost_in
from analysis.ear.retune import find
from analysis.ear.spectrum import FrameGrid
from analysis.ear.window import frames_of, windows
from analysis.sound import Block

WINDOW_S, SHORT_WINDOW_S = 40.0, 10.0
TRIED_LOG_ODDS = -3.5
"""Least log odds with which a sound is heard as a buzzer, to judge it by its changes as well."""
SEARCHES, EVEN_LOG_ODDS = 3, 0.0
"""How often it is looked for anew where nothing was told for long, at most; and log odds from which
what is found there may be it."""
PLAIN_LOG_ODDS = 5.0
"""Log odds with which a buzzer is tried before the search for a likelier one goes on."""
MOST_TRIED = 4
"""Most buzzers out of windows of either length that are tried."""
FEW = 4
"""Where a sound that is not sure changes less often than this, shorter windows are searched too."""
ENOUGH, SURELY_NONE = 16, -2.0
"""So many changes show what is surely none, by these log odds; twice as many, by half of them. What
they surely show is a buzzer, though it may fade later and noise be taken for it."""
SAME_SHARE = 0.9
"""Share of one sound's changes that are heard in another from which both are the same buzzer."""
DRIFTS = 0.03
"""Share of a piece's frames of which its own print says else than the window's, from which a
buzzer may drift."""
UNLIKELY = -1.0
"""Log odds below which it is not heard again as one that drifts."""
DRIFT_EVERY = 3
"""Of so many windows one is looked at for drift, and any in which it changes more than before."""


@dataclass(frozen=True, eq=False)
class Heard:
    """What was heard in a recording.

    Attributes
    ----------
    changes : list of Change
        In time order.
    buzzer : BuzzerPrint or None
        None when no buzzer was heard.
    seconds : float
        Length of the recording.
    doubted : int
        How many changes there were of what is rather no buzzer, but would have been believed if it
        had been taught; 0 where nothing is so likely, or a buzzer was heard.
    """

    changes: list[Change]
    buzzer: BuzzerPrint | None
    seconds: float
    doubted: int = 0


def hear(
    blocks: Callable[[], Iterable[Block]],
    sounding: Sounding | None = None,
    buzzer: BuzzerPrint | None = None,
    progress: Callable[[float], None] = lambda seconds: None,
) -> Heard:
    """Find the changes of the buzzer in a recording.

    Parameters
    ----------
    blocks : callable
        Returns the recording's blocks from the start each time it is called.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told.
    buzzer : BuzzerPrint or None
        The buzzer, if it was taught.
    progress : callable
        Told the seconds gone through: first while learning, then while hearing, and again for each
        sound that is tried after that.

    Returns
    -------
    Heard
    """
    length_s = 0.0

    def gone_through(seconds: float) -> None:
        nonlocal length_s
        length_s = max(length_s, seconds)
        progress(seconds)

    unchanging: Heard | None = None
    best: _Attempt | None = None
    doubted = 0
    for likely in _candidates(blocks, buzzer, gone_through):
        for candidate in likely:
            attempt = _attempt(blocks, candidate, sounding, gone_through)
            if attempt.heard.changes:
                best = attempt if best is None or attempt.is_rather_it(best) else best
            elif attempt.heard.buzzer is not None:
                unchanging = unchanging or attempt.heard
            doubted = max(doubted, attempt.heard.doubted)
            if best is not None and best.sure and candidate.quality > PLAIN_LOG_ODDS:
                break
        if best is not None and (best.sure or len(best.heard.changes) >= FEW):
            break
    if best is not None:
        return _with_lost(blocks, best.heard, buzzer, sounding)
    return unchanging or Heard([], None, length_s, doubted)


def _with_lost(
    blocks: Callable[[], Iterable[Block]],
    heard: Heard,
    taught: BuzzerPrint | None,
    sounding: Sounding | None,
) -> Heard:
    """Return what was heard of a buzzer with what had been lost of it where nothing was for long.

    One that beeps is not looked for: it is silent for long in between.
    """
    changes, buzzer = heard.changes, heard.buzzer
    if buzzer is None or buzzer.pulse_s is not None:
        return heard
    searched: set[tuple[float, float]] = set()
    for _ in range(SEARCHES):
        gaps = [gap for gap in long_gaps(changes, 0.0, heard.seconds) if gap not in searched]
        if not gaps:
            break
        searched |= set(gaps)
        lost: list[Change] = []
        parts = _parts(blocks(), [around(gap, changes) for gap in gaps])
        for gap, part in zip(gaps, parts, strict=True):
            lost += next(filter(None, _lost_in(gap, changes, part, taught, sounding)), [])
        changes = sorted([*changes, *lost], key=lambda one: one.time_s)
    return replace(heard, changes=changes)


def _lost_in(
    gap: tuple[float, float],
    changes: list[Change],
    part: list[Block],
    taught: BuzzerPrint | None,
    sounding: Sounding | None,
) -> Iterator[list[Change]]:
    """Yield what had been lost in a gap by each likely sound of a part of a recording, if any."""
    searched: set[tuple[float, float]] = set()
    for least_s in (WINDOW_S, SHORT_WINDOW_S):
        found = _found_in(windows(part, least_s), taught, lambda _: None, searched)
        for candidate in itertools.takewhile(lambda one: one.quality > EVEN_LOG_ODDS, found):
            anew = _attempt(lambda: part, candidate, sounding, lambda _: None).heard
            yield lost_in(gap, changes, anew.changes)


def _parts(blocks: Iterable[Block], spans: list[tuple[float, float]]) -> Iterator[list[Block]]:
    """Yield the blocks of each part of a recording, from when to when, in time order.

    No more than is wanted is kept.
    """
    kept: list[Block] = []
    left = deque(spans)
    for block in itertools.chain(blocks, [None]):
        if block is not None:
            kept.append(block)
        while left and (block is None or block.end_s >= left[0][1]):
            begin_s, end_s = left.popleft()
            yield [one for one in kept if one.end_s > begin_s and one.start_s < end_s]
        if not left:
            return
        kept = [one for one in kept if one.end_s > left[0][0]]


def _candidates(
    blocks: Callable[[], Iterable[Block]],
    taught: BuzzerPrint | None,
    progress: Callable[[float], None],
) -> Iterator[Iterator[BuzzerPrint]]:
    """Yield what may be the buzzer of a recording, the likeliest first, MOST_TRIED at most; then
    the same of shorter windows: the points may be moved for a short while only, or what they move
    may drift. Of a taught one, what fits it; and at last itself.
    """
    searched: set[tuple[float, float]] = set()
    for least_s in (WINDOW_S, SHORT_WINDOW_S):
        found = _found_in(windows(blocks(), least_s), taught, progress, searched)
        yield itertools.islice(found, MOST_TRIED)
    if taught is not None:
        yield iter([taught])


def _found_in(
    stretches: Iterable[list[Block]],
    taught: BuzzerPrint | None,
    progress: Callable[[float], None],
    searched: set[tuple[float, float]],
) -> Iterator[BuzzerPrint]:
    """Yield what may be a buzzer; what is plainly like one before the next window is looked at.

    Windows that were searched before are left out.
    """
    waiting: list[tuple[bool, float, BuzzerPrint]] = []
    for window in stretches:
        extent = window[0].start_s, window[-1].end_s
        if extent in searched:
            continue
        searched.add(extent)
        found = find(frames_of(window), FrameGrid.at_rate(window[0].rate_hz), taught)
        waiting += [(one is found[0], one.quality, one) for one in found]
        waiting.sort(key=lambda one: one[:2])
        progress(window[-1].end_s)
        while waiting and waiting[-1][1] > PLAIN_LOG_ODDS:
            yield waiting.pop()[2]
    for _, quality, one in reversed(waiting):
        if quality > TRIED_LOG_ODDS:
            yield one


@dataclass(frozen=True, eq=False)
class _Attempt:
    """What was heard of one sound.

    Attributes
    ----------
    heard : Heard
        Without a buzzer where that was none.
    log_odds : float
        That it is a buzzer.
    worth : float
        How much is heard of it, and how surely: :func:`analysis.ear.belief.worth`.
    drifts : float
        Largest share of a piece's frames of which its own print says else than the window's, on an
        average of the windows looked at; 0 where each piece was heard with its own.
    """

    heard: Heard
    log_odds: float = -np.inf
    worth: float = -np.inf
    drifts: float = 0.0

    @property
    def sure(self) -> bool:
        """Whether it is surely a buzzer."""
        return self.log_odds > SURE_LOG_ODDS

    def is_rather_it(self, likelier: "_Attempt") -> bool:
        """Say whether this is the buzzer, and not what was likelier at first; or the same buzzer
        better heard, since its changes are heard in this as well.
        """
        changes = likelier.heard.changes
        is_same = heard_again(changes, self.heard.changes) >= SAME_SHARE * len(changes)
        return self.worth > likelier.worth + (0.0 if is_same else CLEARLY)


def _attempt(
    blocks: Callable[[], Iterable[Block]],
    buzzer: BuzzerPrint,
    sounding: Sounding | None,
    progress: Callable[[float], None],
) -> _Attempt:
    """Hear a buzzer with a print for each window; where more is heard so, with one for each piece,
    or one that sounds in both states as its level sways.
    """
    steady = _hear(blocks, buzzer, sounding, progress)
    if steady.log_odds < UNLIKELY:
        return steady
    others = []
    if steady.drifts >= DRIFTS:
        others.append(_hear(blocks, buzzer, sounding, progress, drifts=True))
    if buzzer.sounds_in_both():
        others.append(_hear(blocks, buzzer, sounding, progress, sways=True))
    ways = [steady, *(one for one in others if one.heard.changes)]
    best = max(ways, key=lambda one: one.worth)
    return replace(best, log_odds=max(one.log_odds for one in ways))


def _hear(
    blocks: Callable[[], Iterable[Block]],
    buzzer: BuzzerPrint,
    sounding: Sounding | None,
    progress: Callable[[float], None],
    *,
    drifts: bool = False,
    sways: bool = False,
) -> _Attempt:
    """Hear the changes of a buzzer that may drift within a window, or whose level may sway."""
    ear: Ear | None = None
    begin_s = seconds = 0.0
    differ: list[float] = []
    changes: list[Change] = []
    doubted_from, had_been = ENOUGH, -np.inf
    most = 0  # changes in a window
    for number, window in enumerate(windows(blocks(), WINDOW_S)):
        if ear is None:
            ear = Ear(window[0].rate_hz, buzzer, sounding, sways)
            begin_s = window[0].start_s
        pieces = Pieces(window, buzzer)
        whole = pieces.fitted(ear.buzzer)
        prints = [whole] * len(pieces.each)
        if drifts:
            prints = pieces.followed(whole)
        elif (count := pieces.changes(whole)) > most or number % DRIFT_EVERY == 0:
            differ.append(pieces.differ(whole, pieces.followed(whole)))
            most = max(most, count)
        for fresh, piece in zip(prints, pieces.each, strict=True):
            ear.follow(fresh)
            for block in piece.blocks:
                changes += ear.hear(block)
                if len(changes) >= doubted_from:
                    log_odds = log_odds_of_buzzer(buzzer, changes, ear.told.manner())
                    had_been = max(had_been, log_odds - SURE_LOG_ODDS)
                    if max(log_odds, had_been) < SURELY_NONE * ENOUGH / len(changes):
                        return _Attempt(Heard([], None, seconds), log_odds)
                    doubted_from = 2 * len(changes)
        seconds = window[-1].end_s
        progress(seconds)
    if ear is None:
        return _Attempt(Heard([], buzzer, seconds))
    changes += ear.finish()
    changes = ear.told.reconsider(changes)
    log_odds = max(log_odds_of_buzzer(buzzer, changes, ear.told.manner()), had_been)
    drifted = float(np.mean(differ or [0.0]))
    if log_odds < 0:
        doubted = len(changes) if is_near(buzzer, log_odds) else 0
        return _Attempt(Heard([], None, seconds, doubted), log_odds, drifts=drifted)
    value = worth(log_odds, changes, ear.told.doubt)
    changes = gather_beeps(changes, seconds, begin_s, ear.buzzer.pulse_s, ear.sounds)
    return _Attempt(Heard(changes, buzzer, seconds), log_odds, value, drifted)
