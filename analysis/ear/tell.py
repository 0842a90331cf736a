"""What tells a buzzer's states apart at sample resolution.

The filter that tells two spectra apart best for its length passes what one state has and the
other has not: the difference of their inverse spectra (P. Whittle, "The analysis of multiple
stationary time series", J. Roy. Stat. Soc. B 15 (1953) 125). Its energy rises when that state
begins. A second filter beside it hears the background alone, so that a blow or a word is known
for what it is.

All filters are symmetric about zero lag and given by their real responses: none delays.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import median_filter

from analysis.change import Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.spectrum import FLOOR, FrameGrid

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FINER = 4
"""How much finer the frequency grid of the filters is than that of the frames."""
FILTER_S = 0.004
"""Length of the filters; those beside are twice as long."""
NEAREST, FURTHEST = 12, 40
"""Bins from a line between which the background is heard."""
BROAD_HZ, BROAD_BINS, BROAD_APART = 300.0, 9, 0.4
"""How much of the spectrum of a growl is louder than what it is heard against; the bins of which
that is a median, so that lines do not count; and by how much, in nepers of power."""
LINE_BINS, LINE_SHARE = 5, 0.87
"""What has so much of its power in so few bins is a tone."""
LEAST_RISE = 1.6
"""Least ratio of a filter's energy in its own state to that in the other."""


@dataclass(frozen=True, eq=False)
class Tell:
    """What tells the states apart at sample resolution, on fine frequency grids.

    Attributes
    ----------
    hz : ndarray, shape (m,)
        Frequencies of `responses` and `flanks`, in Hz.
    responses : ndarray, shape (2, m)
        Zero-phase filters whose output rises when state 0, 1 begins; zero where none does.
    flanks : ndarray, shape (2, m)
        Filters that hear the background beside those; zero where there is no room for one.
    line_power : ndarray, shape (2, bins)
        Least power of a line of each state, for one window of a frame; infinite off the lines.
    bin_hz : float
        Step of `line_power`, in Hz.
    broad : int or None
        The state that is louder at so many frequencies that it may be a growl's, if one is.
    """

    hz: Array
    responses: Array
    flanks: Array
    line_power: Array
    bin_hz: float
    broad: int | None = None

    @classmethod
    def of(cls, buzzer: BuzzerPrint, grid: FrameGrid, sounding: Sounding | None) -> "Tell":
        """Derive it from a print for sound at the grid's rate."""
        count = grid.length // 2 + 1
        hz = np.arange(count, dtype=np.float64) * grid.bin_hz
        inside = (hz >= buzzer.spectrum_hz[0]) & (hz <= buzzer.spectrum_hz[-1])
        median = buzzer.spectrum_at(hz)
        mean = median / np.log(2)  # as of noise, whose power is distributed exponentially
        floor = median_filter(mean.min(axis=0), 21, mode="nearest")
        louder = [inside & (mean[s] > 4 * floor) & (mean[s] > 2 * mean[1 - s]) for s in (0, 1)]
        own = np.stack(
            [o | (p & (m > 4 * floor)) for o, p, m in zip(louder, louder[::-1], mean, strict=True)]
        )
        if sounding in ("open", "closed") and buzzer.silent is not None:
            own[buzzer.silent] = False
        lines = np.where([_widen(o, 2) for o in own], 10 * floor, np.inf)
        responses = [_contrast(mean[1 - s], mean[s], louder[s]) for s in (0, 1)]
        flanks = [_beside(of, inside & ~_widen(own[0] | own[1], 6)) for of in louder]
        fine = [_shortened(r, grid.rate_hz, FILTER_S) for r in responses]
        energy = (np.square(fine)[:, None, ::FINER] * mean[None]).sum(axis=2)
        for s in (0, 1):
            if not energy[s, s] > LEAST_RISE * energy[s, 1 - s]:
                fine[s], flanks[s] = np.zeros_like(fine[s]), np.zeros(count)
        flanks = [_shortened(f, grid.rate_hz, 2 * FILTER_S) for f in flanks]
        fine_hz = np.arange(len(fine[0])) * grid.bin_hz / FINER
        broad = _broad(median[:, inside], grid.bin_hz, buzzer.silent)
        return cls(fine_hz, np.stack(fine), np.stack(flanks), lines, grid.bin_hz, broad)


def _broad(median: Array, bin_hz: float, silent: int | None) -> int | None:
    """Return the state, not `silent`, that is louder at many frequencies and no tone, if one is.

    A phone's gain makes silence louder after a tone.
    """
    apart = np.diff(np.log(median + FLOOR), axis=0)[0]
    smooth = median_filter(apart, BROAD_BINS, mode="nearest")
    louder_hz = [float(np.sum(way * smooth > BROAD_APART)) * bin_hz for way in (-1, 1)]
    louder = int(louder_hz[1] > louder_hz[0])
    if louder_hz[louder] <= BROAD_HZ or louder == silent:
        return None
    power = np.maximum(median[louder] - median[1 - louder], 0.0)
    line = np.convolve(power, np.ones(LINE_BINS)).max()
    return louder if line < LINE_SHARE * power.sum() else None


def _contrast(quiet: Array, loud: Array, bins: Mask) -> Array:
    """Return the amplitude response whose energy tells best that these bins grow louder."""
    if not bins.any():
        return np.zeros(len(bins))
    background = quiet + 1e-3 * loud[bins].max()
    gain = np.maximum(1 / background - 1 / (loud + background), 0.0)
    return np.asarray(np.sqrt(gain) * _widen(bins, 1))


def _beside(bins: Mask, free: Mask) -> Array:
    """Return a response that hears what is beside some bins, where the buzzer has no line."""
    beside = free & _widen(bins, FURTHEST) & ~_widen(bins, NEAREST)
    return beside.astype(float) if beside.sum() >= 8 else np.zeros(len(beside))


def _shortened(response: Array, rate_hz: float, span_s: float) -> Array:
    """Return a response whose filter is cut to a span, on a grid FINER times as fine."""
    half = int(span_s / 2 * rate_hz)
    taps = scipy.fft.irfft(response)
    size = FINER * len(taps)
    window = np.hanning(2 * half + 3)[1:-1]
    cut = np.zeros(size)
    cut[: half + 1] = taps[: half + 1] * window[half:]
    cut[-half:] = taps[-half:] * window[:half]
    return np.asarray(scipy.fft.rfft(cut).real)


def _widen(mask: Mask, by: int) -> Mask:
    return np.convolve(mask, np.ones(2 * by + 1), mode="same") > 0
