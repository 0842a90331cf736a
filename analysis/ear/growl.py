"""What the sound around a change shows of a growl: dozens of harmonics whose pitch wavers.

Meaning
-------
The lines of a growl keep no step for longer than a few of its periods, so it cannot be carried
forward as a tone can (:mod:`.firstsign`). But each period is much like any other. So every moment
is held against a stretch in which the growl is sure, at every lag: where it fits best is the phase,
and how large it is there, beside the stretch, is how far the growl has come or gone. A contact that
breaks for two milliseconds shows as a dip that the loudness, which sways by as much from one end of
a period to the other, does not show. Beside this stand the odds of the new state's short power
spectrum against the old one's.

Conventions
-----------
Clues are as in :mod:`.clues`: courses of the same times, 0 where there is no sound. All windows are
symmetric about the value's time.

Sources
-------
S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. II (1998), section 7.4: a known
signal of unknown arrival time and amplitude. P. Whittle, "The analysis of multiple stationary time
series", J. Roy. Stat. Soc. B 15 (1953) 125: the likelihood of a power spectrum.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.ear.clues import STEPS, Clues, as_clues, times_s, whitened
from analysis.ear.firstsign import density_of
from analysis.ear.spectrum import FLOOR
from analysis.ear.stretch import Stretch, low_middle_high

Array = npt.NDArray[np.float64]

COUNT = 16
"""How many clues there are."""
SPECTRUM_S = 0.002, 0.004
"""Lengths of the short spectra."""
FITTED_S = 0.002, 0.004, 0.007
"""For how long a moment is held against the growl."""
SURE_S = 0.050
"""How much of it that is held against."""
APART_S = 0.003
"""So near, no moment is held against itself."""
DEEPEST = 0.003
"""Least background against its strongest part."""
FAINTEST = 0.3
"""Size of the growl in a moment, beside its usual one, below which that tells less."""
UNCERTAIN = 0.3
"""Least way between the states, in their spreads, that counts as a whole one."""
EVERY_S = 0.001
"""How often a moment is held against the growl."""
LEAST_SURE, MOST_SURE = 5, 80
"""In how many steps either state must be sure, and is looked at."""
TONES_S, PERIODS_S = (0.0008, 0.0050), (0.0055, 0.0115)
"""Lags at which a tone repeats itself, and a growl hardly does; and at which a growl does."""
TONAL, TONAL_BY_ITSELF = 0.62, 0.93
"""How well it does, in parts of its power, from which it is a tone: beside the background, and
whatever that is."""


@dataclass(frozen=True)
class Repetition:
    """How a sound repeats itself.

    Attributes
    ----------
    alike : float
        How like itself it is after a period, in parts of its power; hiss hardly is.
    period_s : float
        After how long it is so, in s.
    """

    alike: float
    period_s: float


@dataclass(frozen=True, eq=False)
class Growl:
    """What shows of a growl around a change.

    Attributes
    ----------
    clues : ndarray, shape (COUNT, STEPS)
    repeats : Repetition
    """

    clues: Clues
    repeats: Repetition


def growl_in(stretch: Stretch) -> Growl | None:
    """Return what shows of a growl around a change; None if it is a tone's, or cannot be told.

    Parameters
    ----------
    stretch : Stretch
        The sound, with a run of makes and breaks.
    """
    t, sides, rate = times_s(stretch.run[-1]), stretch.sides, stretch.rate_hz
    calm_s = np.arange(0.004, sides.calm_s - 0.002, EVERY_S)[-MOST_SURE:]
    late_s = np.arange(sides.late_s + 0.002, stretch.end_s - 0.004, EVERY_S)[:MOST_SURE]
    if stretch.tell.broad is None or min(len(calm_s), len(late_s)) < LEAST_SURE:
        return None
    rows = []
    for span_s in SPECTRUM_S:
        courses, old, new = _by_spectrum(stretch, (t, calm_s, late_s), span_s)
        rows += courses
    grows = stretch.tell.broad != stretch.before
    background = np.pad(old if grows else new, (1, 0), mode="edge")
    x = whitened(stretch.x[None], background + DEEPEST * background.max())[0]
    begin_s, end_s = (
        (sides.late_s, min(stretch.end_s, sides.late_s + SURE_S))
        if grows
        else (max(0.0, sides.calm_s - SURE_S), sides.calm_s)
    )
    first, last = round(begin_s * rate), round(end_s * rate)
    if last - first < 3 * FITTED_S[-1] * rate:
        return None
    # Beside its own echo in a room a tone is none.
    by_itself, beside = (_repeats(each[first:last], rate, *TONES_S) for each in (stretch.x, x))
    if by_itself.alike > TONAL_BY_ITSELF or beside.alike > TONAL:
        return None
    every_s = np.arange(t[0], t[-1] + EVERY_S, EVERY_S)
    for span_s in FITTED_S:
        courses = _by_fit(x, (first, last), rate, (every_s, calm_s, late_s), span_s)
        rows += [np.interp(t, every_s, course) for course in courses]
    rows.append(np.full(STEPS, 1.0 if grows else -1.0))
    return Growl(as_clues(rows, t, stretch), _repeats(x[first:last], rate, *PERIODS_S))


def _by_spectrum(
    stretch: Stretch, moments_s: tuple[Array, Array, Array], span_s: float
) -> tuple[list[Array], Array, Array]:
    """Return the odds of the new state's short spectrum as :func:`_way`, and either state's."""
    power = _short_power(stretch, np.concatenate(moments_s), span_s)
    parts = _parted(power, moments_s)
    old, new = (part.mean(axis=0) for part in parts[1:])
    least = 0.01 * DEEPEST * max(old.max(), new.max()) + FLOOR**2
    old, new = old + least, new + least
    odds = [np.log(density_of(part, new) / density_of(part, old)).sum(axis=1) for part in parts]
    return list(_way(*odds)), old, new


def _by_fit(
    x: Array,
    sure: tuple[int, int],
    rate_hz: float,
    moments_s: tuple[Array, Array, Array],
    span_s: float,
) -> list[Array]:
    """Return how far a growl has come or gone, how sure that is, and how like it what is heard."""
    size, alike = _held_against(x, *sure, np.concatenate(moments_s), rate_hz, span_s)
    gone, _, certain = _way(*_parted(size, moments_s))
    return [gone, certain, _parted(alike, moments_s)[0]]


def _parted(values: Array, moments_s: tuple[Array, ...]) -> list[Array]:
    return np.split(values, np.cumsum([len(some) for some in moments_s])[:-1])


def _frames(x: Array, rate_hz: float, middles_s: Array, span_s: float) -> tuple[Array, Array]:
    """Return a window of the sound about each of some moments, and where each begins."""
    size = int(span_s * rate_hz) // 2 * 2
    begin = np.clip(np.round(middles_s * rate_hz).astype(int) - size // 2, -size, len(x))
    return np.pad(x, size)[begin[:, None] + size + np.arange(size)], begin


def _short_power(stretch: Stretch, middles_s: Array, span_s: float) -> Array:
    frames, _ = _frames(stretch.x, stretch.rate_hz, middles_s, span_s)
    spectrum = scipy.fft.rfft(frames * np.hanning(frames.shape[1] + 1)[:-1], axis=1)[:, 1:]
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _way(course: Array, calm: Array, late: Array) -> tuple[Array, Array, Array]:
    """Return how far a course has gone from where it was in the calm to where it was late: in parts
    of the way, in spreads, and how long the way is in these.
    """
    (old, old_spread), (new, new_spread) = (_usual(part) for part in (calm, late))
    way, sign = abs(new - old), 1.0 if new >= old else -1.0
    spread = old_spread + new_spread + 1e-9
    gone = sign * (course - old)
    return (
        np.clip(gone / max(way, UNCERTAIN * spread), -1.5, 2.5),
        np.arcsinh(gone / (old_spread + 1e-9)) / 2,
        np.full(len(course), np.log10(way / spread + 1e-3)),
    )


def _usual(values: Array) -> tuple[float, float]:
    low, middle, high = low_middle_high(values)
    return middle, (high - low) / 2


def _repeats(x: Array, rate_hz: float, from_s: float, to_s: float) -> Repetition:
    """Return at which lag a sound is most like itself, and how like."""
    spectrum = scipy.fft.rfft(x, scipy.fft.next_fast_len(2 * len(x), real=True))
    products = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: len(x)]
    alike = np.abs(products) / np.arange(len(x), 0, -1)
    first = int(from_s * rate_hz)
    lag = first + int(alike[first : int(to_s * rate_hz)].argmax())
    return Repetition(float(alike[lag] / (alike[0] + FLOOR)), lag / rate_hz)


def _held_against(
    x: Array, first: int, last: int, middles_s: Array, rate_hz: float, span_s: float
) -> tuple[Array, Array]:
    """Return how large the growl of samples `first` to `last` is about each moment, beside itself,
    and how much of what is heard then is like it, at the lag at which most is.
    """
    frames, begin = _frames(x, rate_hz, middles_s, span_s)
    size = frames.shape[1]
    sure = np.lib.stride_tricks.sliding_window_view(x[first:last], size)
    own = np.sqrt((sure**2).sum(axis=1)) + 1e-9
    fit = (frames.astype(np.float32) @ sure.T.astype(np.float32)) / own.astype(np.float32)
    itself = np.abs(begin[:, None] - (first + np.arange(len(sure)))) < APART_S * rate_hz
    fit[itself] = -np.inf
    lag = fit.argmax(axis=1)
    best = fit[np.arange(len(fit)), lag].astype(float)
    usual, there = float(np.median(own)), own[lag]
    least = (FAINTEST * usual) ** 2
    heard = np.sqrt((frames**2).sum(axis=1)) + 1e-9
    scale = 1 + least / usual**2
    return best * there / (there**2 + least) * scale, best / heard
