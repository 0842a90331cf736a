"""The ear live: a thin stand-in."""

import numpy as np

from analysis.change import Change, Points, Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.ear import Ear
from analysis.ear.learning import learn
from analysis.ear.recording import PLAIN_LOG_ODDS, frames_of
from analysis.ear.spectrum import FrameGrid
from analysis.sound import Block, finite

EVERY_S = 4.0
LONGEST_S = 40.0


class LiveEar:
    """Hear changes as they come; learn the buzzer first when it is not given."""

    def __init__(
        self, rate_hz: float, sounding: Sounding | None = None, buzzer: BuzzerPrint | None = None
    ):
        self._rate_hz = rate_hz
        self._sounding = sounding
        self._waiting: list[Block] = []
        self._asked_s = -np.inf
        self._ear = Ear(rate_hz, buzzer, sounding) if buzzer else None

    @property
    def buzzer(self) -> BuzzerPrint | None:
        """The buzzer's print, once it is known."""
        return self._ear.buzzer if self._ear else None

    @property
    def state(self) -> Points | None:
        """How the points stand now."""
        if self._ear is None or self._ear.state is None:
            return None
        return self._ear._points(self._ear.state)

    def hear(self, block: Block) -> list[Change]:
        """Take a block and return the changes it settles."""
        if self._ear is not None:
            return self._ear.hear(block)
        self._waiting.append(Block(finite(block.samples), block.rate_hz, block.start_s, block.lost))
        while block.end_s - self._waiting[0].start_s > LONGEST_S:
            self._waiting.pop(0)
        if block.end_s - self._asked_s < EVERY_S:
            return []
        self._asked_s = block.end_s
        return self._learn(PLAIN_LOG_ODDS)

    def finish(self) -> list[Change]:
        """Return what the end of the sound leaves unsettled."""
        changes = [] if self._ear or not self._waiting else self._learn(0.0)
        return changes + (self._ear.finish() if self._ear else [])

    def _learn(self, sure: float) -> list[Change]:
        buzzer = learn(frames_of(self._waiting), FrameGrid.at_rate(self._rate_hz))
        if buzzer is None or buzzer.quality < sure:
            return []
        self._ear = Ear(self._rate_hz, buzzer, self._sounding)
        changes = [change for block in self._waiting for change in self._ear.hear(block)]
        self._waiting = []
        return changes
