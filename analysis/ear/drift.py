"""A buzzer that drifts, followed from piece to piece of a window.

As a battery sags the pitch falls, and in a room the level of a tone goes up and down with its
pitch. Over a window in which that is much, one print is a poor one, or fits a part of it alone.
So a print is fitted to short pieces one after the other, outward from where the buzzer shows most:
each time to sound of which a part is known already. It counts if it says the same of that part.

Short pieces hold less to learn from: where little drifts, one print for all is as good or better.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.learning import FRAME_LOG_ODDS, Array, Mask, adapt, log_odds_by, runs
from analysis.ear.spectrum import FrameGrid, Levels, Powers
from analysis.ear.window import frames_of, windows
from analysis.sound import Block

PIECE_S = 4.0
TOGETHER = 3
"""How many pieces a print is fitted to: the one that it is of, and those before it."""
SAME = 0.95
"""Share of the frames of a state of which two prints of one buzzer say the same."""
LEAST_MARGIN = 0.5
"""Least part of the margin that a print has that a fresh one must have."""
PLENTY = 4
"""Changes that are enough to fit a print to."""
CHATTERS_S = 0.05
"""States that frames show for less than this are chatter: cam lobes take 60 ms and more."""
CERTAIN = 2 * FRAME_LOG_ODDS


@dataclass(frozen=True, eq=False)
class Piece:
    """A short piece of sound: its blocks, and the powers and levels of some of its frames."""

    blocks: list[Block]
    powers: Powers
    levels: Levels


class Pieces:
    """A window of sound in pieces.

    Parameters
    ----------
    window : list of Block
        Some seconds of sound, or more.
    buzzer : BuzzerPrint
        What is followed. Of one that does not beep every second frame is enough.

    Attributes
    ----------
    each : list of Piece
        They, in time order.
    """

    def __init__(self, window: list[Block], buzzer: BuzzerPrint):
        self.each: list[Piece] = []
        self._grid = FrameGrid.at_rate(window[0].rate_hz)
        self._every = 2 if buzzer.pulse_s is None else 1
        self._take(window)

    @property
    def start_s(self) -> float:
        """When the first piece begins, in seconds."""
        return self.each[0].blocks[0].start_s

    @property
    def end_s(self) -> float:
        """When the last piece ends, in seconds."""
        return self.each[-1].blocks[-1].end_s

    def go_on(self, window: list[Block], most: int) -> None:
        """Take the sound that follows, and keep so many of the latest pieces."""
        self._take(window)
        del self.each[:-most]

    def _take(self, window: list[Block]) -> None:
        for blocks in windows(window, PIECE_S):
            powers = frames_of(blocks, self._every)
            self.each.append(Piece(blocks, powers, self._grid.levels(powers)))

    def fitted(self, known: BuzzerPrint) -> BuzzerPrint:
        """Return one print for all; the known one where the buzzer is not heard to change."""
        return self._adapted(known, range(len(self.each))) or known

    def followed(self, known: BuzzerPrint) -> list[BuzzerPrint]:
        """Return a print for each piece, going outward from where the known one shows most."""
        count = len(self.each)
        spans = [range(i, i + TOGETHER) for i in range(count - TOGETHER + 1)]
        start = max(spans or [range(count)], key=lambda run: self._shows(known, run))
        prints = [self._adapted(known, start) or known] * count
        for way in range(start[0], count), range(start[-1], -1, -1):
            for at in range(len(start), len(way)):
                heard = way[at + 1 - TOGETHER : at + 1]
                before = prints[heard[-2]]
                prints[heard[-1]] = self.fresh(before, heard) or before
        return prints

    def fresh(self, known: BuzzerPrint, heard: Sequence[int] | None = None) -> BuzzerPrint | None:
        """Return a print fitted to some pieces, or to all, of which the last alone is new.

        It is the known one where that is not heard to change, and None where both do not say the
        same of the others.
        """
        heard = heard or range(len(self.each))
        one = self._adapted(known, heard)
        if one is None:
            return known
        if one.margin_db < LEAST_MARGIN * known.margin_db:
            return None
        said = [self._said(each, heard[:-1])[1] for each in (known, one)]
        agreed = [
            float(np.mean(said[1][said[0] == state] == state)) for state in np.unique(said[0])
        ]
        return one if min(agreed, default=0.0) > SAME else None

    def differ(self, one: BuzzerPrint, others: list[BuzzerPrint]) -> float:
        """Return the largest share of a piece's frames of which its print says else than `one`."""
        shares = [
            float(np.mean(self._said(one, [i])[1] != self._said(other, [i])[1]))
            for i, other in enumerate(others)
            if len(self.each[i].levels)
        ]
        return max(shares, default=0.0)

    def changes(self, known: BuzzerPrint) -> int:
        """Return how often a buzzer is heard to change in all of them by their frames, apart from
        chatter.
        """
        lengths, states = runs(self._said(known, range(len(self.each)))[1])
        lasting = states[lengths * self._every * self._grid.hop_s > CHATTERS_S]
        return int(np.count_nonzero(np.diff(lasting)))

    def _shows(self, known: BuzzerPrint, pieces: Iterable[int]) -> float:
        """Return how much a buzzer is heard to change in some pieces."""
        log_odds, labels = self._said(known, pieces)
        changes = int(np.count_nonzero(np.diff(labels)))
        return min(changes, PLENTY) * float(np.mean(np.abs(log_odds) > CERTAIN)) if changes else 0.0

    def _said(self, known: BuzzerPrint, pieces: Iterable[int]) -> tuple[Array, Mask]:
        levels = np.concatenate([self.each[i].levels for i in pieces])
        if len(levels) == 0:
            return np.zeros(0), np.zeros(0, dtype=bool)
        log_odds = log_odds_by(known, levels, self._grid, self._every)
        return log_odds, log_odds > 0

    def _adapted(self, known: BuzzerPrint, pieces: Iterable[int]) -> BuzzerPrint | None:
        chosen = [self.each[i] for i in pieces]
        powers = np.concatenate([one.powers for one in chosen])
        levels = np.concatenate([one.levels for one in chosen])
        return adapt(powers, levels, self._grid, known, self._every)
