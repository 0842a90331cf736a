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

REACH_S = 0.030
"""How far either side of the first guess the moment may lie."""
MOST_LINES = 24
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

    def at(self, times_s: Array) -> Array:
        """Return the sum at each time, shape (n,)."""
        if len(self.frequencies_hz) == 0:
            return np.zeros_like(times_s)
        phases = np.exp(2j * np.pi * np.outer(times_s, self.frequencies_hz))
        return np.asarray((phases @ self.amplitudes).real)


NO_LINES = Lines(np.zeros(0), np.zeros(0, dtype=np.complex128))


@dataclass(frozen=True)
class Moment:
    """Where a change lies: mean and standard deviation of its posterior, in seconds.

    `shape_odds` is the posterior over :func:`rise_shapes`, which sum to 1.
    """

    time_s: float
    uncertainty_s: float
    shape_odds: Array


def fit_lines(x: Array, rate_hz: float, start_s: float, line_power: Array, bin_hz: float) -> Lines:
    """Measure the sinusoids in a steady stretch.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The stretch.
    rate_hz : float
        Samples per second.
    start_s : float
        Time of its first sample, in seconds.
    line_power : ndarray, shape (m,)
        Least power of a line worth having, at multiples of `bin_hz` from 0; infinite where none
        is to be looked for.
    bin_hz : float
        Step of `line_power`.

    Returns
    -------
    Lines
        Peaks of the windowed spectrum, then one Gauss-Newton step on all of them together.
    """
    n = len(x)
    if n < 16:
        return NO_LINES
    window = np.hanning(n + 1)[:-1]
    size = scipy.fft.next_fast_len(4 * n, real=True)
    spectrum = scipy.fft.rfft(x * window * (2 / window.sum()), size)
    power = spectrum.real**2 + spectrum.imag**2
    step_hz = rate_hz / size
    least = np.interp(np.arange(len(power)) * step_hz / bin_hz, np.arange(len(line_power)),
                      line_power, right=np.inf)
    inner = power[1:-1]
    peaks = 1 + np.flatnonzero(
        (inner > power[:-2]) & (inner >= power[2:]) & (inner > least[1:-1])
    )
    if len(peaks) == 0:
        return NO_LINES
    peaks = peaks[np.argsort(power[peaks])[::-1]]
    peaks = peaks[power[peaks] > 1e-4 * power[peaks[0]]]
    peaks = _apart(peaks, 4 * 1.5)[:MOST_LINES]
    left, mid, right = (np.log(power[peaks + d] + 1e-30) for d in (-1, 0, 1))
    shift = 0.5 * (left - right) / (left - 2 * mid + right - 1e-12)
    frequencies = (peaks + np.clip(shift, -0.5, 0.5)) * step_hz
    return _least_squares(x, start_s + np.arange(n) / rate_hz, frequencies, 1 / n * rate_hz)


def _apart(peaks: npt.NDArray[np.intp], spacing: float) -> npt.NDArray[np.intp]:
    kept: list[int] = []
    for peak in peaks:
        if all(abs(int(peak) - other) >= spacing for other in kept):
            kept.append(int(peak))
    return np.array(kept, dtype=np.intp)


def _least_squares(x: Array, t: Array, frequencies: Array, resolution_hz: float) -> Lines:
    middle = t[len(t) // 2]
    for correct in (True, True, False):
        angle = 2 * np.pi * np.outer(t - middle, frequencies)
        cos, sin = np.cos(angle), np.sin(angle)
        a, b = np.split(_solve(np.hstack([cos, sin]), x), 2)
        if correct:
            slope = 2 * np.pi * (t - middle)[:, None] * (b * cos - a * sin)
            full = _solve(np.hstack([cos, sin, slope]), x)
            change = full[2 * len(frequencies) :]
            frequencies = frequencies + np.clip(change, -0.5 * resolution_hz, 0.5 * resolution_hz)
    amplitudes = (a - 1j * b) * np.exp(-2j * np.pi * frequencies * middle)
    return Lines(frequencies, amplitudes)


def _solve(basis: Array, x: Array) -> Array:
    gram = basis.T @ basis
    gram[np.diag_indices_from(gram)] += 1e-6 * np.trace(gram) / len(gram)
    return np.asarray(np.linalg.solve(gram, basis.T @ x))


@lru_cache(maxsize=4)
def rise_shapes(rate_hz: float) -> tuple[Array, ...]:
    """Return the ways in which a buzzer's sound may come or go, each sampled from 0 up to 1."""
    shapes: list[Array] = [np.ones(1)]
    for ms in (0.5, 1.0, 2.0, 3.5, 6.0, 10.0):
        shapes.append(1 - np.exp(-_times(6 * ms, rate_hz) / (ms * 1e-3)))
    for ms in (1.0, 2.0, 4.0, 7.0, 11.0, 16.0, 22.0, 30.0):
        shapes.append(_times(ms, rate_hz) / (ms * 1e-3))
        shapes.append(0.5 - 0.5 * np.cos(np.pi * _times(ms, rate_hz) / (ms * 1e-3)))
    for direct in (0.4, 0.7):
        for ms in (8.0, 30.0):
            shapes.append(1 - (1 - direct) * np.exp(-_times(5 * ms, rate_hz) / (ms * 1e-3)))
    return tuple(shapes)


def _times(length_ms: float, rate_hz: float) -> Array:
    return (np.arange(max(1, round(length_ms * 1e-3 * rate_hz))) + 0.5) / rate_hz


def locate(
    x: Array,
    rate_hz: float,
    before: Lines,
    after: Lines,
    noise_psd: Array,
    guess_s: float,
    limits_s: tuple[float, float],
    shape_prior: Array,
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
    shape_prior : ndarray, shape (len(rise_shapes(rate_hz)),)
        Odds of the shapes, from what was heard before.

    Returns
    -------
    Moment or None
        None when the lines are too weak to tell a moment.
    """
    first = max(0, int(np.ceil(limits_s[0] * rate_hz)))
    last = min(len(x), int(limits_s[1] * rate_hz))
    if last - first < 8:
        return None
    t = np.arange(len(x)) / rate_hz
    steady = before.at(t)
    step = after.at(t) - steady
    residual = _weigh(x - steady, noise_psd)
    weighed_step = _weigh(step, noise_psd)
    product = step * residual
    energy = np.maximum(step * weighed_step, 0.0)
    product, energy = product[first:last], energy[first:last]
    guess = int(guess_s * rate_hz) - first
    reach = int(REACH_S * rate_hz)
    low, high = max(0, guess - reach), min(len(product), guess + reach)
    if high - low < 4:
        return None
    if energy[high - 1 :].sum() + energy[low:high].sum() < 8.0:
        return None
    temper = _excess(product, energy, low, high)
    limit = 6.0 * np.sqrt(temper * np.maximum(energy, energy.mean()))
    product = np.clip(product, -limit + np.minimum(energy, 0), energy + limit)
    candidates = np.arange(low, high)
    scores = np.stack([_scores(product, energy, candidates, g) for g in rise_shapes(rate_hz)])
    scores = scores / temper + np.log(shape_prior)[:, None]
    odds = np.exp(scores - scores.max())
    odds /= odds.sum()
    by_time = odds.sum(axis=0)
    times = (first + candidates) / rate_hz
    mean = float(by_time @ times)
    variance = float(by_time @ (times - mean) ** 2) + (1 / rate_hz) ** 2 / 12
    return Moment(mean, float(np.sqrt(variance)), odds.sum(axis=1))


def _weigh(x: Array, noise_psd: Array) -> Array:
    """Divide by the background's power spectrum: whitening, twice, with no delay."""
    size = scipy.fft.next_fast_len(len(x) + 512, real=True)
    grid = np.linspace(0, 1, size // 2 + 1)
    weight = np.interp(grid, np.linspace(0, 1, len(noise_psd)), 1.0 / noise_psd)
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(x, size) * weight, size)[: len(x)])


def _excess(product: Array, energy: Array, low: int, high: int) -> float:
    """Return how much more the matched filter wanders than Gaussian noise would make it."""
    excess = 1.0
    for part, mean in ((slice(0, low), 0.0), (slice(high, None), 1.0)):
        p, q = product[part], energy[part]
        if len(p) < 64:
            continue
        size = 16
        n = len(p) // size * size
        sums = (p[:n] - mean * q[:n]).reshape(-1, size).sum(axis=1)
        expected = q[:n].sum() / len(sums)
        if expected > 0:
            middle = np.median(np.abs(sums)) / 0.6745
            excess = max(excess, float(middle**2 / expected))
    return excess


def _scores(product: Array, energy: Array, candidates: npt.NDArray[np.intp], g: Array) -> Array:
    """Return the log likelihood of a rise of shape `g` that begins at each candidate sample."""
    n, m = len(product), len(g)
    size = scipy.fft.next_fast_len(n + m, real=True)

    def correlate(values: Array, kernel: Array) -> Array:
        inside = scipy.fft.irfft(
            scipy.fft.rfft(values, size) * np.conj(scipy.fft.rfft(kernel, size)), size
        )[:n]
        tail = np.concatenate([np.cumsum(values[::-1])[::-1], np.zeros(m + 1)])
        return np.asarray(inside + tail[m : m + n])

    linear = correlate(product, g)[candidates]
    square = correlate(energy, g * g)[candidates]
    pull = 1 / AMPLITUDE_SPREAD**2
    return np.asarray((linear + pull) ** 2 / (2 * (square + pull)) - pull / 2)
