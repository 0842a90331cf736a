"""Stretches of sound that are looked at as a whole: blocks gathered, and their frames."""

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from analysis.ear.spectrum import FrameGrid, Powers
from analysis.sound import Block, finite


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


class Lately:
    """The latest sound, in cells of one length however long the blocks are.

    Parameters
    ----------
    cell_s, longest_s : float
        Length of a cell, shorter before a gap alone, and of all that is kept, in seconds.

    Attributes
    ----------
    blocks : deque of Block
        The cells, oldest first.
    heard_s : float
        Length of all that came, in seconds, up to the end of the last cell.
    """

    def __init__(self, cell_s: float, longest_s: float):
        self.blocks: deque[Block] = deque()
        self.heard_s = 0.0
        self._cell_s, self._longest_s = cell_s, longest_s
        self._cell: list[Block] = []

    def pieces(self, block: Block) -> Iterator[tuple[Block, bool]]:
        """Keep a block, and yield the pieces of it and whether one ends a cell."""
        rate, first = block.rate_hz, round(block.start_s * block.rate_hz)
        size = round(self._cell_s * rate)
        if self._cell and first != round(self._cell[-1].end_s * rate):
            self.end_cell()
        begin = 0
        while begin < len(block.samples):
            end = begin + size - sum(len(piece.samples) for piece in self._cell)
            piece = Block(block.samples[begin:end], rate, (first + begin) / rate)
            self._cell.append(piece)
            is_full = end <= len(block.samples)
            if is_full:
                self.end_cell()
            yield piece, is_full
            begin = end

    def end_cell(self) -> None:
        """Keep what there is of the latest cell, and forget what is too long ago."""
        if not self._cell:
            return
        samples = np.concatenate([piece.samples for piece in self._cell])
        cell = replace(self._cell[0], samples=samples)
        self._cell = []
        self.blocks.append(cell)
        self.heard_s += len(samples) / cell.rate_hz
        while cell.end_s - self.blocks[0].start_s > self._longest_s + self._cell_s / 2:
            self.blocks.popleft()


def joined(blocks: Iterable[Block]) -> list[Block]:
    """Join the blocks that follow one another without a gap."""
    runs: list[list[Block]] = []
    end = None
    for block in blocks:
        first = round(block.start_s * block.rate_hz)
        if first != end:
            runs.append([])
        runs[-1].append(block)
        end = first + len(block.samples)
    return [
        replace(run[0], samples=np.concatenate([block.samples for block in run])) for run in runs
    ]


def frames_of(window: Iterable[Block], every: int = 1) -> Powers:
    """Return the powers of the frames in a window; none spans a gap."""
    runs = joined(window)
    grid = FrameGrid.at_rate(runs[0].rate_hz)
    return np.concatenate([grid.powers(finite(run.samples), every) for run in runs])
