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

A blow just before a change looks like a first break until it is asked what it is made of. So the
sound is also fitted, a millisecond and a half at a time, by the lines of both states in any phase
and strength: what is new in a break is theirs, what is new in a blow is left over. For a growl the
same is asked of its short spectra: a break goes some way from the old to the new, a blow elsewhere.

Conventions
-----------
Courses have one value every STEP_S, from BACK_S before the anchor to AHEAD_S after it; 0 where
there is no sound. All windows are symmetric about the value's time.

Sources
-------
S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. I (1993), example 4.2, vol. II
(1998), sections 4.4 and 7.4: linear model of sinusoids, known signal in coloured noise.
B. S. Atal, M. R. Schroeder, "Predictive coding of speech signals and subjective error criteria",
IEEE Trans. ASSP 27 (1979) 247: prediction from one period before.
"""

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.ear.firstsign import STEP_S as COARSE_S
from analysis.ear.moment import Lines, weigh_by_noise
from analysis.ear.spectrum import FLOOR
from analysis.ear.stretch import Sides, Stretch, low_middle_high

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Clues = npt.NDArray[np.float32]

STEP_S = 0.0005
BACK_S, AHEAD_S = 0.125, 0.035
STEPS = round((BACK_S + AHEAD_S) / STEP_S)
COUNT = 31
"""How many clues there are."""
SAID = (20, 21, 22)
"""Which of them are what the ear would say without."""
PERIODS_S = 0.004, 0.012
"""Between which the period of a growl lies."""
EXPLAINED_S = 0.0015
"""Over how long it is asked whether what is new is the buzzer's lines."""
SPECTRUM_S, SPECTRUM_BANDS = 0.004, 14
"""Length of a short spectrum, and the edges of its bands, in number."""
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
    lines = (sides.old, _quarter(sides.old), sides.new, _quarter(sides.new))
    courses = np.stack([each.at(stretch.rate_hz, 0, len(stretch.x)) for each in lines])
    noise = stretch.noise(sides.old, sides.new, stretch.first_s)
    rows = [np.ones(STEPS), *_along_lines(stretch, courses, noise, t, there)]
    for state in (stretch.before, 1 - stretch.before):
        rows += _by_energy(stretch, sides, t, state)
    coarse = (np.arange(stretch.steps) + 0.5) * COARSE_S
    stirs = np.zeros(stretch.steps)
    if sides.calm.stop - sides.calm.start >= 10:
        weights = stretch.stirring[: stretch.steps]
        stirs[: len(weights)] = weights
    by_energy = np.zeros(stretch.steps) if stretch.evidence is None else stretch.evidence
    rows += [np.arcsinh(np.interp(t, coarse, course)) / 2 for course in (stirs, by_energy)]
    rows += [
        np.exp(-0.5 * ((t - said_s) / 0.001) ** 2),
        (np.searchsorted(stretch.run, t) % 2).astype(float),
        np.full(STEPS, np.log10(max(uncertainty_s, 1e-5) / 0.001)),
        *_repeats(stretch, sides, t),
        _loudness(stretch, sides, t),
    ]
    calm_s = np.arange(0.002, sides.calm_s, 0.001)
    if len(calm_s):
        rows += _explained(stretch, courses, noise, t, calm_s)
        rows += _by_spectrum(stretch, t, calm_s)
    else:
        rows += [np.zeros(STEPS)] * 5
    return as_clues(rows, t, stretch)


def as_clues(rows: list[Array], t: Array, stretch: Stretch) -> Clues:
    """Return courses as clues: kept within MOST, and 0 where there is no sound.

    Parameters
    ----------
    rows : list of ndarray, shape (STEPS,)
        One of each clue.
    t : ndarray, shape (STEPS,)
        Their times, in seconds from the stretch's first sample.
    stretch : Stretch
        The sound.
    """
    there = (t > 0) & (t < stretch.end_s)
    table = np.nan_to_num(np.array(rows) * there, nan=0.0, posinf=MOST, neginf=-MOST)
    return np.asarray(np.clip(table, -MOST, MOST), dtype=np.float32)


def _along_lines(
    stretch: Stretch, courses: Array, noise: Array, t: Array, there: Mask
) -> list[Array]:
    """Return the way gone along the lines, briefly and over longer, what is turned by a quarter,
    how sure that is, and how much is heard that is neither sound.

    `courses` are the old lines, the same a quarter of a turn later, and the new ones likewise.
    """
    rate, x = stretch.rate_hz, stretch.x
    old, old_turned, new, new_turned = courses
    step, turned = new - old, new_turned - old_turned
    left = weigh_by_noise(x - old, noise)
    energy = np.maximum(step * weigh_by_noise(step, noise), 0.0)
    brief, longer = (mean_about(energy, rate, t, width) for width in (0.001, 0.004))
    usual = float(np.median(longer[there])) if there.any() else 0.0
    least = 0.02 * usual + 1e-9
    way = mean_about(step * left, rate, t, 0.004) / (longer + least)
    gone = np.interp(np.arange(len(x)) / rate, t, np.clip(way, 0, 1))
    rest = x - old - gone * step
    strange = mean_about(np.abs(rest * weigh_by_noise(rest, noise)), rate, t, 0.002)
    calm = there & (t < stretch.sides.calm_s)
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
    low, old, high = low_middle_high(calm)
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


def _explained(
    stretch: Stretch, courses: Array, noise: Array, t: Array, calm_s: Array
) -> list[Array]:
    """Return how much of what is new is either state's lines, grown or shrunk and in any phase; how
    far their strength has gone; and how much else is heard. A blow is no line.
    """
    rate = stretch.rate_hz
    courses = whitened(np.vstack([courses, stretch.x]), noise)
    times = np.concatenate([t, calm_s])
    rows, columns = np.triu_indices(len(courses))
    both = np.zeros((len(times), len(courses), len(courses)))
    about = _means_about(courses[rows] * courses[columns], rate, times, EXPLAINED_S).T
    both[:, rows, columns] = both[:, columns, rows] = about
    own, with_x, energy = both[:, :4, :4], both[:, :4, 4], both[:, 4, 4]
    least = 1e-3 * float(own.trace(axis1=1, axis2=2).max()) + 1e-12
    parts = np.linalg.solve(own + least * np.eye(4), with_x[:, :, None])[:, :, 0]
    fitted = np.einsum("ti,tij,tj->t", parts, own, parts)
    rest = np.maximum(energy - 2 * (parts * with_x).sum(axis=1) + fitted, 0.0)
    parts[:, 0] -= 1.0
    new = np.einsum("ti,tij,tj->t", parts, own, parts)
    usual = float(np.median(rest[STEPS:])) + 1e-9
    low, high = (np.sqrt(own[:, k, k].mean()) for k in (0, 2))
    gap = high - low if abs(high - low) > 0.1 * max(low, high) else np.inf
    return [
        np.log10((new + usual) / (rest + usual))[:STEPS],
        np.clip((np.sqrt(fitted) - low) / gap, -1, 2.5)[:STEPS],
        np.log10((rest + usual) / (2 * usual))[:STEPS],
    ]


def whitened(courses: Array, noise: Array) -> Array:
    """Return courses through a filter that makes the noise of a power spectrum white.

    Parameters
    ----------
    courses : ndarray, shape (n, samples)
        Each is filtered by itself.
    noise : ndarray
        Its power at even steps from 0 to half the rate.
    """
    n = scipy.fft.next_fast_len(courses.shape[1] + 512, real=True)
    grid = np.linspace(0, 1, n // 2 + 1)
    gain = 1 / np.sqrt(np.interp(grid, np.linspace(0, 1, len(noise)), noise))
    spectra = scipy.fft.rfft(courses, n, axis=1) * gain
    return np.asarray(scipy.fft.irfft(spectra, n, axis=1)[:, : courses.shape[1]])


def _by_spectrum(stretch: Stretch, t: Array, calm_s: Array) -> list[Array]:
    """Return how far the sound's short spectrum, in logarithms, has gone from the old one to the
    new, and how far it is off that way. A growl is known by it where its lines do not keep step.
    """
    late_s = np.arange(stretch.sides.late_s, stretch.end_s - SPECTRUM_S / 2, 0.001)
    level = _short_spectra(stretch, np.concatenate([t, calm_s, late_s]))
    old = level[STEPS : STEPS + len(calm_s)].mean(axis=0)
    step = level[STEPS + len(calm_s) :].mean(axis=0) - old
    gone = (level - old) @ step / (step @ step + 0.01 * len(step))
    off = np.sqrt(np.mean((level - old - np.clip(gone, 0, 1)[:, None] * step) ** 2, axis=1)) + 0.1
    usual = float(np.median(off[STEPS : STEPS + len(calm_s)]))
    return [np.clip(gone, -1.5, 2.5)[:STEPS], np.log2(off / usual)[:STEPS]]


def _short_spectra(stretch: Stretch, middles_s: Array) -> Array:
    """Return the logarithm of the power in each of some bands about some moments."""
    rate, half = stretch.rate_hz, int(SPECTRUM_S * stretch.rate_hz) // 2
    first = np.clip((middles_s * rate).astype(int), 0, len(stretch.x))
    frames = np.pad(stretch.x, half)[first[:, None] + np.arange(2 * half)]
    power = np.abs(scipy.fft.rfft(frames * np.hanning(2 * half + 1)[:-1], axis=1)) ** 2
    edges = np.unique(np.round(np.geomspace(1, half, SPECTRUM_BANDS)).astype(int))
    width = np.diff(edges, append=half + 1)
    return np.asarray(np.log(np.add.reduceat(power, edges, axis=1) / width + FLOOR))


def _means_about(courses: Array, rate_hz: float, middles_s: Array, width_s: float) -> Array:
    """Return the same as :func:`mean_about` of several courses, to the nearest sample."""
    total = np.zeros((len(courses), courses.shape[1] + 1))
    np.cumsum(courses, axis=1, out=total[:, 1:])
    first, last = (
        np.clip(np.round((middles_s + half_s) * rate_hz).astype(int), 0, courses.shape[1])
        for half_s in (-width_s / 2, width_s / 2)
    )
    return np.asarray((total[:, last] - total[:, first]) / np.maximum(last - first, 1))


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
    first, last = (
        np.clip((middles_s + half_s) * rate_hz, 0, len(values))
        for half_s in (-width_s / 2, width_s / 2)
    )
    sums = _sum_until(total, last) - _sum_until(total, first)
    return np.asarray(sums / np.maximum(last - first, 1e-9))


def _sum_until(total: Array, places: Array) -> Array:
    """Return the running total at places between its values, in a straight line from one on."""
    whole = np.minimum(places.astype(np.intp), len(total) - 2)
    before = total[whole]
    return np.asarray(before + (places - whole) * (total[whole + 1] - before))
