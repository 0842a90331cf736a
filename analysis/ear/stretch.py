"""The sound around one change, a millisecond at a time: its makes and breaks, and its moment.

The model
---------
The contact is a two-state chain, closed by the frames' verdict at either end: it begins in the
old state and ends in the new one, and every make or break between costs FLIP_COST. Its likeliest
course (the Viterbi algorithm) under the energy of the telling filters (:mod:`.tell`) gives the
makes and breaks. Those less than CHATTER_S apart are one run: chatter.

A first break may be so short, or the buzzer so slow, that its energy hardly shows. So the same is
asked of what the old sound was about to do (:mod:`.firstsign`), as long as its lines keep step.
Those of a growl do not; its moment is told from the power spectrum alone.

Sources
-------
A. J. Viterbi, "Error bounds for convolutional codes and an asymptotically optimum decoding
algorithm", IEEE Trans. Inf. Theory 13 (1967) 260. Chatter of 2 to 100 ms, and openings of 60 ms
and more: common practice, no source.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import median_filter

from analysis.ear.firstsign import PARTS, PAST, STEP_S, Steps, coherent, power_odds, stirring
from analysis.ear.moment import (
    NO_LINES,
    Lines,
    Moment,
    fit_lines,
    just_about,
    locate,
    locate_power,
)
from analysis.ear.spectrum import FLOOR
from analysis.ear.tell import Tell

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

CHATTER_S = 0.050
"""Makes and breaks closer than this are one run."""
LONGEST_CHATTER_S = 0.110
FLIP_COST = 3.0
STIR_COST = 5.0
"""Log odds against a make or break in a step, by energy and by the old sound's prediction."""
SHARE = 0.35
"""Steps overlap by the filter's length, so each counts for less than one of its own."""
BETWEEN = (0.3, 0.45, 0.6, 0.75, 0.9)
"""Parts of the way to the new level at which a buzzer may be met."""
OFF = (0.0, 0.15, 0.3, 0.45, 0.6, 0.75)
"""Those at which it has not come to rest."""
SEEN_S = 0.030
"""So long after a make or break, all that is looked at about it is seen."""
LATEST_S = 0.004
"""A moment that lies later than this after the first break is that of a later one."""
STIR_LOG_ODDS = 8.0
"""Log odds of a stir before the moment with which it is the first break after all."""
VETO_LOG_ODDS = -3.0
"""Log odds of a stir below which the prediction denies a break that the energy shows."""
ROUGH_S = 0.0012
"""Standard uncertainty of a make or break found in whole steps only."""
POWER_SHARE = 0.1
"""Weight of a step's power spectrum in a moment: its bins and steps are far from independent."""
DEEPEST = 0.1
"""Least background against its strongest part: a steeper filter would smear the change."""
FINE_RATE_HZ = 16000


@dataclass(frozen=True, eq=False)
class Sides:
    """The sound on either side of a change, clear of its chatter.

    Attributes
    ----------
    calm_s, late_s : float
        Until when the old state is sure, and from when the new one, in seconds.
    old, new : Lines
        Their lines, if any.
    """

    calm_s: float
    late_s: float
    old: Lines
    new: Lines

    @property
    def calm(self) -> slice:
        """The steps in which the old state is sure, after what a prediction needs."""
        return slice(min(PAST, int(0.3 * self.calm_s / STEP_S)), int(self.calm_s / STEP_S))

    @property
    def too_short(self) -> bool:
        """Whether the old state is not heard for long enough to predict how it goes on."""
        return self.calm_s < 0.02 or self.calm.stop - self.calm.start < 10


@dataclass(frozen=True, eq=False)
class _Stirs:
    """Where something stirred before the sound settled: (begin, end) of each, in s, in one run.

    `weights` are the log odds behind it, step by step. `powers` are given instead of both when
    the lines do not keep step: log odds of each part of the way.
    """

    runs: list[tuple[float, float]]
    weights: Array
    powers: Array | None = None


class Stretch:
    """The sound around one change, from a state to the other; times from its first sample.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The sound.
    rate_hz : float
        Samples per second.
    tell : Tell
        What tells the states apart.
    before : int
        The old state.
    guess_s : float
        About when the new state began, by the frames, in seconds.
    """

    def __init__(self, x: Array, rate_hz: float, tell: Tell, before: int, guess_s: float):
        self.x, self.rate_hz = _decimate(x - x.mean() if len(x) else x, rate_hz)
        self.tell = tell
        self.before = before
        self.guess_s = guess_s
        self.end_s = len(self.x) / self.rate_hz
        self.steps = int(self.end_s / STEP_S)
        self._powers: dict[tuple[int, bool], Array] = {}

    @cached_property
    def flips(self) -> list[float] | None:
        """When the sound leaves the old state and comes back, in the run that ends in the new one,
        by its energy; None when that does not show it, and then nothing below is to be asked
        but :meth:`go_by_frames`.
        """
        if self.evidence is None:
            return None
        crossings = _crossings(self.evidence)
        if not crossings:
            return None
        run = [crossings[-1]]
        for earlier in reversed(crossings[:-1]):
            if run[0] - earlier >= CHATTER_S:
                break
            run.insert(0, earlier)
        return run if len(run) % 2 else run[1:]

    def goes_by_rest(self) -> bool:
        """Take for the last make and break when the new state's level was left and reached for
        good, if that is more than SEEN_S after what was thought so; say whether it is. A slow
        buzzer whose contact chatters is for a while in neither state.
        """
        weights = SHARE * np.sum([_rests(one) for one in self._courses], axis=0)
        later = [t for t in _crossings(weights) if t > self.guess_s + STEP_S]
        if not later or later[-1] < self.run[-1] + SEEN_S:
            return False
        self.flips = [self.guess_s, *later[-2:]] if len(later) > 1 else later
        return True

    def go_by_frames(self) -> None:
        """Take the frames' word for when the new state began: its energy does not show it."""
        self.flips = [self.guess_s]

    def first_break(self, shape_log_odds: Array) -> tuple[Moment, list[float]]:
        """Return the moment of the first break, and the makes and breaks with it.

        `shape_log_odds` are those of other changes to the same state, see :meth:`Moment.given`.
        """
        flips, stirs = self.run, self._stirs()
        if stirs is None:
            return self._moment(flips, self._half_way(flips[0]) + LATEST_S), flips
        if stirs.powers is not None:
            return self._moment_of_powers(flips, stirs.powers), flips
        breaks = _with_stirs(flips, stirs)
        moment = self._moment(breaks, np.inf)
        late_s = moment.given(shape_log_odds)[0]
        before = stirs.weights[int(breaks[0] / STEP_S) : max(0, int((late_s - 0.002) / STEP_S))]
        if late_s > breaks[0] + LATEST_S and before.sum() > STIR_LOG_ODDS:
            moment = just_about(breaks[0] + STEP_S, ROUGH_S)
        return moment, breaks

    @property
    def run(self) -> list[float]:
        """The `flips`, where there are some."""
        assert self.flips is not None
        return self.flips

    @property
    def first_s(self) -> float:
        """When the old state is left at the earliest, in seconds."""
        return min(self.run[0], self.guess_s)

    @cached_property
    def sides(self) -> Sides:
        """The sound on either side of the run of makes and breaks."""
        first_s = self.first_s
        clear = first_s > LONGEST_CHATTER_S + 0.06
        calm_s = first_s - LONGEST_CHATTER_S if clear else 0.4 * first_s
        calm_s = max(calm_s, min(0.01, 0.5 * first_s))
        late_s = min(max(self.run[-1] + 0.008, self.end_s - 0.05), self.end_s - 0.02)
        old = self._lines(max(0.0, calm_s - 0.12), calm_s, self.before, -1)
        new = self._lines(late_s, self.end_s, 1 - self.before, 1)
        return Sides(calm_s, late_s, old, new)

    @cached_property
    def sound(self) -> Steps:
        """The stretch in steps."""
        return Steps(self.x, self.rate_hz)

    @cached_property
    def stirring(self) -> Array:
        """Log odds, step by step, that the old sound does not go on as it did."""
        return stirring(self.sound, self.sides.old, self.sides.new, self.sides.calm)

    def _stirs(self) -> _Stirs | None:
        """Return where something stirred before the sound settled; None when it cannot be told."""
        sides = self.sides
        if sides.too_short:
            return None
        calm, old, new = sides.calm, sides.old, sides.new
        late = slice(int(sides.late_s / STEP_S), int(self.end_s / STEP_S) - 2)
        recent = slice(max(12, calm.stop - 45), calm.stop)
        in_step = [coherent(self.sound, *part) for part in ((old, recent), (new, late))]
        if False in in_step and True not in in_step:
            powers = power_odds(self.sound, slice(0, calm.stop), late)
            return _Stirs([], np.zeros(0), powers)
        weights = self.stirring
        last = int((max(self.guess_s, self.run[-1]) + 0.015) / STEP_S)
        runs = _runs(_likeliest(weights[calm.stop : last], STIR_COST), calm.stop)
        return _Stirs(runs, weights) if runs else None

    def _moment(self, flips: list[float], latest_s: float) -> Moment:
        """Return the moment of the first flip."""
        first = flips[0]
        until = flips[1] if len(flips) > 1 else self.end_s
        start = max(0.0, first - 0.1)
        old = self._lines(max(start, first - 0.08), first - 0.004, self.before, -1)
        new = self._lines(first + 0.010, min(until, first + 0.12), 1 - self.before, 1)
        found = None
        if old is not NO_LINES or new is not NO_LINES:
            noise = self.noise(old, new, first)
            found = locate(self.x, self.rate_hz, old, new, noise, first, (start, until))
        if found is not None:
            found = found.with_break_at(first + STEP_S / 2)
        if found is None or found.given(np.zeros(1))[0] > latest_s:
            # Too weak, or the contact broke before the sound went over for good.
            return just_about(self._half_way(first), ROUGH_S)
        return found

    def _moment_of_powers(self, flips: list[float], powers: Array) -> Moment:
        first = flips[0]
        until = flips[1] if len(flips) > 1 else self.end_s
        limits_s = (max(0.0, first - 0.1), until)
        found = locate_power(POWER_SHARE * powers, PARTS, STEP_S, first, limits_s)
        latest_s = self._half_way(first) + LATEST_S
        if found is None or found.given(np.zeros(1))[0] > latest_s:
            return just_about(first, ROUGH_S)
        return found

    @cached_property
    def evidence(self) -> Array | None:
        """Return the log odds that the old state has been left, step by step, by energy."""
        courses = self._courses
        return SHARE * np.sum([_left(one) for one in courses], axis=0) if courses else None

    @cached_property
    def _courses(self) -> "list[_Course]":
        """The courses of what tells of either state and shows the change."""
        edge = int(self.guess_s / STEP_S)
        if self.steps < 30 or edge < 8:
            return []
        calm = slice(0, edge - 110 if edge >= 150 else max(8, edge - 20))
        courses = []
        for state in (0, 1):
            if not self.tell.responses[state].any():
                continue
            power = self.power(state)
            beside = np.ones(self.steps)
            if self.tell.flanks[state].any():
                beside = _smooth(self.power(state, beside=True), 8) + FLOOR
            for smooth in (1, 2, 4, 8):
                level = np.sqrt(_smooth(power, smooth))
                old, new = _usual(level, beside, calm), _usual(level, beside, slice(-40, None))
                if abs(new.level - old.level) > 3 * (old.spread + new.spread):
                    break
            ratio = (new.level + 1e-9) / (old.level + 1e-9)
            if (ratio > 1) == (state != self.before) and max(ratio, 1 / ratio) >= 1.25:
                courses.append(_Course(level, beside, old, new))
        return courses

    def _half_way(self, first_s: float) -> float:
        """Return when the first break was half done: filters spread it to either side alike."""
        state = 1 - self.before if self.tell.responses[1 - self.before].any() else self.before
        step_s = STEP_S / 4
        course = np.sqrt(self.power(state, step_s=step_s))
        i, calm, reach = (round(t / step_s) for t in (first_s, 0.015, 0.005))
        old = float(np.median(course[max(0, i - calm) : max(1, i - reach // 2)]))
        ahead = course[max(0, i - reach // 2) : i + reach]
        new = ahead.max() if state != self.before else ahead.min()
        over = np.flatnonzero((ahead > 0.5 * (old + new)) == (new > old))
        return (max(0, i - reach // 2) + (over[0] if len(over) else reach // 2)) * step_s

    def power(self, state: int, beside: bool = False, step_s: float = STEP_S) -> Array:
        """Return the power that tells of a state, or what lies beside it, step by step."""
        power = self.power_through(state, beside)
        steps = int(self.end_s / step_s)
        edges = np.round(np.arange(steps + 1) * step_s * self.rate_hz).astype(int)
        return np.asarray(np.add.reduceat(power, edges[:-1]) / np.diff(edges))

    def power_through(self, state: int, beside: bool = False) -> Array:
        """Return the power behind a state's filter, or the one beside it, sample by sample."""
        if (state, beside) not in self._powers:
            response = (self.tell.flanks if beside else self.tell.responses)[state]
            self._powers[state, beside] = self._filtered_power(response)
        return self._powers[state, beside]

    def _filtered_power(self, response: Array) -> Array:
        n = scipy.fft.next_fast_len(len(self.x) + int(0.01 * self.rate_hz))
        hz = np.arange(n // 2 + 1) * self.rate_hz / n
        gain = np.interp(hz, self.tell.hz, response, right=0.0)
        one_sided = np.zeros(n, dtype=complex)
        one_sided[: len(hz)] = scipy.fft.rfft(self.x, n) * gain
        y = scipy.fft.ifft(one_sided)[: len(self.x)]
        return np.asarray(y.real**2 + y.imag**2)

    def noise(self, old: Lines, new: Lines, first_s: float) -> Array:
        """Return the power spectral density per sample of what is left beside the lines.

        The median over neighbouring frequencies keeps what is left of a line itself, or of its
        dying away in the room, out of the background.
        """
        size = int(0.016 * self.rate_hz) // 2 * 2
        window = np.hanning(size + 1)[:-1]
        spectra = []
        until, since = (int((first_s + d) * self.rate_hz) for d in (-0.004, 0.012))
        for lines, first, last in ((old, 0, max(0, until)), (new, since, len(self.x))):
            left = self.x[first:last] - lines.at(self.rate_hz, first, max(0, last - first))
            if len(left) >= size:
                frames = np.lib.stride_tricks.sliding_window_view(left, size)[:: size // 2]
                power = np.abs(scipy.fft.rfft(frames * window, axis=1)) ** 2
                density = power.mean(axis=0) / np.sum(window**2)
                spectra.append(median_filter(density, 9, mode="nearest"))
        if not spectra:
            return np.ones(size // 2 + 1)
        psd = np.convolve(np.pad(np.max(spectra, axis=0), 1, mode="edge"), np.ones(3) / 3, "valid")
        return np.asarray(psd + DEEPEST * psd.max() + FLOOR)

    def _lines(self, start_s: float, end_s: float, state: int, side: int) -> Lines:
        """Return a state's lines beside the change, from as long a window as they keep step."""
        best, least = NO_LINES, np.inf
        rate = self.rate_hz
        for longest_s in (0.12, 0.035):
            if side > 0:
                a, b = start_s, min(end_s, start_s + longest_s)
            else:
                a, b = max(start_s, end_s - longest_s), end_s
            i, j = max(0, int(a * rate)), min(len(self.x), int(b * rate))
            if j - i < 32:
                break
            wanted = self.tell.line_power[state] * (2 * self.tell.line_power.shape[1]) / (j - i)
            lines = fit_lines(self.x[i:j], rate, i, wanted, self.tell.bin_hz)
            reach = int(0.02 * rate)
            near = slice(i, min(j, i + reach)) if side > 0 else slice(max(i, j - reach), j)
            rest = self.x[near] - lines.at(rate, near.start, near.stop - near.start)
            left = float(np.sum(rest**2))
            if left < 0.1 * float(np.sum(self.x[near] ** 2)):
                return lines
            if left < 0.8 * least:
                best, least = lines, left
        return best


def _with_stirs(flips: list[float], stirs: _Stirs) -> list[float]:
    """Return the makes and breaks by both kinds of evidence, an odd number of them."""
    first, over = stirs.runs[0]
    if flips[0] < first - LATEST_S:
        until = min([first, *flips[1:2]])
        between = stirs.weights[int(flips[0] / STEP_S) : int(until / STEP_S)]
        if first - until < CHATTER_S and between.sum() > VETO_LOG_ODDS:
            first, over = flips[0], until
    later = [f for f in flips if f > first + LATEST_S]
    if len(later) % 2:
        later.insert(0, over)
    if later:
        later[0] = max(later[0], first + LATEST_S / 2)
    return [first, *later]


def _runs(states: Mask, offset: int) -> list[tuple[float, float]]:
    """Return (begin, end), in s, of the last stretches set that are less than CHATTER_S apart."""
    on = offset + np.flatnonzero(np.diff(np.r_[False, states].astype(int)) == 1)
    off = offset + np.flatnonzero(np.diff(np.r_[states, False].astype(int)) == -1) + 1
    i = max(0, len(on) - 1)
    while i and (on[i] - off[i - 1]) * STEP_S < CHATTER_S:
        i -= 1
    return [
        (a * STEP_S, b * STEP_S) for a, b in zip(on[i:].tolist(), off[i:].tolist(), strict=True)
    ]


@dataclass(frozen=True)
class _Usual:
    """How a filter's output behaves in a state: its level, its spread, and the noise beside."""

    level: float
    spread: float
    beside: float


def _usual(level: Array, beside: Array, part: slice) -> _Usual:
    low, middle, high = low_middle_high(level[part])
    return _Usual(middle, (high - low) / 2, float(np.median(beside[part])))


def low_middle_high(values: Array) -> tuple[float, float, float]:
    """Return the 16th, 50th and 84th percentile: of normal noise one standard deviation apart.

    As :func:`numpy.percentile`, which takes far longer over a few hundred values.
    """
    place = np.array([0.16, 0.5, 0.84]) * (len(values) - 1)
    low, middle, high = np.interp(place, np.arange(len(values)), np.sort(values)).tolist()
    return low, middle, high


def log_odds_of_level(power: Array, beside: Array | None, old: slice, new: slice) -> Array:
    """Return the log odds, step by step, that a level is not the old state's.

    Parameters
    ----------
    power : ndarray, shape (steps,)
        From :meth:`Stretch.power`, of the filter that tells.
    beside : ndarray, shape (steps,), or None
        The same of the filter beside it, if there is one.
    old, new : slice
        Steps in which the old and the new state are sure.
    """
    level = np.sqrt(power)
    noise = np.ones(len(level)) if beside is None else _smooth(beside, 8) + FLOOR
    usual = _usual(level, noise, old), _usual(level, noise, new)
    return np.asarray(SHARE * _left(_Course(level, noise, *usual)))


def _smooth(values: Array, width: int) -> Array:
    return np.convolve(values, np.ones(width) / width, "same")


@dataclass(frozen=True, eq=False)
class _Course:
    """How the level behind a filter, and the noise beside it, go on, step by step; and how they are
    in either state.
    """

    level: Array
    beside: Array
    old: _Usual
    new: _Usual

    def way(self, part: float) -> float:
        """Return the level that has gone a part of the way from the old one to the new."""
        return self.old.level + part * (self.new.level - self.old.level)

    @property
    def accident(self) -> float:
        """How likely any level is by accident, which either state may suffer."""
        return 0.02 / (3 * max(self.old.level, self.new.level))

    def like(self, at: float, usual: _Usual) -> Array:
        """Return how likely the level is where `at` is usual, give or take a usual spread."""
        noisier = np.clip(self.beside / usual.beside, 0.5, 1e4)
        top = max(self.old.level, self.new.level)
        spread = np.sqrt(noisier) * max(usual.spread, 0.02 * top, 0.05 * usual.level)
        return np.asarray(np.exp(-0.5 * ((self.level - at) / spread) ** 2) / (spread * 2.507))


def _left(course: _Course) -> Array:
    """Return the log odds that a level is not the old state's, but the new one's, or between."""
    old, new = course.old, course.new
    between = np.mean([course.like(course.way(part), old) for part in BETWEEN], axis=0)
    return np.asarray(
        np.log(0.45 * course.like(new.level, new) + 0.45 * between + course.accident)
        - np.log(0.9 * course.like(old.level, old) + course.accident)
    )


def _rests(course: _Course) -> Array:
    """Return the log odds that a level is the new state's, and not some way off."""
    new = course.new
    off = [course.like(course.way(part), course.old if part < 0.5 else new) for part in OFF]
    return np.asarray(
        np.log(0.9 * course.like(new.level, new) + course.accident)
        - np.log(0.9 * np.mean(off, axis=0) + course.accident)
    )


def _crossings(weights: Array) -> list[float]:
    """Return when the likeliest course goes from one state to the other, in s, by the log odds of
    the new one; nothing if it does not end in that.
    """
    weights = weights.copy()
    weights[-5:] += FLIP_COST
    states = _likeliest(weights, FLIP_COST)
    edges = np.flatnonzero(np.diff(states)) + 1
    return (edges * STEP_S).tolist() if states[-1] else []


def _likeliest(weights: Array, cost: float) -> Mask:
    """Return the likeliest course of a two-state chain, by the Viterbi algorithm.

    `weights` are the log odds of state 1, `cost` is that of a change; the course begins in 0.
    """
    stay, left = 0.0, -np.inf
    came: list[tuple[bool, bool]] = []
    for w in weights.tolist():
        back, away = left - cost, stay - cost
        came.append((back > stay, away > left))
        stay, left = (back if back > stay else stay), (away if away > left else left) + w
    state = left > stay
    states = []
    for changed in reversed(came):
        states.append(state)
        state ^= changed[state]
    return np.array(states[::-1], dtype=bool)


def _decimate(x: Array, rate_hz: float) -> tuple[Array, float]:
    """Bring sound down to FINE_RATE_HZ or a little more, with no delay."""
    factor = int(rate_hz // FINE_RATE_HZ)
    if factor < 2 or len(x) < factor:
        return x, rate_hz
    count = len(x) // factor
    size = scipy.fft.next_fast_len(count, real=True)
    spectrum = scipy.fft.rfft(x, size * factor)
    slower = scipy.fft.irfft(spectrum[: size // 2 + 1], size)[:count] / factor
    return np.asarray(slower), rate_hz / factor
