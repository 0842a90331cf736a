"""The ear: sound in blocks of any size in, changes of the buzzer out.

The model
---------
The buzzer is in one of two states. Each frame of about 21 ms weighs the evidence for either
(:mod:`analysis.ear.buzzer`). The states follow each other as a Markov chain that changes about
once in DWELL_S; its posterior log odds are carried from frame to frame by Bayes' rule. Where they
change sign, the buzzer has changed state, give or take a few frames.

Then the stretch around is heard again at sample resolution. The filter that tells the two states
apart best for its length (the difference of their inverse spectra, after P. Whittle, "The analysis
of multiple stationary time series", J. Roy. Stat. Soc. B 15 (1953) 125) gives a course of energy
that shows each make and break of a chattering contact. A state that does not last CHATTER_S is
chatter; the change is at the first break of the run, settled at the last. :mod:`.moment` then
finds the first sign of it among the lines of the two sounds.

Sources
-------
L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
recognition", Proc. IEEE 77 (1989) 257. M. Basseville, I. V. Nikiforov, *Detection of Abrupt
Changes* (1993), chapters 2 and 8. A. N. Shiryaev, "On optimum methods in quickest detection
problems", Theory Prob. Appl. 8 (1963) 22.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.change import Change, Kind, Points, Sounding
from analysis.ear.buzzer import BuzzerPrint, as_steps, weigh
from analysis.ear.firstsign import PARTS, PAST, coherent, power_odds, stirring
from analysis.ear.moment import (
    NO_LINES,
    Lines,
    Moment,
    fit_lines,
    just_about,
    locate,
    locate_power,
    rise_shapes,
)
from analysis.ear.spectrum import FLOOR, FrameGrid
from analysis.sound import Block, finite

Array = npt.NDArray[np.float64]

DWELL_S = 1.0
"""Mean time the buzzer stays in a state, to an order of magnitude."""
SURE = 2.0
SHORTEST_S = 0.043
CHATTER_S = 0.050
"""A state that lasts less is chatter; cam lobes take 60 ms and more."""
LOOK_BACK_S = 0.35
LOOK_AHEAD_S = 0.040
HEARD_AHEAD_S = 0.034
"""How much of the sound after a turn is looked at: less than the shortest real opening."""
STEADY_S = 0.030
"""How long the new sound must have lasted at the end of what is looked at."""
LOOK_AGAIN_S = 0.011
"""After how long a change that has not settled yet is looked at again."""
EVIDENCE_SHARE = 0.4
"""Frames overlap by three quarters, so each counts for less than a frame of its own."""
CHATTERED_S = 0.0008
"""Standard uncertainty that chatter adds: its first break may be too faint to hear."""
KEPT_S = 1.5
FINE_S = 0.001
"""Step in which makes and breaks are told apart."""
FINE_SHARE = 0.35
"""Steps of FINE_S overlap by the filter's length, so each counts for less than one of its own."""
FLIP_COST = 3.0
DEEPEST = 0.1
"""Least background against its strongest part: a steeper filter would smear the change."""
LATEST_S = 0.004
"""A moment that lies later than this after the first break is that of a later one."""
ROUGH_S = 0.0012
"""Standard uncertainty of a make or break found in steps of FINE_S only."""


@dataclass
class _Turn:
    """The chain has changed sign at a frame, and the change waits to be looked at."""

    frame: int
    state: int


class Ear:
    """Hear the changes of one known buzzer.

    Parameters
    ----------
    rate_hz : float
        Samples per second of every block.
    buzzer : BuzzerPrint
        The buzzer; :meth:`follow` replaces it by a fresher print of the same.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told.
    """

    def __init__(self, rate_hz: float, buzzer: BuzzerPrint, sounding: Sounding | None = None):
        self.grid = FrameGrid.at_rate(rate_hz)
        self.sounding = sounding
        self.state: int | None = None
        self._start = 0
        self._samples = np.zeros(0, dtype=np.float32)
        self._frame = 0
        self._log_odds = 0.0
        self._turn: _Turn | None = None
        self._last_settled_s = -np.inf
        self.shape_log_odds = np.zeros((2, len(rise_shapes())))
        self.moments: list[tuple[int, float, Moment]] = []
        self.follow(buzzer)

    def follow(self, buzzer: BuzzerPrint) -> None:
        """Go on with a fresher print of the same buzzer."""
        self.buzzer = buzzer
        self._columns = buzzer.columns_in(self.grid)
        self._tell = _Tell.of(buzzer, self.grid, self.sounding)

    @property
    def busy(self) -> bool:
        """Whether a change is under way."""
        return self._turn is not None

    @property
    def points(self) -> Points | None:
        """How the points stand, as far as is known."""
        return None if self.state is None else self._points(self.state)

    def hear(self, block: Block) -> list[Change]:
        """Take a block and return the changes it settles."""
        rate = self.grid.rate_hz
        first = round(block.start_s * rate)
        changes: list[Change] = []
        if len(self._samples) == 0 and self._frame == 0:
            self._start = first
        elif first != self._start + len(self._samples):
            changes += self.finish()
            self._restart(first)
        self._samples = np.concatenate([self._samples, finite(block.samples)])
        changes += self._listen()
        self._forget()
        return changes

    def finish(self) -> list[Change]:
        """Return the change that the end of the sound leaves unsettled, if any."""
        if self._turn is None:
            return []
        return self._look(self._turn, at_end=True)

    def reconsider(self, changes: list[Change]) -> list[Change]:
        """Return the changes with their moments in the light of all that was heard."""
        better = []
        for change, (state, origin_s, moment) in zip(changes, self.moments, strict=True):
            others = self.shape_log_odds[state] - moment.says_of_shape()
            time_s, uncertainty_s = moment.given(others)
            time_s += origin_s
            chattered = change.settled_s > change.time_s
            settled_s = max(time_s, change.settled_s) if chattered else time_s
            if chattered:
                uncertainty_s = float(np.hypot(uncertainty_s, CHATTERED_S))
            better.append(
                replace(change, time_s=time_s, settled_s=settled_s, uncertainty_s=uncertainty_s)
            )
        return better

    def _restart(self, first: int) -> None:
        self._start, self._frame = first, 0
        self._samples = np.zeros(0, dtype=np.float32)
        self._log_odds, self._turn = 0.0, None
        self._last_settled_s = first / self.grid.rate_hz

    def _listen(self) -> list[Change]:
        grid, changes = self.grid, []
        offset = self._frame * grid.hop
        powers = grid.powers(self._samples[offset:])
        if len(powers) == 0:
            return []
        levels = grid.levels(powers, self._columns)
        weights = EVIDENCE_SHARE * weigh(self.buzzer.evidence, as_steps(levels))
        ceiling = float(np.log(DWELL_S / grid.hop_s))
        odds = self._log_odds
        for weight in weights.tolist():
            odds = self._log_odds = min(ceiling, max(-ceiling, odds)) + weight
            if self.state is None:
                if abs(odds) > 2.0:
                    self.state = int(odds > 0)
            elif self._turn is None and (odds > 0) != bool(self.state):
                self._turn = _Turn(self._frame, 1 - self.state)
            elif self._turn is not None and (odds > 0) == bool(self.state):
                if self._waited_s(self._turn) >= SHORTEST_S:
                    changes += self._look(self._turn, at_end=True)
                    self._turn = _Turn(self._frame, 1 - self.state)
                else:
                    self._turn = None
            self._frame += 1
            if self._turn is not None and self._waited_s(self._turn) >= LOOK_AHEAD_S:
                changes += self._look(self._turn, at_end=False)
        self._log_odds = odds
        return changes

    def _leaning(self, state: int) -> float:
        """Return the log odds of a state, after the last frame."""
        return self._log_odds if state else -self._log_odds

    def _waited_s(self, turn: _Turn) -> float:
        return (self._frame - turn.frame) * self.grid.hop_s

    def _forget(self) -> None:
        """Keep KEPT_S of sound, cut at a whole frame."""
        spare = self._frame - int(KEPT_S / self.grid.hop_s)
        if spare > 200:
            self._samples = self._samples[spare * self.grid.hop :].copy()
            self._start += spare * self.grid.hop
            self._frame -= spare
            if self._turn is not None:
                self._turn.frame -= spare

    def _look(self, turn: _Turn, at_end: bool) -> list[Change]:
        """Look closely at the change that waits."""
        grid = self.grid
        rate = grid.rate_hz
        origin_s = self._start / rate
        turn_s = grid.middle_s(turn.frame)
        here_s = min(len(self._samples) / rate, turn_s + HEARD_AHEAD_S)
        first_s = max(0.0, self._last_settled_s - origin_s, turn_s - LOOK_BACK_S)
        first = int(first_s * rate)
        x = self._samples[first : int(here_s * rate)].astype(float)
        self._turn = None
        stretch = _Stretch(x, rate, self._tell, 1 - turn.state, turn_s - first_s)
        if not at_end and self._leaning(turn.state) < SURE:
            self._turn = _Turn(turn.frame + 1, turn.state)
            return []
        flips = stretch.flips()
        if flips is None:
            return []
        if len(x) / rate - flips[-1] < STEADY_S and not at_end:
            waited = int((LOOK_AHEAD_S - LOOK_AGAIN_S) / grid.hop_s)
            self._turn = _Turn(self._frame - waited, turn.state)
            return []
        kind = self._kind(turn.state)
        moment, flips = stretch.first_break(flips, self.shape_log_odds[turn.state])
        time_s, uncertainty_s = moment.given(self.shape_log_odds[turn.state])
        settled = flips[-1] if len(flips) > 1 else time_s
        self.state = turn.state
        self.shape_log_odds[turn.state] += moment.says_of_shape()
        self.moments.append((turn.state, origin_s + first_s, moment))
        if len(flips) > 1:
            uncertainty_s = float(np.hypot(uncertainty_s, CHATTERED_S))
        change = Change(
            time_s=origin_s + first_s + time_s,
            settled_s=origin_s + first_s + max(settled, time_s),
            uncertainty_s=uncertainty_s,
            change=kind,
            points=self._points(turn.state),
            margin_db=self.buzzer.margin_db,
        )
        self._last_settled_s = origin_s + first_s + flips[-1]
        return [change]

    def _kind(self, state: int) -> Kind:
        if self.sounding == "both" or self.buzzer.silent is None:
            return "shifts"
        return "stops" if state == self.buzzer.silent else "starts"

    def _points(self, state: int) -> Points | None:
        if self.buzzer.open_state is not None:
            return "open" if state == self.buzzer.open_state else "closed"
        if self.sounding in (None, "both") or self.buzzer.silent is None:
            return None
        sounds = state != self.buzzer.silent
        return "open" if sounds == (self.sounding == "open") else "closed"


@dataclass(frozen=True, eq=False)
class _Tell:
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
    """

    hz: Array
    responses: Array
    flanks: Array
    line_power: Array
    bin_hz: float

    @classmethod
    def of(cls, buzzer: BuzzerPrint, grid: FrameGrid, sounding: Sounding | None) -> "_Tell":
        """Derive it from a print for sound at the grid's rate."""
        count = grid.length // 2 + 1
        hz = np.arange(count) * grid.bin_hz
        inside = (hz >= buzzer.spectrum_hz[0]) & (hz <= buzzer.spectrum_hz[-1])
        median = np.stack([np.interp(hz, buzzer.spectrum_hz, s) for s in buzzer.spectrum])
        mean = median / np.log(2)  # as of noise, whose power is distributed exponentially
        floor = _running_median(mean.min(axis=0), 21)
        louder = [inside & (mean[s] > 4 * floor) & (mean[s] > 2 * mean[1 - s]) for s in (0, 1)]
        own = np.stack(
            [o | (p & (m > 4 * floor)) for o, p, m in zip(louder, louder[::-1], mean, strict=True)]
        )
        if sounding in ("open", "closed") and buzzer.silent is not None:
            own[buzzer.silent] = False
        lines = np.where([_widen(o, 2) for o in own], 10 * floor, np.inf)
        responses = [_contrast(mean[1 - s], mean[s], louder[s]) for s in (0, 1)]
        flanks = [
            _beside(r, louder[s], inside & ~_widen(own[0] | own[1], 6))
            for s, r in enumerate(responses)
        ]
        fine = [_shortened(r, grid.rate_hz, KERNEL_S) for r in responses]
        energy = (np.square(fine)[:, None, ::FINER] * mean[None]).sum(axis=2)
        for s in (0, 1):
            if not energy[s, s] > 1.6 * energy[s, 1 - s]:
                fine[s], flanks[s] = np.zeros_like(fine[s]), np.zeros(count)
        flanks = [_shortened(f, grid.rate_hz, 2 * KERNEL_S) for f in flanks]
        fine_hz = np.arange(len(fine[0])) * grid.bin_hz / FINER
        return cls(fine_hz, np.stack(fine), np.stack(flanks), lines, grid.bin_hz)


BETWEEN = (0.3, 0.45, 0.6, 0.75, 0.9)
FINER = 4
CHATTER_LONGEST_S = 0.110
STIR_COST = 5.0
POWER_SHARE = 0.1
VETO = -3.0
STIR_SURE = 8.0
SIGN_LATE_S = 0.001
SIGN_U_S = 0.001
CONTIG_S = 0.012
KERNEL_S = 0.004
FLANK = (12, 40)


def _contrast(quiet: Array, loud: Array, bins: npt.NDArray[np.bool_]) -> Array:
    """Return the amplitude response whose energy tells best that these bins grow louder."""
    if not bins.any():
        return np.zeros(len(bins))
    background = quiet + 1e-3 * loud[bins].max()
    gain = np.maximum(1 / background - 1 / (loud + background), 0.0)
    return np.asarray(np.sqrt(gain) * _widen(bins, 1))


def _beside(response: Array, bins: npt.NDArray[np.bool_], free: npt.NDArray[np.bool_]) -> Array:
    """Return a response beside that of some lines, where none of the buzzer's own is."""
    beside = free & _widen(bins, FLANK[1]) & ~_widen(bins, FLANK[0])
    if beside.sum() < 8:
        return np.zeros(len(response))
    return beside.astype(float)


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


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(windows, axis=1))


def _widen(mask: npt.NDArray[np.bool_], by: int) -> npt.NDArray[np.bool_]:
    return np.convolve(mask, np.ones(2 * by + 1), mode="same") > 0


class _Stretch:
    """The sound around one change, from a state to the other; times from its first sample."""

    def __init__(self, x: Array, rate_hz: float, tell: _Tell, before: int, guess_s: float):
        self.x, self.rate_hz = _decimate(x - x.mean() if len(x) else x, rate_hz)
        self.tell = tell
        self.before = before
        self.guess_s = guess_s

    def flips(self) -> list[float] | None:
        """Return when the sound leaves the old state and comes back, in the run that ends in the
        new one; None when it does not end there.
        """
        weights = self._evidence()
        if weights is None:
            return None
        weights[-5:] += 3.0
        states = _likeliest(weights, FLIP_COST)
        edges = np.flatnonzero(np.diff(states)) + 1
        if not states[-1] or len(edges) == 0:
            return None
        crossings = (edges * FINE_S).tolist()
        run = [crossings[-1]]
        for earlier in reversed(crossings[:-1]):
            if run[0] - earlier >= CHATTER_S:
                break
            run.insert(0, earlier)
        return run if len(run) % 2 else run[1:]

    def first_break(self, flips: list[float], shape_log_odds: Array) -> tuple[Moment, list[float]]:
        """Return the moment of the first break, and the breaks."""
        stirs = self.stirs(flips)
        if stirs is None:
            return self.moment(flips, self._half_way(flips[0]) + LATEST_S), flips
        runs, weights, powers = stirs
        if powers is not None:
            first = flips[0]
            until = flips[1] if len(flips) > 1 else len(self.x) / self.rate_hz
            moment = locate_power(
                POWER_SHARE * powers, PARTS, FINE_S, first, (max(0.0, first - 0.1), until), 2
            )
            if moment is None or moment.given(np.zeros(1))[0] > self._half_way(flips[0]) + LATEST_S:
                moment = just_about(first, ROUGH_S)
            return moment, flips
        first, over = runs[0]
        if flips[0] < first - LATEST_S:
            until = min([first, *flips[1:2]])
            if (
                first - until < CHATTER_S
                and weights[int(flips[0] / FINE_S) : int(until / FINE_S)].sum() > VETO
            ):
                first, over = flips[0], until
        later = [f for f in flips if f > first + 0.004]
        breaks = [first, *(later if len(later) % 2 == 0 else [over, *later])]
        if len(breaks) > 1 and breaks[1] < breaks[0] + 0.002:
            breaks[1] = breaks[0] + 0.002
        moment = self.moment(breaks, np.inf)
        late = moment.given(shape_log_odds)[0]
        between = weights[int(first / FINE_S) : max(0, int((late - 0.002) / FINE_S))]
        if late > first + LATEST_S and between.sum() > STIR_SURE:
            moment = just_about(first + SIGN_LATE_S, SIGN_U_S)
        return moment, breaks

    def stirs(
        self, flips: list[float]
    ) -> tuple[list[tuple[float, float]], Array, Array | None] | None:
        """Return the stretches in which something stirred before the sound settled, in one run."""
        x, rate = self.x, self.rate_hz
        end_s = len(x) / rate
        first = min(flips[0], self.guess_s)
        calm_end = first - CHATTER_LONGEST_S if first > CHATTER_LONGEST_S + 0.06 else 0.4 * first
        if calm_end < 0.02:
            return None
        before = self._lines(x, rate, max(0.0, calm_end - 0.12), calm_end, self.before, -1)
        late_s = max(flips[-1] + 0.008, end_s - 0.05)
        after = self._lines(x, rate, late_s, end_s, 1 - self.before, 1)
        calm = slice(min(PAST, int(0.3 * calm_end / FINE_S)), int(calm_end / FINE_S))
        if calm.stop - calm.start < 10:
            return None
        late = slice(int(late_s / FINE_S), int(end_s / FINE_S) - 2)
        louder = np.sum(np.abs(after.amplitudes) ** 2) > np.sum(np.abs(before.amplitudes) ** 2)
        recent = slice(max(12, calm.stop - 45), calm.stop)
        powers = None
        steps_together = [coherent(x, rate, before, recent), coherent(x, rate, after, late)]
        if any(steps_together) or False not in steps_together:
            weights = stirring(x, rate, before, after, calm, bool(louder))
        else:
            powers = power_odds(x, rate, slice(0, calm.stop), late)
            return [], np.zeros(0), powers
        last = int((max(self.guess_s, flips[-1]) + 0.015) / FINE_S)
        states = _likeliest(weights[calm.stop : last], STIR_COST)
        on = calm.stop + np.flatnonzero(np.diff(np.r_[False, states].astype(int)) == 1)
        off = calm.stop + np.flatnonzero(np.diff(np.r_[states, False].astype(int)) == -1) + 1
        if not len(on):
            return None
        i = len(on) - 1
        while i and (on[i] - off[i - 1]) * FINE_S < CHATTER_S:
            i -= 1
        return (
            [
                (a * FINE_S, b * FINE_S)
                for a, b in zip(on[i:].tolist(), off[i:].tolist(), strict=True)
            ],
            weights,
            powers,
        )

    def _evidence(self) -> Array | None:
        """Return the log odds that the old state has been left, in steps of FINE_S."""
        steps = int(len(self.x) / self.rate_hz / FINE_S)
        edge = int(self.guess_s / FINE_S)
        if steps < 30 or edge < 8:
            return None
        calm = slice(0, edge - 110 if edge >= 150 else max(8, edge - 20))
        total = np.zeros(steps)
        told = False
        for state in (0, 1):
            if not self.tell.responses[state].any():
                continue
            power = self._power(self.tell.responses[state], steps)
            beside = np.ones(steps)
            if self.tell.flanks[state].any():
                beside = _smooth(self._power(self.tell.flanks[state], steps), 8)
            for smooth in (1, 2, 4, 8):
                level = np.sqrt(_smooth(power, smooth))
                old, new = _usual(level, beside, calm), _usual(level, beside, slice(-40, None))
                if abs(new.level - old.level) > 3 * (old.spread + new.spread):
                    break
            ratio = (new.level + 1e-9) / (old.level + 1e-9)
            if (ratio > 1) != (state != self.before) or max(ratio, 1 / ratio) < 1.25:
                continue
            total += FINE_SHARE * _left(level, beside, old, new)
            told = True
        return total if told else None

    def _half_way(self, first_s: float) -> float:
        """Return when the first break was half done: filters spread it to either side alike."""
        state = 1 - self.before if self.tell.responses[1 - self.before].any() else self.before
        step_s = FINE_S / 4
        course = np.sqrt(
            self._power(
                self.tell.responses[state], int(len(self.x) / self.rate_hz / step_s), step_s
            )
        )
        i, calm, reach = (round(t / step_s) for t in (first_s, 0.015, 0.005))
        old = float(np.median(course[max(0, i - calm) : max(1, i - reach // 2)]))
        ahead = course[max(0, i - reach // 2) : i + reach]
        new = ahead.max() if state != self.before else ahead.min()
        over = np.flatnonzero((ahead > 0.5 * (old + new)) == (new > old))
        return (max(0, i - reach // 2) + (over[0] if len(over) else reach // 2)) * step_s

    def _power(self, response: Array, steps: int, step_s: float = FINE_S) -> Array:
        """Return the power of the sound through a filter in each step, shape (steps,)."""
        n = scipy.fft.next_fast_len(len(self.x) + int(0.01 * self.rate_hz))
        hz = np.arange(n // 2 + 1) * self.rate_hz / n
        gain = np.interp(hz, self.tell.hz, response, right=0.0)
        one_sided = np.zeros(n, dtype=complex)
        one_sided[: len(hz)] = scipy.fft.rfft(self.x, n) * gain
        y = scipy.fft.ifft(one_sided)[: len(self.x)]
        edges = np.round(np.arange(steps + 1) * step_s * self.rate_hz).astype(int)
        return np.asarray(np.add.reduceat(y.real**2 + y.imag**2, edges[:-1]) / np.diff(edges))

    def moment(self, flips: list[float], latest_s: float) -> Moment:
        """Return the moment of the first flip."""
        x, rate = self.x, self.rate_hz
        first = flips[0]
        until = flips[1] if len(flips) > 1 else len(self.x) / self.rate_hz
        start = max(0.0, first - 0.1)
        before = self._lines(x, rate, max(start, first - 0.08), first - 0.004, self.before, -1)
        after = self._lines(x, rate, first + 0.010, min(until, first + 0.12), 1 - self.before, 1)
        rough = just_about(self._half_way(first), ROUGH_S)
        if before is NO_LINES and after is NO_LINES:
            return rough
        noise = self._noise(x, rate, before, after, first)
        found = locate(x, rate, before, after, noise, first, (start, until))
        if found is None or found.given(np.zeros(1))[0] > latest_s:
            return rough  # the contact broke before the sound went over for good
        return found

    def _noise(self, x: Array, rate: float, before: Lines, after: Lines, first: float) -> Array:
        """Return the power spectral density per sample of what is left beside the lines.

        The median over neighbouring frequencies keeps what is left of a line itself, or of its
        dying away in the room, out of the background.
        """
        t = np.arange(len(x)) / rate
        size = int(0.016 * rate) // 2 * 2
        window = np.hanning(size + 1)[:-1]
        spectra = []
        for rest, part in (
            (x - before.at(t), slice(0, int((first - 0.004) * rate))),
            (x - after.at(t), slice(int((first + 0.012) * rate), None)),
        ):
            left = rest[part]
            if len(left) >= size:
                frames = np.lib.stride_tricks.sliding_window_view(left, size)[:: size // 2]
                power = np.abs(scipy.fft.rfft(frames * window, axis=1)) ** 2
                spectra.append(_running_median(power.mean(axis=0) / np.sum(window**2), 9))
        if not spectra:
            return np.ones(size // 2 + 1)
        psd = np.convolve(np.pad(np.max(spectra, axis=0), 1, mode="edge"), np.ones(3) / 3, "valid")
        return np.asarray(psd + DEEPEST * psd.max() + FLOOR)

    def _lines(
        self, x: Array, rate: float, start_s: float, end_s: float, state: int, side: int
    ) -> Lines:
        """Return a state's lines beside the change, from as long a window as they keep step."""
        best, least = NO_LINES, np.inf
        for longest in (0.12, 0.035):
            if side > 0:
                a, b = start_s, min(end_s, start_s + longest)
            else:
                a, b = max(start_s, end_s - longest), end_s
            i, j = max(0, int(a * rate)), min(len(x), int(b * rate))
            if j - i < 32:
                break
            wanted = self.tell.line_power[state] * (2 * self.tell.line_power.shape[1]) / (j - i)
            lines = fit_lines(x[i:j], rate, i / rate, wanted, self.tell.bin_hz)
            near = (
                slice(i, min(j, i + int(0.02 * rate)))
                if side > 0
                else slice(max(i, j - int(0.02 * rate)), j)
            )
            t = np.arange(near.start, near.stop) / rate
            left = float(np.sum((x[near] - lines.at(t)) ** 2))
            if left < 0.1 * float(np.sum(x[near] ** 2)):
                return lines
            if left < 0.8 * least:
                best, least = lines, left
        return best


@dataclass(frozen=True)
class _Usual:
    """How a filter's output behaves in a state: its level, its spread, and the noise beside."""

    level: float
    spread: float
    beside: float


def _usual(level: Array, beside: Array, part: slice) -> _Usual:
    low, middle, high = np.percentile(level[part], [16, 50, 84])
    return _Usual(float(middle), float(high - low) / 2, float(np.median(beside[part])))


def _smooth(values: Array, width: int) -> Array:
    return np.convolve(values, np.ones(width) / width, "same")


def _left(level: Array, beside: Array, old: _Usual, new: _Usual) -> Array:
    """Return the log odds that a level is not the old state's.

    It may be the new state's, or anywhere between, or an accident that either state may suffer.
    """
    top = max(old.level, new.level)

    def bell(at: float, usual: _Usual) -> Array:
        noisier = np.clip(beside / usual.beside, 0.5, 1e4)
        spread = np.sqrt(noisier * max(usual.spread, 0.02 * top, 0.05 * usual.level) ** 2)
        return np.exp(-0.5 * ((level - at) / spread) ** 2) / (spread * 2.507)

    between = np.mean(
        [bell(old.level + part * (new.level - old.level), old) for part in BETWEEN], axis=0
    )
    accident = 0.02 / (3 * top)
    return np.asarray(
        np.log(0.45 * bell(new.level, new) + 0.45 * between + accident)
        - np.log(0.9 * bell(old.level, old) + accident)
    )


def _likeliest(weights: Array, cost: float) -> npt.NDArray[np.bool_]:
    """Return the likeliest course of a two-state chain, by the Viterbi algorithm.

    `weights` are the log odds of state 1, `cost` is that of a change; the course begins in 0.
    """
    stay, left = 0.0, -np.inf
    came = np.zeros((len(weights), 2), dtype=bool)
    for i, w in enumerate(weights.tolist()):
        came[i] = left - cost > stay, stay - cost > left
        stay, left = max(stay, left - cost), max(left, stay - cost) + w
    states = np.zeros(len(weights), dtype=bool)
    state = left > stay
    for i in range(len(weights) - 1, -1, -1):
        states[i] = state
        state ^= bool(came[i, int(state)])
    return states


def _decimate(x: Array, rate_hz: float) -> tuple[Array, float]:
    """Bring sound down to 16 kHz or a little more, with no delay."""
    factor = int(rate_hz // 16000)
    if factor < 2:
        return x, rate_hz
    n = len(x) // factor * factor
    spectrum = scipy.fft.rfft(x[:n])
    return np.asarray(scipy.fft.irfft(spectrum[: n // factor // 2 + 1], n // factor) / factor), (
        rate_hz / factor
    )
