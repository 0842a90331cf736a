"""Stretches of sound that are looked at as a whole: blocks gathered, and their frames."""

from collections.abc import Iterable, Iterator

import numpy as np

from analysis.ear.spectrum import FrameGrid, Powers
from analysis.sound import Block, Samples, finite


def windows(blocks: Iterable[Block], least_s: float) -> Iterator[list[Block]]:
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
