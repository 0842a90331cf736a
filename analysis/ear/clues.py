"""What the sound around a change shows, half a millisecond at a time, free of its loudness.

Meaning
-------
Each clue is a course over the time around a change, scaled so that it means the same for every
buzzer: how far the sound has gone from its old state towards the new one, by several measures;
how sure each measure can be; and what else is heard then, which tells a blow from a break. They
are what :mod:`.firstbreak` judges by.

Along the lines of both states the way gone is the amplitude of the known signal in coloured
noise: ``<x - old, new - old> / <new - old, new - old>``, whitened, over one and four
milliseconds; what is turned by a quarter beside it shows a sound whose phase began anew. By energy
it is the level behind each telling filter between its usual levels before and after. A growl keeps
no lines; how well the sound repeats itself after one period tells its end.

Conventions
-----------
Courses have one value every STEP_S, from BACK_S before the anchor to AHEAD_S after it; 0 where
there is no sound. All windows are symmetric about the value's time.

Sources
-------
S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. II (1998), sections 4.4 and 7.4.
B. S. Atal, M. R. Schroeder, "Predictive coding of speech signals and subjective error criteria",
IEEE Trans. ASSP 27 (1979) 247: prediction from one period before.
"""

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.ear.firstsign import STEP_S as COARSE_S
from analysis.ear.moment import Lines, weigh_by_noise
from analysis.ear.spectrum import FLOOR
from analysis.ear.stretch import Sides, Stretch

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Clues = npt.NDArray[np.float32]

STEP_S = 0.0005
BACK_S, AHEAD_S = 0.125, 0.035
STEPS = round((BACK_S + AHEAD_S) / STEP_S)
COUNT = 26
"""How many clues there are."""
SAID = (20, 21, 22)
"""Which of them are what the ear would say without."""
PERIODS_S = 0.004, 0.012
"""Between which the period of a growl lies."""
MOST = 4.0


def times_s(anchor_s: float) -> Array:
    """Return the times of the values, shape (STEPS,), in seconds."""
    return np.asarray(float(anchor_s) - BACK_S + (np.arange(STEPS) + 0.5) * STEP_S)


def clues(stretch: Stretch, said_s: float, uncertainty_s: float) -> Clues:
    """Return the clues around a change, shape (COUNT, STEPS).

    Parameters
    ----------
    stretch : Stretch
        The sound, with a run of makes and breaks.
    said_s, uncertainty_s : float
        Its moment and uncertainty by the ear's model, in seconds.
    """
    t = times_s(stretch.run[-1])
    there = (t > 0) & (t < stretch.end_s)
    sides = stretch.sides
    rows = [np.ones(STEPS), *_along_lines(stretch, sides, t, there)]
    for state in (stretch.before, 1 - stretch.before):
        rows += _by_energy(stretch, sides, t, state)
    coarse = (np.arange(stretch.steps) + 0.5) * COARSE_S
    stirs = np.zeros(stretch.steps)
    if sides.calm.stop - sides.calm.start >= 10:
        weights = stretch.stirring[: stretch.steps]
        stirs[: len(weights)] = weights
    assert stretch.evidence is not None  # there is a run
    rows += [np.arcsinh(np.interp(t, coarse, course)) / 2 for course in (stirs, stretch.evidence)]
    rows += [
        np.exp(-0.5 * ((t - said_s) / 0.001) ** 2),
        (np.searchsorted(stretch.run, t) % 2).astype(float),
        np.full(STEPS, np.log10(max(uncertainty_s, 1e-5) / 0.001)),
        *_repeats(stretch, sides, t),
        _loudness(stretch, sides, t),
    ]
    table = np.nan_to_num(np.array(rows) * there, nan=0.0, posinf=MOST, neginf=-MOST)
    return np.asarray(np.clip(table, -MOST, MOST), dtype=np.float32)


def _along_lines(stretch: Stretch, sides: Sides, t: Array, there: Mask) -> list[Array]:
    """Return the way gone along the lines, briefly and over longer, what is turned by a quarter,
    how sure that is, and how much is heard that is neither sound.
    """
    rate, x = stretch.rate_hz, stretch.x
    old, step = (line.at(rate, 0, len(x)) for line in (sides.old, sides.new))
    step -= old
    turned = _quarter(sides.new).at(rate, 0, len(x)) - _quarter(sides.old).at(rate, 0, len(x))
    noise = stretch.noise(sides.old, sides.new, stretch.first_s)
    left = weigh_by_noise(x - old, noise)
    energy = np.maximum(step * weigh_by_noise(step, noise), 0.0)
    brief, longer = (mean_about(energy, rate, t, width) for width in (0.001, 0.004))
    usual = float(np.median(longer[there])) if there.any() else 0.0
    least = 0.02 * usual + 1e-9
    way = mean_about(step * left, rate, t, 0.004) / (longer + least)
    gone = np.interp(np.arange(len(x)) / rate, t, np.clip(way, 0, 1))
    rest = x - old - gone * step
    strange = mean_about(np.abs(rest * weigh_by_noise(rest, noise)), rate, t, 0.002)
    calm = there & (t < sides.calm_s)
    quiet = strange[calm if calm.sum() > 4 else there]
    return [
        np.clip(mean_about(step * left, rate, t, 0.001) / (brief + 0.2 * usual + least), -1, 2),
        np.clip(way, -1, 2),
        np.clip(mean_about(turned * left, rate, t, 0.002) / (longer + least), -2, 2),
        np.log10(1 + rate * 0.001 * longer),
        np.log10((strange + 1e-3) / ((np.median(quiet) if len(quiet) else 0.0) + 1e-3)),
    ]


def _quarter(lines: Lines) -> Lines:
    """Return the lines a quarter of a turn later."""
    return Lines(lines.frequencies_hz, -1j * lines.amplitudes)


def _by_energy(stretch: Stretch, sides: Sides, t: Array, state: int) -> list[Array]:
    """Return the way gone behind a telling filter, briefly and over longer, in parts of the whole
    and in standard deviations, how sure that is, and how loud the background beside is.
    """
    if not stretch.tell.responses[state].any():
        return [np.zeros(STEPS)] * 6
    rate, power = stretch.rate_hz, stretch.power_through(state)
    every = np.arange(0.002, stretch.end_s - 0.002, 0.001)
    course = np.sqrt(mean_about(power, rate, every, 0.004))
    calm = course[every < sides.calm_s]
    calm = calm if len(calm) else course[:4]
    low, old, high = np.percentile(calm, [16, 50, 84])
    new = float(np.median(course[every > sides.late_s]))
    top = max(old, new)
    spread = (high - low) / 2 + 0.02 * top + 1e-9
    sign = 1.0 if new >= old else -1.0
    gap = sign * max(abs(new - old), 0.05 * top, 1e-9)
    brief, longer = (np.sqrt(mean_about(power, rate, t, width)) - old for width in (0.001, 0.004))
    rows = [
        np.clip(brief / gap, -1, 2.5),
        np.clip(longer / gap, -1, 2.5),
        np.arcsinh(sign * longer / spread) / 2,
        np.full(STEPS, np.log10(abs(gap) / spread)),
        np.full(STEPS, np.log10((new + 1e-9) / (old + 1e-9))),
    ]
    if not stretch.tell.flanks[state].any():
        return [*rows, np.zeros(STEPS)]
    beside = stretch.power_through(state, beside=True)
    usual = mean_about(beside, rate, every, 0.003)[every < max(sides.calm_s, 0.006)]
    return [
        *rows,
        np.log10((mean_about(beside, rate, t, 0.003) + FLOOR) / (np.median(usual) + FLOOR)),
    ]


def _repeats(stretch: Stretch, sides: Sides, t: Array) -> list[Array]:
    """Return how well the sound repeats that of one period before, by the old period, and that of
    one period after, by the new one.
    """
    rate, x = stretch.rate_hz, stretch.x
    courses = []
    for part, way in (
        (x[int(max(0.0, sides.calm_s - 0.1) * rate) : max(8, int(sides.calm_s * rate))], 1),
        (x[int(sides.late_s * rate) :], -1),
    ):
        lag = way * _period(part, rate)
        other = np.roll(x, lag)
        products = (mean_about(v, rate, t, 0.006) for v in (x * other, x * x, other * other))
        both, own, others = products
        courses.append(both / np.sqrt(own * others + 1e-18))
    return courses


def _period(part: Array, rate_hz: float) -> int:
    """Return the lag, in samples, after which a sound repeats itself best."""
    low, high = (round(period_s * rate_hz) for period_s in PERIODS_S)
    spectrum = scipy.fft.rfft(part, scipy.fft.next_fast_len(len(part) + high + 1, real=True))
    alike = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2)[low : high + 1]
    return low + int(alike.argmax())


def _loudness(stretch: Stretch, sides: Sides, t: Array) -> Array:
    """Return how loud it is, all told, against the calm before."""
    power = stretch.x**2
    usual = float(np.mean(power[: max(8, int(sides.calm_s * stretch.rate_hz))]))
    loud = mean_about(power, stretch.rate_hz, t, 0.001)
    return np.asarray(np.log10((loud + FLOOR) / (usual + FLOOR)))


def mean_about(values: Array, rate_hz: float, middles_s: Array, width_s: float) -> Array:
    """Return the mean of a course over a window about each of some times; 0 off its ends.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The course, from time 0 on.
    rate_hz : float
        How many of them there are in a second.
    middles_s : ndarray, shape (m,)
        The times, in seconds.
    width_s : float
        The window's width, in seconds.

    Returns
    -------
    ndarray, shape (m,)
    """
    total = np.concatenate([[0.0], np.cumsum(values)])
    sample = np.arange(len(total))
    first, last = (
        np.clip((middles_s + half_s) * rate_hz, 0, len(values))
        for half_s in (-width_s / 2, width_s / 2)
    )
    sums = np.interp(last, sample, total) - np.interp(first, sample, total)
    return np.asarray(sums / np.maximum(last - first, 1e-9))
