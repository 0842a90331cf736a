"""The sound around each opening, made ready to draw.

For each moment the buzzer's band is where the spectra before and after differ most. What is kept
is small: the outline of the swings and the level in that band, column by column.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.record import PlacedReading
from analysis.soundspeed import travel

HALF_S = 0.06
_COLUMNS = 160
_BAND_HZ = 250.0

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Stretch:
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


def stretches(
    recording: str | os.PathLike[str],
    openings: Sequence[PlacedReading],
    distance_m: float | None = None,
) -> list[Stretch]:
    """Cut the sound around openings out of a recording.

    Parameters
    ----------
    recording : str or path
        The recording they were heard in.
    openings : sequence of PlacedReading
        Those with a change are drawn.
    distance_m : float, optional
        From buzzer to microphone, as it was taken off the moments.

    Returns
    -------
    list of Stretch
        In the order of the openings; one cut short by the recording's ends is filled with silence.
    """
    from listen.sources import open_recording

    source = open_recording(recording)
    late_s = travel(distance_m).seconds if distance_m else 0.0
    changes = [opening.change for opening in openings if opening.change]
    rate = source.rate_hz
    size = 2 * round(HALF_S * rate)
    firsts = [round((change.time_s + late_s) * rate) - size // 2 for change in changes]
    cuts = [np.zeros(size) for _ in changes]
    for block in source.blocks():
        start = round(block.start_s * rate)
        for first, cut in zip(firsts, cuts, strict=True):
            low, high = max(first, start), min(first + size, start + len(block.samples))
            if low < high:
                cut[low - first : high - first] = block.samples[low - start : high - start]
    return [
        _stretch(cut, rate, change.time_s, change.uncertainty_s)
        for cut, change in zip(cuts, changes, strict=True)
    ]


def _stretch(cut: Floats, rate: float, time_s: float, uncertainty_s: float) -> Stretch:
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
    return Stretch(
        time_s,
        uncertainty_s,
        HALF_S,
        np.array([part.min() for part in columns]) / full,
        np.array([part.max() for part in columns]) / full,
        levels / (float(levels.max()) or 1.0),
        band,
    )
