"""Hearing a whole recording: first learn the buzzer from it, then find its changes.

The recording is gone through twice, a window of WINDOW_S at a time, so that memory does not grow
with its length. The first time, each window is asked what buzzer it holds; the likeliest of all
is taken, or the first that is beyond doubt; a taught buzzer needs no search. The second time, the
print follows the buzzer from window to window, as its pitch sags with the battery, and the ear
hears the changes.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from analysis.change import Change, Sounding
from analysis.ear.beeps import gather_beeps
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.ear import Ear
from analysis.ear.learning import adapt, learn
from analysis.ear.spectrum import FrameGrid, Powers
from analysis.ear.teaching import retune
from analysis.sound import Block, Samples, finite

WINDOW_S = 40.0
SURE_LOG_ODDS = 1.0
"""Least log odds with which a sound is taken for a buzzer as it is learnt."""
TRIED_LOG_ODDS = -2.0
"""Least log odds with which a sound is heard as a buzzer, to judge it by its changes as well."""
PER_DOUBT, PER_LOG_MS, HEARD_BASE = -4.6, -2.6, 3.0
"""What the changes add to the log odds: by the mean odds of their being none, by the log of their
median uncertainty in ms, whichever way it is worse, and in any case. Near a logistic fit on some
hundred scenes as `tests/bench/learning_fit.py` draws them, whose log odds were near even."""
SHARPEST_MS = 0.1
"""Median uncertainty below which changes are as sharp as can be."""
PLAIN_LOG_ODDS = 5.0
"""Log odds with which the search for a likelier buzzer ends."""


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
        Told the seconds gone through: first while learning, then while hearing.

    Returns
    -------
    Heard
    """
    seconds = 0.0
    for window in windows(blocks()) if buzzer is None else ():
        seconds = window[-1].end_s
        found = learn(frames_of(window), FrameGrid.at_rate(window[0].rate_hz))
        if found is not None and (buzzer is None or found.quality > buzzer.quality):
            buzzer = found
        progress(seconds)
        if buzzer is not None and buzzer.quality > PLAIN_LOG_ODDS:
            break
    if buzzer is None or buzzer.quality < TRIED_LOG_ODDS:
        return Heard([], None, seconds)
    taught = buzzer.quality == np.inf
    ear: Ear | None = None
    begin_s = 0.0
    changes: list[Change] = []
    for window in windows(blocks()):
        if ear is None:
            ear = Ear(window[0].rate_hz, buzzer, sounding)
            begin_s = window[0].start_s
        follow(ear, window, anew=taught)
        for block in window:
            changes += ear.hear(block)
        seconds = window[-1].end_s
        progress(seconds)
    if ear is not None:
        changes += ear.finish()
        changes = ear.reconsider(changes)
        if buzzer.quality + _log_odds_of(changes, ear.doubt) < 0:
            return Heard([], None, seconds)
        changes = gather_beeps(changes, seconds, begin_s, ear.buzzer.pulse_s)
    return Heard(changes, buzzer, seconds)


def _log_odds_of(changes: list[Change], doubt: float) -> float:
    """Return what some changes add to the log odds of a buzzer: its changes are sharp and plain.

    Both ways: what was struck begins as sharply as any buzzer, and dies away.
    """
    if not changes:
        return -SURE_LOG_ODDS
    kinds = {change.change for change in changes}
    usual_ms = 1e3 * max(
        float(np.median([c.uncertainty_s for c in changes if c.change == kind])) for kind in kinds
    )
    return HEARD_BASE + PER_DOUBT * doubt + PER_LOG_MS * float(np.log(max(usual_ms, SHARPEST_MS)))


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


def windows(blocks: Iterable[Block]) -> Iterator[list[Block]]:
    """Gather blocks into windows of WINDOW_S to twice that, so that none is left short."""
    waiting: list[Block] = []
    window: list[Block] = []
    for block in blocks:
        waiting.append(block)
        if waiting[-1].end_s - waiting[0].start_s >= WINDOW_S:
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
