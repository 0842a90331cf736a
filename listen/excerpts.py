"""Excerpts: the sound around each opening, made ready to draw.

For each moment the buzzer's band is where the spectra before and after differ most. What is kept
is small: the outline of the swings and the level in that band, column by column.
"""

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.change import Change
from analysis.record import TimingRecord
from analysis.soundspeed import sound_delay
from listen.errors import BadInput

HALF_S = 0.06
_COLUMNS = 160
_BAND_HZ = 250.0

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Excerpt:
    """The sound around one opening.

    Attributes
    ----------
    time_s, uncertainty_s : float
        The opening's moment, and one standard uncertainty.
    half_s : float
        From either end to the moment.
    lows, highs, level : ndarray, shape (columns,)
        Least and greatest swing, from -1 to 1, and the level in the band from 0 to 1.
    band_hz : tuple of float
    """

    time_s: float
    uncertainty_s: float
    half_s: float
    lows: Floats
    highs: Floats
    level: Floats
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class SoundFile:
    """A recording, and the time at which it begins."""

    path: Path
    from_s: float = 0.0


def excerpts(record: TimingRecord, sounds: Sequence[SoundFile]) -> list[Excerpt]:
    """Cut the sound around a record's openings out of its recordings.

    Parameters
    ----------
    record : TimingRecord
        Whose openings are drawn.
    sounds : sequence of SoundFile
        What they were heard in, in order of time.

    Returns
    -------
    list of Excerpt
        Of the openings in these recordings; one cut short by a recording's ends is filled with
        silence.
    """
    changes = [
        opening.change
        for cylinder in record.cylinders
        for opening in cylinder.openings
        if opening.change
    ]
    distance_m = record.inputs.distance_m
    late_s = sound_delay(distance_m).seconds if distance_m else 0.0
    found = []
    ends_s = [sound.from_s for sound in sounds[1:]] + [math.inf]
    for sound, end_s in zip(sounds, ends_s, strict=False):  # one end too many where no sound is
        here = [change for change in changes if sound.from_s <= change.time_s < end_s]
        if here:
            with suppress(BadInput):  # a damaged file costs its pictures only
                found += _cut_out(sound, here, late_s)
    return found


def _cut_out(sound: SoundFile, changes: Sequence[Change], late_s: float) -> list[Excerpt]:
    from listen.sources import open_recording

    source = open_recording(sound.path)
    rate = source.rate_hz
    size = 2 * round(HALF_S * rate)
    late_s -= sound.from_s
    firsts = [round((change.time_s + late_s) * rate) - size // 2 for change in changes]
    cuts = [np.zeros(size) for _ in changes]
    for block in source.blocks():
        start = round(block.start_s * rate)
        for first, cut in zip(firsts, cuts, strict=True):
            low, high = max(first, start), min(first + size, start + len(block.samples))
            if low < high:
                cut[low - first : high - first] = block.samples[low - start : high - start]
    return [
        _excerpt(cut, rate, change.time_s, change.uncertainty_s)
        for cut, change in zip(cuts, changes, strict=True)
    ]


def _excerpt(cut: Floats, rate: float, time_s: float, uncertainty_s: float) -> Excerpt:
    half = len(cut) // 2
    window = np.hanning(half)
    before, after = (np.abs(np.fft.rfft(part * window)) for part in (cut[:half], cut[half:]))
    hz = np.fft.rfftfreq(half, 1.0 / rate)
    loudest = float(hz[int(np.argmax(np.where(hz > 100.0, np.abs(after - before), 0.0)))])
    band = max(0.0, loudest - _BAND_HZ), loudest + _BAND_HZ
    spectrum = np.fft.fft(cut)
    all_hz = np.fft.fftfreq(len(cut), 1.0 / rate)
    # One-sided and doubled: the magnitude of what comes back is the envelope.
    spectrum[(all_hz < band[0]) | (all_hz > band[1])] = 0.0
    level = np.abs(np.fft.ifft(2.0 * spectrum))
    columns = np.array_split(cut, min(_COLUMNS, len(cut)))
    full = float(np.abs(cut).max()) or 1.0
    levels = np.array([part.mean() for part in np.array_split(level, len(columns))])
    return Excerpt(
        time_s,
        uncertainty_s,
        HALF_S,
        np.array([part.min() for part in columns]) / full,
        np.array([part.max() for part in columns]) / full,
        levels / (float(levels.max()) or 1.0),
        band,
    )
