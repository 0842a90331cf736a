"""Hearing a whole recording: first learn the buzzer from it, then find its changes.

The recording is gone through twice, a window of WINDOW_S at a time, so that memory does not grow
with its length. The first time, each window is asked what buzzers it may hold; the likeliest of all
is tried, or the first that is plainly like one; a taught buzzer needs no search. The second time,
the print follows the buzzer from window to window, as its pitch sags with the battery, and the ear
hears the changes. Where these are not a buzzer's (:mod:`analysis.ear.belief`), the next likeliest
is tried.
"""

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from analysis.change import Change, Sounding
from analysis.ear.beeps import gather_beeps
from analysis.ear.belief import log_odds_of_buzzer
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.ear import Ear
from analysis.ear.learning import adapt, learn
from analysis.ear.spectrum import FrameGrid, Powers
from analysis.ear.teaching import retune
from analysis.sound import Block, Samples, finite

WINDOW_S, SHORT_WINDOW_S = 40.0, 10.0
TRIED_LOG_ODDS = -2.0
"""Least log odds with which a sound is heard as a buzzer, to judge it by its changes as well."""
PLAIN_LOG_ODDS = 5.0
"""Log odds with which a buzzer is tried before the search for a likelier one goes on."""
MOST_TRIED = 4
"""Most buzzers out of windows of either length that are tried."""
ENOUGH, SURELY_NONE = 16, -1.0
"""So many changes show what is surely none, by these log odds."""


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
    """

    changes: list[Change]
    buzzer: BuzzerPrint | None
    seconds: float


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

    likely = _learnt(blocks, gone_through) if buzzer is None else iter([buzzer])
    unchanging: Heard | None = None
    for candidate in likely:
        heard = _hear(blocks, candidate, sounding, gone_through)
        if heard.changes:
            return heard
        if heard.buzzer is not None:
            unchanging = unchanging or heard
    return unchanging or Heard([], None, length_s)


def _learnt(
    blocks: Callable[[], Iterable[Block]], progress: Callable[[float], None]
) -> Iterator[BuzzerPrint]:
    """Yield what may be the buzzer of a recording, the likeliest first.

    After MOST_TRIED it is looked for in shorter windows: the points may be moved for a short while.
    """
    for least_s in (WINDOW_S, SHORT_WINDOW_S):
        yield from itertools.islice(_learnt_in(windows(blocks(), least_s), progress), MOST_TRIED)


def _learnt_in(
    stretches: Iterable[list[Block]], progress: Callable[[float], None]
) -> Iterator[BuzzerPrint]:
    """Yield what may be a buzzer; what is plainly like one before the next window is looked at."""
    waiting: list[tuple[bool, float, BuzzerPrint]] = []
    for window in stretches:
        found = learn(frames_of(window), FrameGrid.at_rate(window[0].rate_hz))
        waiting += [(one is found[0], one.quality, one) for one in found]
        waiting.sort(key=lambda one: one[:2])
        progress(window[-1].end_s)
        while waiting and waiting[-1][1] > PLAIN_LOG_ODDS:
            yield waiting.pop()[2]
    for _, quality, one in reversed(waiting):
        if quality > TRIED_LOG_ODDS:
            yield one


def _hear(
    blocks: Callable[[], Iterable[Block]],
    buzzer: BuzzerPrint,
    sounding: Sounding | None,
    progress: Callable[[float], None],
) -> Heard:
    """Hear the changes of a buzzer; with None for it where what was heard is no buzzer."""
    taught = buzzer.quality == np.inf
    ear: Ear | None = None
    begin_s = seconds = 0.0
    changes: list[Change] = []
    doubted = not taught
    for window in windows(blocks()):
        if ear is None:
            ear = Ear(window[0].rate_hz, buzzer, sounding)
            begin_s = window[0].start_s
        follow(ear, window, anew=taught)
        for block in window:
            changes += ear.hear(block)
            if doubted and len(changes) >= ENOUGH:
                doubted = False
                if log_odds_of_buzzer(buzzer, changes, ear.doubt) < SURELY_NONE:
                    return Heard([], None, seconds)
        seconds = window[-1].end_s
        progress(seconds)
    if ear is not None:
        changes += ear.finish()
        changes = ear.reconsider(changes)
        if log_odds_of_buzzer(buzzer, changes, ear.doubt) < 0:
            return Heard([], None, seconds)
        changes = gather_beeps(changes, seconds, begin_s, ear.buzzer.pulse_s)
    return Heard(changes, buzzer, seconds)


def follow(ear: Ear, window: list[Block], anew: bool) -> bool:
    """Let the ear go on with a print of its buzzer as it sounds in a window.

    Parameters
    ----------
    ear : Ear
        Keeps its print when the buzzer is not heard to change in the window.
    window : list of Block
        Some seconds of sound.
    anew : bool
        Whether to fit the print to another day's sound, or only follow its drift.

    Returns
    -------
    bool
        Whether there is a fresh print.
    """
    if anew:
        fresh = retune(frames_of(window), ear.grid, ear.buzzer)
    else:
        every = 2 if ear.buzzer.pulse_s is None else 1  # beeps are short
        fresh = adapt(frames_of(window, every), ear.grid, ear.buzzer, every)
    if fresh is not None:
        ear.follow(fresh)
    return fresh is not None


def windows(blocks: Iterable[Block], least_s: float = WINDOW_S) -> Iterator[list[Block]]:
    """Gather blocks into windows of `least_s` to twice that, so that none is left short."""
    waiting: list[Block] = []
    window: list[Block] = []
    for block in blocks:
        waiting.append(block)
        if waiting[-1].end_s - waiting[0].start_s >= least_s:
            if window:
                yield window
            window, waiting = waiting, []
    if window or waiting:
        yield window + waiting


def frames_of(window: list[Block], every: int = 1) -> Powers:
    """Return the powers of the frames in a window; none spans a gap."""
    grid = FrameGrid.at_rate(window[0].rate_hz)
    runs: list[list[Samples]] = [[]]
    end = None
    for block in window:
        first = round(block.start_s * block.rate_hz)
        if end is not None and first != end:
            runs.append([])
        runs[-1].append(block.samples)
        end = first + len(block.samples)
    pieces = [grid.powers(finite(np.concatenate(run)), every) for run in runs if run]
    return np.concatenate(pieces)
