"""The first sign of a change: does anything stir before the sound goes over?

Meaning
-------
At the hairline the contact makes and breaks before it settles, and a slow buzzer hardly follows:
its level dips by a tenth or two for some milliseconds. In a steady sound such a dip is plain
against what the sound was about to do. So each line of the old sound is carried forward by a short
linear predictor from its own near past, and what differs from that, in the direction of the
change, is weighed against the noise; lines of the new sound are weighed as they appear. The
noise's power at each moment is followed in the gaps beside the line, so that a blow or a word
makes the ear less sure, not more.

Conventions
-----------
Courses have one value every STEP_S, for the middle of the step; windows are symmetric.

Sources
-------
S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. II (1998), sections 7.4 and 9.4:
detection of a sinusoid of unknown amplitude with known and with unknown phase.
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561.
"""

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.special import i0e

from analysis.ear.moment import Lines

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

STEP_S = 0.001
"""Step in which makes and breaks are told apart."""
WINDOW_S = 0.004
AHEAD, PAST = 6, 44
"""The predictor looks from AHEAD to PAST steps back."""
MOST_LINES = 4
PARTS = np.geomspace(0.09, 1.0, 8)
"""How far a buzzer may have followed the contact, as parts of the whole way."""
PART_SPREAD = 0.2
"""Relative spread of each, so that they overlap and the line's own size need not be exact."""
MOST = 0.45
PASSING = 2.0
"""Log odds, step by step, against staying less than MOST of the way: a buzzer only passes there."""
ACCIDENT = 0.01
"""Share of steps in which something else is heard."""
INCOHERENT = 0.3
"""Share of its power by which a line that keeps step may miss a straight course."""
GAINS = np.array([0.7, 1.0, 1.4])
"""How much the power of an unsteady sound comes and goes."""
BINS_SHARE = 0.3
"""Bins of one step are not independent either."""
SHARE = 0.35
"""Steps overlap by the window's length, so each counts for less than one of its own."""


class Steps:
    """A stretch of sound in steps, each heard through a Hann window about its middle.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The stretch.
    rate_hz : float
        Samples per second.

    Attributes
    ----------
    windowed : ndarray, shape (steps, samples)
        A full-scale sine has size 1 in its bin.
    """

    def __init__(self, x: Array, rate_hz: float):
        self._rate_hz = rate_hz
        length = round(WINDOW_S * rate_hz)
        window = np.hanning(length + 1)[:-1]
        middles = (np.arange(int(len(x) / rate_hz / STEP_S)) + 0.5) * STEP_S * rate_hz
        self._starts = np.round(middles - length / 2).astype(np.intp)
        views = np.lib.stride_tricks.sliding_window_view(np.pad(x, length), length)
        self.windowed = views[self._starts + length] * (window * (2 / window.sum()))
        self._lines: dict[float, tuple[Complex, Array]] = {}

    def __len__(self) -> int:
        return len(self._starts)

    def line(self, hz: float) -> tuple[Complex, Array]:
        """Return the complex size of a line in each step, and the mean power beside it."""
        if hz not in self._lines:
            offsets = np.array([0, -4, -3, 3, 4]) / WINDOW_S  # where Hann hears no steady tone
            turns = np.outer(np.arange(self.windowed.shape[1]) / self._rate_hz, hz + offsets)
            out = self.windowed @ np.exp(-2j * np.pi * turns)
            z = out[:, 0] * np.exp(-2j * np.pi * hz * self._starts / self._rate_hz)
            beside = np.mean(np.abs(out[:, 1:]) ** 2, axis=1)
            smooth = np.convolve(np.pad(beside, 4, mode="edge"), np.ones(9) / 9, "valid")
            self._lines[hz] = z, smooth
        return self._lines[hz]


def stirring(sound: Steps, old: Lines, new: Lines, calm: slice) -> Array:
    """Return the log odds, step by step, that the sound has left its old state.

    Parameters
    ----------
    sound : Steps
        The stretch.
    old, new : Lines
        The strongest lines of the sound before and after, if any.
    calm : slice
        Steps in which the old state is sure.
    """
    odds = np.zeros((len(PARTS), len(sound)))
    olds, news = _strongest(old), _strongest(new)
    for hz, size in olds:
        shared = [s for f, s in news if abs(f - hz) < 40]
        way = (shared[0] - size) / size if shared else -1.0
        z, beside = sound.line(hz)
        expected = _predicted(z)
        odd = (z - expected) * np.conj(expected) / (np.abs(expected) + 1e-12)
        noise = _noise(np.abs(odd) ** 2, beside, calm, 0.02 * size)
        y = np.sign(way) * odd.real / np.sqrt(noise / 2)
        odds += _signed(y, abs(way) * size / np.sqrt(noise / 2))
    for hz, size in news:
        if any(abs(f - hz) < 250 for f, _ in olds):
            continue
        z, beside = sound.line(hz)
        noise = _noise(np.abs(z) ** 2, beside, calm, 0.0)
        odds += _unsigned(np.abs(z) / np.sqrt(noise), size / np.sqrt(noise))
    return left(odds)


def left(odds: Array) -> Array:
    """Return the log odds of having left, step by step, from those of each part of the way."""
    some, most = _any_of(odds), _any_of(odds[PARTS > MOST])
    return np.asarray(SHARE * np.maximum(some - PASSING, most))


def coherent(sound: Steps, lines: Lines, part: slice) -> bool | None:
    """Say whether a sound's lines keep step well enough to be carried forward.

    None when there are no lines, or `part`, some steps of that sound, is too short to tell.
    """
    strongest = _strongest(lines)
    if not strongest or part.stop - part.start < 20:
        return None
    errors, sizes = 0.0, 0.0
    for hz, _ in strongest:
        z, _ = sound.line(hz)
        here = z[part]
        t = np.arange(len(here))
        fit = np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, here, 1))
        errors += float(np.median(np.abs(here - fit) ** 2))
        sizes += float(np.median(np.abs(here) ** 2))
    return errors < INCOHERENT * sizes


def power_odds(sound: Steps, calm: slice, late: slice) -> Array:
    """Return the log odds of each part of the way, step by step, from the power spectrum alone.

    Parameters
    ----------
    sound : Steps
        The stretch.
    calm, late : slice
        Steps in which the old and the new state are sure.

    Returns
    -------
    ndarray, shape (len(PARTS), steps)
    """
    spectrum = scipy.fft.rfft(sound.windowed, axis=1)[:, 1 : int(8000 * WINDOW_S)]
    power = spectrum.real**2 + spectrum.imag**2 + 1e-20
    old, new = (power[part].mean(axis=0) for part in (calm, late))
    told = np.maximum(new / old, old / new) > 1.5
    if not told.any():
        return np.zeros((len(PARTS), len(sound)))
    power, old, new = power[:, told], old[told], new[told]
    logs = np.array([np.log(density_of(power, g * old)).sum(axis=1) for g in GAINS])
    still = _any_of(BINS_SHARE * logs) / BINS_SHARE
    odds = []
    for part in PARTS:
        share = part**2 if new.sum() > old.sum() else 1 - (1 - part) ** 2
        odds.append(np.log(density_of(power, old + share * (new - old))).sum(axis=1) - still)
    return np.array(odds)


def density_of(power: Array, mean: Array) -> Array:
    """Return the likelihood of each bin's power where noise of that mean is heard, or an accident.

    Parameters
    ----------
    power : ndarray, shape (steps, bins)
        What is heard.
    mean : ndarray, shape (bins,)
        That of the noise.
    """
    q = power / mean
    return np.asarray((np.exp(-q) + ACCIDENT / (1 + q) ** 2) / mean)


def _any_of(odds: Array) -> Array:
    top = odds.max(axis=0)
    return np.asarray(top + np.log(np.mean(np.exp(odds - top), axis=0)))


def _strongest(lines: Lines) -> list[tuple[float, float]]:
    sizes = np.abs(lines.amplitudes)
    order = np.argsort(-sizes)[:MOST_LINES]
    return [
        (float(lines.frequencies_hz[i]), float(sizes[i]))
        for i in order
        if sizes[i] > 0.1 * sizes[order[0]]
    ]


def _predicted(z: Complex) -> Complex:
    """Return each value as carried on along a straight line from its near past."""
    back = np.arange(AHEAD, PAST)
    design = np.stack([np.ones(len(back)), -back.astype(float)])
    weights = np.linalg.pinv(design.T)[0]
    kernel = np.concatenate([np.zeros(AHEAD), weights])
    padded = np.concatenate([np.full(PAST, z[:PAST].mean()), z])
    return np.asarray(np.convolve(padded, kernel)[PAST : PAST + len(z)])


def _noise(power: Array, beside: Array, calm: slice, least: float) -> Array:
    """Return the noise power in each step, as in the calm but for what is heard beside the line."""
    usual = float(np.median(power[calm])) / np.log(2)
    louder = np.maximum(beside / (np.median(beside[calm]) + 1e-30), 0.5)
    return np.asarray(usual * louder + least**2 + 1e-20)


def _signed(y: Array, way: Array) -> Array:
    """Weigh a deviation in the direction of the change, in standard deviations, by part."""
    accident = ACCIDENT / (np.pi * (1 + y**2))
    still = _bell(y, 0.0, 1.0) + accident
    at = PARTS[:, None] * way
    moved = _bell(y, at, np.sqrt(1 + (PART_SPREAD * at) ** 2)) + accident
    return np.asarray(np.log(moved) - np.log(still))


def _unsigned(root: Array, way: Array) -> Array:
    """Weigh a size, in units of the noise's root mean square, that may be a new line's."""
    accident = ACCIDENT * 2 * root / (1 + root**2) ** 2 + 1e-12
    still = 2 * root * np.exp(-np.minimum(root**2, 700)) + accident
    at = PARTS[:, None] * way
    rice = 2 * root * np.exp(-((root - at) ** 2)) * i0e(2 * at * root)
    plain = _bell(root, at, np.sqrt(0.5 + (PART_SPREAD * at) ** 2))
    moved = np.where(at < 3, rice, plain) + accident
    return np.asarray(np.log(moved) - np.log(still))


def _bell(x: Array, middle: Array | float, spread: Array | float) -> Array:
    return np.asarray(np.exp(-0.5 * ((x - middle) / spread) ** 2) / (spread * 2.507))
