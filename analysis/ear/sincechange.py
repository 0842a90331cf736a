"""What the frames have shown since the last change, while the buzzer was in one state.

How like its state all of it is, how loud, and at what pitch. Times are seconds since listening
began, levels are in dB, pitches in Hz.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.ear.buzzer import evidence_temper
from analysis.ear.spectrum import Columns, Powers

Numbers = npt.NDArray[np.floating]

UNLIKE_S, LIKE_LOG_ODDS = 0.4, 1.0
"""What lasts for less than this is judged by how much of what its frames show is like its state, by
at least these log odds; known only once it is over."""
LATEST_S = 0.8
"""Of what lasts longer, the latest tells how it sounds."""
KEPT_S = 1.3
"""For how long frames are kept: LATEST_S, and what is looked at after a turn."""
MARGIN_S = 0.012
"""How far from a change frames show one state alone."""
FEWEST = 3
"""Frames from which something is told."""


@dataclass(frozen=True)
class Sound:
    """How a buzzer sounded in one state: its median level and pitch, the pitch's standard deviation
    (0 of both where it has none), and how many prints of it had been followed before.
    """

    print_number: int
    level_db: float
    tone_hz: float
    tone_spread_hz: float


@dataclass(frozen=True, eq=False)
class Frames:
    """What some frames showed: when, the evidence of each column, and the power of each bin.

    `at_s` is of shape (frames,), `evidence` of (frames, columns), `powers` of (frames, grid.bins);
    `louder` are the columns that are louder while the buzzer sounds.
    """

    at_s: Numbers
    evidence: Numbers
    powers: Powers
    louder: Columns
    print_number: int


class SinceChange:
    """What was heard since the last change."""

    def __init__(self) -> None:
        self._since_s = np.inf
        self._heard: deque[Frames] = deque()

    def begin(self, settled_s: float) -> None:
        """Begin anew at a change; at infinity, until one is told of."""
        self._since_s = settled_s

    def hear(self, frames: Frames) -> None:
        """Take the next frames."""
        self._heard.append(frames)
        while self._heard[0].at_s[-1] < frames.at_s[0] - KEPT_S:
            self._heard.popleft()

    def like(self, state: int, until_s: float) -> float:
        """Return the share of it that is like a state; 1 if it lasted, or is too short to tell."""
        first_s, last_s = self._since_s + MARGIN_S, until_s - MARGIN_S
        if last_s - first_s > UNLIKE_S:
            return 1.0
        sign = 1 if state else -1
        like = [
            (sign * some.evidence[within] > LIKE_LOG_ODDS / evidence_temper(some.evidence.shape[1]))
            for some, within in self._between(first_s, last_s)
        ]
        shares = np.concatenate([columns.mean(axis=1) for columns in like] or [np.zeros(0)])
        return float(shares.mean()) if len(shares) >= FEWEST else 1.0

    def sound(self, until_s: float) -> Sound | None:
        """Return how it sounded by the latest print; None for too few frames."""
        first_s = max(self._since_s + MARGIN_S, until_s - LATEST_S)
        heard = self._between(first_s, until_s - MARGIN_S)
        latest = [pair for pair in heard if pair[0].print_number == heard[-1][0].print_number]
        if sum(within.sum() for _, within in latest) < FEWEST:
            return None
        powers = np.concatenate([some.powers[within] for some, within in latest])
        louder = latest[0][0].louder
        tones_hz = louder.tones_hz(powers)
        return Sound(
            latest[0][0].print_number,
            float(np.median(louder.levels(powers).mean(axis=1))),
            float(np.median(tones_hz)),
            float(np.std(tones_hz)),
        )

    def latest_powers(self) -> Powers | None:
        """Return the powers of its latest frames; None for too few."""
        heard = self._between(self._since_s + MARGIN_S, np.inf)
        powers = [some.powers[within] for some, within in heard]
        return np.concatenate(powers) if sum(map(len, powers)) >= FEWEST else None

    def _between(self, first_s: float, last_s: float) -> list[tuple[Frames, npt.NDArray[np.bool_]]]:
        """Return the frames with which of them lie between two moments, of which any does."""
        heard = [(some, (first_s < some.at_s) & (some.at_s < last_s)) for some in self._heard]
        return [pair for pair in heard if pair[1].any()]
