"""The moment of a change, to a fraction of a sample period, and how well it is known.

Meaning
-------
Around a change the sound is ``before(t) + g(t - tau) * (after(t) - before(t)) + noise(t)``.
``before`` and ``after`` are sums of sinusoids (none, for a silent side), measured on the steady
sound of their own side and carried across the change; ``g`` rises from 0 to 1 in the way of the
buzzer: at once, exponentially, along a ramp, or at once in part with the room filling in the
rest. ``tau`` is the first sign of the change, so the attack of the buzzer does not delay it.

The noise is taken as Gaussian with the power spectrum of the background. The log likelihood of
each ``tau`` under each ``g`` is then a matched filter's output. Averaged over the shapes, it gives
a posterior for ``tau``: its mean is the moment, its standard deviation the uncertainty.

Conventions
-----------
Times are seconds from the first sample of the stretch handed in. All filters here are symmetric
about zero lag, so none delays.

Sources
-------
S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. I (1993), example 3.14 and 7.9
(sinusoid estimation by least squares), vol. II (1998), chapters 4 and 12 (matched filter in
coloured noise; unknown change time). P. Stoica, R. Moses, *Spectral Analysis of Signals* (2005),
chapter 4 (line spectra). D. V. Hinkley, "Inference about the change-point in a sequence of random
variables", Biometrika 57 (1970) 1.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import scipy.fft

Array = npt.NDArray[np.float64]

STEP_S = 0.000125
"""Time step of the courses from which the moment is read."""
SETTLES_S = 0.060
"""Length of the rise shapes: what comes later is taken as full."""
REACH_S = 0.030
"""How far either side of the first guess the moment may lie."""
ATTACKS_S = np.geomspace(0.0005, 0.04, 24)
"""How long a buzzer may take from nothing to full, or back, in seconds."""
EARLIEST_S = 0.010
"""How long before its energy is half-way a growl may have begun."""
UNSTEADY_S = 0.0015
"""Standard uncertainty of a growl's moment from its being unsteady."""
BLUR_STEPS = 2
"""Half the window through which its power is heard, in steps."""
MOST_LINES = 24
LEAST_ENERGY = 8.0
"""Least energy of the step over the noise density from which a moment is told."""
SHOWS = 0.12
"""Part of the way that a buzzer has gone when a first break is found in whole steps."""
BREAK_S, BREAK_SHARE = 0.0015, 0.8
"""Standard uncertainty of that: a constant, and a share of the time the rise takes to get there."""
LONGEST_ODDS = 6.0
"""Log odds beyond which one change does not rule out a shape."""
UNLIKE_S, UNLIKE_SHARE = 0.00045, 0.12
"""How far off a moment is because the room, the phone and the buzzer do not follow the model: a
constant, and a share of the time to half-way. Fitted on simulated scenes (tests/bench)."""
AMPLITUDE_SPREAD = 0.4
"""Prior standard deviation of the size of the step against the lines measured beside it."""


@dataclass(frozen=True)
class Lines:
    """A sum of sinusoids ``sum_k Re(amplitude_k exp(2j pi f_k t))``.

    Attributes
    ----------
    frequencies_hz : ndarray, shape (k,)
    amplitudes : ndarray, shape (k,), complex
    """

    frequencies_hz: Array
    amplitudes: npt.NDArray[np.complex128]

    def at(self, rate_hz: float, first: int, count: int) -> Array:
        """Return the sum at `count` samples from number `first` on, shape (count,)."""
        blocks, within = _turns(self.frequencies_hz, rate_hz, first, count)
        return np.asarray(((blocks * self.amplitudes) @ within.T).real.reshape(-1)[:count])


NO_LINES = Lines(np.zeros(0), np.zeros(0, dtype=np.complex128))


@dataclass(frozen=True, eq=False)
class Moment:
    """Where a change lies, under each of the :func:`rise_shapes`.

    Attributes
    ----------
    log_evidence : ndarray, shape (shapes,)
        Log likelihood of each shape, the moment summed out.
    mean_s, variance_s2 : ndarray, shape (shapes,)
        Mean and variance of the moment under each.
    """

    log_evidence: Array
    mean_s: Array
    variance_s2: Array

    def given(self, shape_log_odds: Array) -> tuple[float, float]:
        """Return mean and standard deviation of the moment, in seconds.

        `shape_log_odds`, shape (shapes,), is what other changes of the same buzzer say of its
        shape, up to a constant.
        """
        odds = self.log_evidence + shape_log_odds
        odds = np.exp(odds - odds.max())
        odds /= odds.sum()
        mean = float(odds @ self.mean_s)
        variance = float(odds @ (self.variance_s2 + (self.mean_s - mean) ** 2))
        unlike = UNLIKE_SHARE * float(odds @ _reaches_s(0.5))
        return mean, float(np.sqrt(variance + UNLIKE_S**2 + unlike**2))

    def with_break_at(self, break_s: float) -> "Moment":
        """Return the moment in the light of a first break that was found in whole steps.

        Where a contact chatters, its first break alone is too short to tell a moment well: the
        slowest rise would put it far too early.
        """
        shows_s = _reaches_s(SHOWS)
        spread = BREAK_S**2 + (BREAK_SHARE * shows_s) ** 2
        total = self.variance_s2 + spread
        off = break_s - shows_s - self.mean_s
        return Moment(
            self.log_evidence - 0.5 * (np.log(total) + off**2 / total),
            self.mean_s + off * self.variance_s2 / total,
            self.variance_s2 * spread / total,
        )

    def says_of_shape(self) -> Array:
        """Return the change's own vote on the shape: log odds, none ruled out altogether."""
        return np.asarray(np.maximum(self.log_evidence - self.log_evidence.max(), -LONGEST_ODDS))


def just_about(time_s: float, uncertainty_s: float) -> Moment:
    """Return a moment known only roughly, which says nothing of the shape."""
    n = len(rise_shapes())
    return Moment(np.zeros(n), np.full(n, time_s), np.full(n, uncertainty_s**2))


def _turns(
    frequencies_hz: Array, rate_hz: float, first: int, count: int
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Return ``exp(2j pi f t)`` at the beginning of each block of samples, and within a block."""
    block = 64
    starts = first + block * np.arange(-(-count // block))
    phase = 2j * np.pi * frequencies_hz / rate_hz
    return np.exp(np.outer(starts, phase)), np.exp(np.outer(np.arange(block), phase))


def fit_lines(x: Array, rate_hz: float, first: int, line_power: Array, bin_hz: float) -> Lines:
    """Measure the sinusoids in a steady stretch.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The stretch.
    rate_hz : float
        Samples per second.
    first : int
        Number of its first sample.
    line_power : ndarray, shape (m,)
        Least power of a line worth having, at multiples of `bin_hz` from 0; infinite where none
        is to be looked for.
    bin_hz : float
        Step of `line_power`.

    Returns
    -------
    Lines
        Peaks of the windowed spectrum, then two Gauss-Newton steps on all of them together.
    """
    n = len(x)
    if n < 16 or not np.isfinite(line_power).any():
        return NO_LINES
    window = np.hanning(n + 1)[:-1]
    size = scipy.fft.next_fast_len(4 * n, real=True)
    spectrum = scipy.fft.rfft(x * window * (2 / window.sum()), size)
    power = spectrum.real**2 + spectrum.imag**2
    step_hz = rate_hz / size
    least = np.interp(
        np.arange(len(power)) * step_hz / bin_hz,
        np.arange(len(line_power)),
        line_power,
        right=np.inf,
    )
    inner = power[1:-1]
    peaks = 1 + np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & (inner > least[1:-1]))
    if len(peaks) == 0:
        return NO_LINES
    peaks = peaks[np.argsort(power[peaks])[::-1]]
    peaks = peaks[power[peaks] > 1e-4 * power[peaks[0]]]
    peaks = _apart(peaks, 4 * 1.5)[:MOST_LINES]
    left, mid, right = (np.log(power[peaks + d] + 1e-30) for d in (-1, 0, 1))
    shift = 0.5 * (left - right) / (left - 2 * mid + right - 1e-12)
    frequencies = (peaks + np.clip(shift, -0.5, 0.5)) * step_hz
    return _least_squares(x, rate_hz, first, frequencies)


def _apart(peaks: npt.NDArray[np.intp], spacing: float) -> npt.NDArray[np.intp]:
    kept: list[int] = []
    for peak in peaks:
        if all(abs(int(peak) - other) >= spacing for other in kept):
            kept.append(int(peak))
    return np.array(kept, dtype=np.intp)


def _least_squares(x: Array, rate_hz: float, first: int, frequencies: Array) -> Lines:
    n = len(x)
    resolution_hz = rate_hz / n
    t = (np.arange(n) - n // 2) / rate_hz
    for correct in (True, True, False):
        blocks, within = _turns(frequencies, rate_hz, -(n // 2), n)
        turns = (blocks[:, None] * within).reshape(-1, len(frequencies))[:n]
        cos, sin = turns.real, turns.imag
        a, b = np.split(_solve(np.hstack([cos, sin]), x), 2)
        if correct:
            slope = 2 * np.pi * t[:, None] * (b * cos - a * sin)
            full = _solve(np.hstack([cos, sin, slope]), x)
            change = full[2 * len(frequencies) :]
            frequencies = frequencies + np.clip(change, -0.5 * resolution_hz, 0.5 * resolution_hz)
    middle_s = (first + n // 2) / rate_hz
    amplitudes = (a - 1j * b) * np.exp(-2j * np.pi * frequencies * middle_s)
    return Lines(frequencies, amplitudes)


def _solve(basis: Array, x: Array) -> Array:
    gram = basis.T @ basis
    gram[np.diag_indices_from(gram)] += 1e-6 * np.trace(gram) / len(gram)
    return np.asarray(np.linalg.solve(gram, basis.T @ x))


@lru_cache(maxsize=4)
def rise_shapes(step_s: float = STEP_S) -> Array:
    """Return the ways in which a buzzer's sound may come or go, from 0 up to 1.

    Parameters
    ----------
    step_s : float
        Time between samples, in seconds.

    Returns
    -------
    ndarray, shape (shapes, SETTLES_S / step_s)
        Each is the buzzer's own attack (none, exponential, linear or raised cosine, up to 40 ms)
        heard directly, in part directly with the room filling in the rest, or in a live room.
    """
    t = (np.arange(round(SETTLES_S / step_s)) + 0.5) * step_s
    attacks = [np.ones_like(t)]
    for full_s in ATTACKS_S:
        ramp = np.clip(t / full_s, 0, 1)
        attacks += [1 - np.exp(-3 * t / full_s), ramp, 0.5 - 0.5 * np.cos(np.pi * ramp)]
    shapes = list(attacks)
    for direct, fills_s in ((0.7, 0.020), (0.5, 0.040)):
        tail = np.exp(-t / fills_s)
        answer = np.concatenate([[direct], (1 - direct) * tail[:-1] / tail[:-1].sum()])
        shapes += [
            np.convolve(a, answer)[: len(t)] for a in [attacks[0], *_every_third(attacks[1:])]
        ]
    return np.array(shapes)


def _every_third(attacks: list[Array]) -> list[Array]:
    return [a for i in range(0, len(attacks), 9) for a in attacks[i : i + 3]]


@lru_cache(maxsize=4)
def _reaches_s(part: float) -> Array:
    """Return when each rise shape has gone a part of the way, in seconds after its beginning."""
    return np.asarray((rise_shapes() < part).sum(axis=1) * STEP_S)


def locate(
    x: Array,
    rate_hz: float,
    before: Lines,
    after: Lines,
    noise_psd: Array,
    guess_s: float,
    limits_s: tuple[float, float],
) -> Moment | None:
    """Find the moment at which the sound goes over from one set of lines to another.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The stretch around the change.
    rate_hz : float
        Samples per second.
    before, after : Lines
        The sound of either side, on the time scale of `x`.
    noise_psd : ndarray, shape (n_fft // 2 + 1,)
        Background power spectral density per sample on a grid from 0 to half the rate.
    guess_s : float
        First guess, in seconds.
    limits_s : (float, float)
        The stretch in which nothing but this one change happens, in seconds.

    Returns
    -------
    Moment or None
        None when the lines are too weak to tell a moment.
    """
    first = max(0, int(np.ceil(limits_s[0] * rate_hz)))
    last = min(len(x), int(limits_s[1] * rate_hz))
    if last - first < 8:
        return None
    steady = before.at(rate_hz, 0, len(x))
    step = after.at(rate_hz, 0, len(x)) - steady
    residual = weigh_by_noise(x - steady, noise_psd)
    weighed_step = weigh_by_noise(step, noise_psd)
    product = step * residual
    energy = np.maximum(step * weighed_step, 0.0)
    size = max(1, round(STEP_S * rate_hz))
    steps = (last - first) // size
    fold = slice(first, first + steps * size)
    product, energy = (v[fold].reshape(steps, size).sum(axis=1) for v in (product, energy))
    step_s = size / rate_hz
    guess = int((guess_s - first / rate_hz) / step_s)
    reach = int(REACH_S / step_s)
    low, high = max(0, guess - reach), min(steps, guess + reach)
    if high - low < 4 or energy[low:].sum() < LEAST_ENERGY:
        return None
    sides = [(product[:guess], energy[:guess]), ((product - energy)[guess:], energy[guess:])]
    temper = max([1.0, *(_excess(p, e) for p, e in sides)])
    noise = np.sqrt(temper * energy.mean())
    product = np.clip(product, -5 * noise, energy + 5 * noise)
    scores = _scores(product[low:], energy[low:], high - low, step_s) / temper
    times_s = first / rate_hz + np.arange(low, high, dtype=np.float64) * step_s
    return _moment(scores, times_s, step_s / np.sqrt(12))


def locate_power(
    odds: Array,
    parts: Array,
    step_s: float,
    guess_s: float,
    limits_s: tuple[float, float],
) -> Moment | None:
    """Find the moment from the log odds of each part of the way, step by step.

    Parameters
    ----------
    odds : ndarray, shape (len(parts), steps)
        Log odds, against the old state, that the sound has gone a part of the way.
    parts : ndarray
        Rising to 1.
    step_s : float
        Time between steps, in seconds.
    guess_s, limits_s : float
        As for :func:`locate`.
    """
    shapes = _blurred_shapes(step_s)
    reach = shapes.shape[1]
    low = max(0, int(max(limits_s[0], guess_s - EARLIEST_S) / step_s))
    high = min(int(limits_s[1] / step_s), int((guess_s + EARLIEST_S / 2) / step_s))
    if high - low < 4:
        return None
    table = np.concatenate([np.zeros((1, odds.shape[1])), odds])
    rungs = np.concatenate([[0.0], parts])
    nearest = np.abs(shapes[:, :, None] - rungs).argmin(axis=2)
    padded = np.pad(table, ((0, 0), (0, reach)))
    end = min(odds.shape[1], int(limits_s[1] / step_s))
    padded[:, end:] = 0.0
    at = np.arange(low, high)[:, None] + np.arange(reach)
    scores = np.stack([padded[near, at].sum(axis=1) for near in nearest])
    tail = np.concatenate([np.cumsum(padded[-1][::-1])[::-1], [0.0]])
    scores += tail[np.minimum(at[:, -1] + 1, len(tail) - 1)]
    times_s = (np.arange(low, high, dtype=np.float64) + BLUR_STEPS) * step_s
    return _moment(scores, times_s, UNSTEADY_S)


def _moment(scores: Array, times_s: Array, least_s: float) -> Moment:
    """Return the moment by the log likelihood of each shape, shape (shapes, n), at n times.

    `least_s` is the standard uncertainty that is left when one time is sure.
    """
    top = scores.max(axis=1, keepdims=True)
    odds = np.exp(scores - top)
    total = odds.sum(axis=1)
    odds /= total[:, None]
    mean = odds @ times_s
    variance = np.maximum(odds @ times_s**2 - mean**2, 0.0) + least_s**2
    return Moment(top[:, 0] + np.log(total), mean, variance)


@lru_cache(maxsize=2)
def _blurred_shapes(step_s: float) -> Array:
    """Return the rise shapes as a window of 2 BLUR_STEPS hears them, beginning that much sooner."""
    window = np.hanning(2 * BLUR_STEPS + 1)[1:-1] ** 2
    window /= window.sum()
    blurred = []
    for shape in rise_shapes(step_s):
        power = np.pad(np.pad(shape, (BLUR_STEPS, 0)) ** 2, (0, BLUR_STEPS), mode="edge")
        blurred.append(np.sqrt(np.convolve(power, window, "same")[:-BLUR_STEPS]))
    return np.array(blurred)


def weigh_by_noise(x: Array, noise_psd: Array) -> Array:
    """Divide by the background's power spectrum: whitening, twice, with no delay."""
    size = scipy.fft.next_fast_len(len(x) + 512, real=True)
    grid = np.linspace(0, 1, size // 2 + 1)
    weight = np.interp(grid, np.linspace(0, 1, len(noise_psd)), 1.0 / noise_psd)
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(x, size) * weight, size)[: len(x)])


def _excess(course: Array, energy: Array) -> float:
    """Return how much more the matched filter wanders than Gaussian noise would make it.

    The slow trend, which is the rise itself, is taken out by differences.
    """
    size = 8
    n = len(course) // size * size
    if n < 5 * size or energy[:n].sum() <= 0:
        return 1.0
    sums = course[:n].reshape(-1, size).sum(axis=1)
    wander = (np.median(np.abs(np.diff(sums))) / 0.6745) ** 2 / 2
    return float(wander / (energy[:n].mean() * size))


@lru_cache(maxsize=8)
def _shape_spectra(
    step_s: float, size: int
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    shapes = rise_shapes(step_s)
    return tuple(np.conj(scipy.fft.rfft(s, size, axis=1)) for s in (shapes, shapes**2))


def _scores(product: Array, energy: Array, count: int, step_s: float) -> Array:
    """Return the log likelihood of each shape of rise beginning at each of the first steps.

    Returns
    -------
    ndarray, shape (shapes, count)
    """
    m = rise_shapes(step_s).shape[1]
    size = -(-(count + m) // 256) * 256
    plain, squared = _shape_spectra(step_s, size)

    def correlate(values: Array, spectra: npt.NDArray[np.complex128]) -> Array:
        heads = scipy.fft.rfft(values[: count + m], size)
        inside = scipy.fft.irfft(heads * spectra, size, axis=1)[:, :count]
        tail = np.concatenate([np.cumsum(values[::-1])[::-1], np.zeros(m)])
        return np.asarray(inside + tail[m : m + count])

    linear, square = correlate(product, plain), correlate(energy, squared)
    pull = 1 / AMPLITUDE_SPREAD**2
    return np.asarray((linear + pull) ** 2 / (2 * (square + pull)) - pull / 2)
