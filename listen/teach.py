"""Teaching a buzzer from recordings: which parts of them belong to open and to closed points."""

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.ear.spectrum import FrameGrid, Powers
from analysis.ear.teaching import Lesson, teach
from analysis.ear.window import frames_of
from analysis.sound import Block
from listen.errors import BadInput
from listen.paths import StrPath
from listen.sources import FULL_SCALE, Recording, open_recording

LONGEST_S = 60.0
"""No more of each state is listened to."""


@dataclass(frozen=True)
class Span:
    """A stretch of a recording, in seconds from its start."""

    start_s: float = 0.0
    end_s: float = math.inf

    def __str__(self) -> str:
        if math.isinf(self.end_s):
            return f"from {self.start_s:g} s on"
        return f"{self.start_s:g}-{self.end_s:g} s"


def parse_span(text: str) -> Span:
    """Read a stretch such as ``0-5`` or ``2.5-7``, in seconds.

    Raises
    ------
    BadInput
        If it is not one.
    """
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*[-–]\s*(\d+(?:[.,]\d+)?)\s*", text)
    if found:
        start_s, end_s = (float(part.replace(",", ".")) for part in found.groups())
        if start_s < end_s:
            return Span(start_s, end_s)
    raise BadInput(f"{text!r} is not a stretch of time: give seconds from and to, such as 0-5")


def teach_from(
    closed: StrPath,
    opened: StrPath,
    closed_at: Sequence[Span] = (Span(),),
    open_at: Sequence[Span] = (Span(),),
) -> tuple[Lesson, list[str]]:
    """Make a buzzer's print from recordings of its two states.

    Parameters
    ----------
    closed, opened : path
        Recordings with the points closed and open; may be the same.
    closed_at, open_at : sequence of Span
        The stretches of them that count; all of it by default.

    Returns
    -------
    lesson : Lesson
    notes : list of str
        What the decoding found wrong with the files.

    Raises
    ------
    BadInput
        If a recording cannot be used, or holds too little.
    """
    if closed == opened:
        _not_both(closed_at, open_at)
    recordings = [open_recording(closed), open_recording(opened)]
    rates = [recording.rate_hz for recording in recordings]
    if rates[0] != rates[1]:
        raise BadInput(
            f"{recordings[0].name} and {recordings[1].name} differ in sampling rate: make both "
            "with the same phone and program"
        )
    powers, clipped, notes = [], 0.0, []
    spans = closed_at, open_at
    for recording, wanted in zip(recordings, spans, strict=True):
        some, share = _listen(recording, wanted)
        powers.append(some)
        clipped = max(clipped, share)
        for note in recording.notes:
            if (said := f"{recording.name}: {note}") not in notes:
                notes.append(said)
    try:
        lesson = teach(powers[0], powers[1], FrameGrid.at_rate(rates[0]), clipped)
    except ValueError as trouble:
        which = " and ".join(dict.fromkeys(recording.name for recording in recordings))
        raise BadInput(f"{which}: {trouble}") from None
    return lesson, notes


def _not_both(closed_at: Sequence[Span], open_at: Sequence[Span]) -> None:
    """Raise BadInput if the points would have to be both closed and open at a time."""
    for one, other in itertools.product(closed_at, open_at):
        if one.start_s < other.end_s and other.start_s < one.end_s:
            raise BadInput(
                f"the points cannot be closed ({one}) and open ({other}) at a time: give stretches "
                "that do not overlap, in which they stay as they are"
            )


def _listen(recording: Recording, spans: Sequence[Span]) -> tuple[Powers, float]:
    """Return the frames within some stretches, and the share of their samples at full scale."""
    grid = FrameGrid.at_rate(recording.rate_hz)
    powers = [np.zeros((0, grid.bins), dtype=np.float32)]
    samples = clipped = 0
    for span in spans:
        window = list(_within(recording, span))
        if not window:
            raise BadInput(
                f"{recording.name}: there is no sound from {span.start_s:g} s on; give a stretch "
                "that lies within the recording"
            )
        powers.append(frames_of(window))
        samples += sum(len(block.samples) for block in window)
        clipped += sum(int(np.sum(np.abs(b.samples) >= FULL_SCALE)) for b in window)
    return np.concatenate(powers), clipped / samples


def _within(recording: Recording, span: Span) -> Iterator[Block]:
    """Yield the blocks of a stretch, cut to it, LONGEST_S at most."""
    end_s = min(span.end_s, span.start_s + LONGEST_S)
    # It is decoded to its end, for only then can the recording say what is wrong with it.
    for block in recording.blocks():
        rate = block.rate_hz
        first = max(0, math.ceil((span.start_s - block.start_s) * rate))
        last = min(len(block.samples), math.floor((end_s - block.start_s) * rate))
        if first < last:
            yield replace(
                block, samples=block.samples[first:last], start_s=block.start_s + first / rate
            )
