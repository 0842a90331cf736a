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

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.fft

from analysis.change import Change, Kind, Points, Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.moment import (
    NO_LINES,
    Lines,
    Moment,
    fit_lines,
    just_about,
    locate,
    rise_shapes,
)
from analysis.ear.spectrum import FLOOR, FrameGrid
from analysis.sound import Block

Array = npt.NDArray[np.float64]

DWELL_S = 1.0
"""Mean time the buzzer stays in a state, to an order of magnitude."""
CHATTER_S = 0.050
"""A state that lasts less is chatter; cam lobes take 60 ms and more."""
LOOK_BACK_S = 0.35
LOOK_AHEAD_S = 0.055
EVIDENCE_SHARE = 0.4
"""Frames overlap by three quarters, so each counts for less than a frame of its own."""
KEPT_S = 1.5


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
        samples = np.nan_to_num(block.samples, nan=0.0, posinf=0.0, neginf=0.0)
        self._samples = np.concatenate([self._samples, samples])
        changes += self._listen()
        self._forget()
        return changes

    def finish(self) -> list[Change]:
        """Return the change that the end of the sound leaves unsettled, if any."""
        if self._turn is None:
            return []
        return self._look(at_end=True)

    def reconsider(self, changes: list[Change]) -> list[Change]:
        """Return the changes with their moments in the light of all that was heard."""
        better = []
        for change, (state, origin_s, moment) in zip(changes, self.moments, strict=True):
            others = self.shape_log_odds[state] - moment.says_of_shape()
            time_s, uncertainty_s = moment.given(others)
            time_s += origin_s
            settled_s = max(time_s, change.settled_s if change.settled_s > change.time_s else time_s)
            better.append(replace(change, time_s=time_s, settled_s=settled_s, uncertainty_s=uncertainty_s))
        return better

    def _restart(self, first: int) -> None:
        self._start, self._frame = first, 0
        self._samples = np.zeros(0, dtype=np.float32)
        self._log_odds, self._turn = 0.0, None
        self._last_settled_s = first / self.grid.rate_hz

    def _listen(self) -> list[Change]:
        grid, changes = self.grid, []
        offset = self._frame * grid.hop
        levels = grid.levels(grid.powers(self._samples[offset:]))
        if len(levels) == 0:
            return []
        weights = EVIDENCE_SHARE * self.buzzer.log_odds(levels, self._columns)
        ceiling = float(np.log(DWELL_S / grid.hop_s))
        odds = self._log_odds
        for weight in weights.tolist():
            odds = min(ceiling, max(-ceiling, odds)) + weight
            if self.state is None:
                if abs(odds) > 2.0:
                    self.state = int(odds > 0)
            elif self._turn is None:
                if (odds > 0) != bool(self.state):
                    self._turn = _Turn(self._frame, 1 - self.state)
            elif (odds > 0) != bool(self._turn.state) and self._settled(at=False):
                self._turn = None
            self._frame += 1
            if self._turn is not None and self._settled(at=True):
                self._log_odds = odds
                changes += self._look(at_end=False)
        self._log_odds = odds
        return changes

    def _settled(self, at: bool) -> bool:
        assert self._turn is not None
        waited = (self._frame - self._turn.frame) * self.grid.hop_s
        return waited >= LOOK_AHEAD_S if at else waited < 0

    def _forget(self) -> None:
        """Keep KEPT_S of sound, cut at a whole frame."""
        spare = self._frame - int(KEPT_S / self.grid.hop_s)
        if spare > 200:
            self._samples = self._samples[spare * self.grid.hop :].copy()
            self._start += spare * self.grid.hop
            self._frame -= spare
            if self._turn is not None:
                self._turn.frame -= spare

    def _look(self, at_end: bool) -> list[Change]:
        """Look closely at the change that waits."""
        turn, grid = self._turn, self.grid
        assert turn is not None
        rate = grid.rate_hz
        origin_s = self._start / rate
        turn_s = grid.middle_s(turn.frame)
        here_s = min(len(self._samples), self._frame * grid.hop + grid.length) / rate
        first_s = max(0.0, self._last_settled_s - origin_s, turn_s - LOOK_BACK_S)
        first = int(first_s * rate)
        x = self._samples[first : int(here_s * rate)].astype(float)
        self._turn = None
        stretch = _Stretch(x, rate, self._tell, 1 - turn.state, turn_s - first_s)
        flips = stretch.flips()
        if flips is None:
            return []
        lasting = len(x) / rate - flips[-1]
        if len(flips) % 2 == 0 or (lasting < CHATTER_S - 0.01 and not at_end):
            if lasting < CHATTER_S and not at_end:
                self._turn = _Turn(self._frame - int((LOOK_AHEAD_S - 0.011) / grid.hop_s), turn.state)
            return []
        kind = self._kind(turn.state)
        moment = stretch.moment(flips)
        time_s, uncertainty_s = moment.given(self.shape_log_odds[turn.state])
        settled = flips[-1] if len(flips) > 1 else time_s
        self.state = turn.state
        self.shape_log_odds[turn.state] += moment.says_of_shape()
        self.moments.append((turn.state, origin_s + first_s, moment))
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
        if self.sounding in (None, "both") or self.buzzer.silent is None:
            return None
        sounds = state != self.buzzer.silent
        return "open" if sounds == (self.sounding == "open") else "closed"


@dataclass(frozen=True, eq=False)
class _Tell:
    """What tells the states apart at sample resolution, on a fine frequency grid.

    Attributes
    ----------
    filters : ndarray, shape (2, bins)
        Amplitude response of the filter whose energy rises when state 0, 1 begins.
    line_power : ndarray, shape (2, bins)
        Least power of a line of each state, for one window of a frame; infinite off the lines.
    """

    filters: Array
    line_power: Array
    bin_hz: float

    @classmethod
    def of(cls, buzzer: BuzzerPrint, grid: FrameGrid, sounding: Sounding | None) -> "_Tell":
        """Derive it from a print for sound at the grid's rate."""
        count = grid.length // 2 + 1
        hz = np.arange(count) * grid.bin_hz
        inside = (hz >= buzzer.spectrum_hz[0]) & (hz <= buzzer.spectrum_hz[-1])
        mean = np.stack([np.interp(hz, buzzer.spectrum_hz, s) for s in buzzer.spectrum]) / 0.693
        floor = _running_median(mean.min(axis=0), 21)
        louder = [inside & (mean[s] > 4 * floor) & (mean[s] > 2 * mean[1 - s]) for s in (0, 1)]
        own = np.stack([o | (p & (m > 4 * floor)) for o, p, m in zip(louder, louder[::-1], mean)])
        if sounding in ("open", "closed") and buzzer.silent is not None:
            own[buzzer.silent] = False
        filters = np.stack([_contrast(mean[1 - s], mean[s], louder[s]) for s in (0, 1)])
        lines = np.where([_widen(o, 2) for o in own], 10 * floor, np.inf)
        return cls(filters, lines, grid.bin_hz)


def _contrast(quiet: Array, loud: Array, bins: npt.NDArray[np.bool_]) -> Array:
    """Return the amplitude response whose energy tells best that these bins grow louder."""
    if not bins.any():
        return np.zeros(len(bins))
    background = quiet + 1e-3 * loud[bins].max()
    gain = np.maximum(1 / background - 1 / (loud + background), 0.0)
    return np.sqrt(gain) * _widen(bins, 1)


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(windows, axis=1))


def _widen(mask: npt.NDArray[np.bool_], by: int) -> npt.NDArray[np.bool_]:
    return np.convolve(mask, np.ones(2 * by + 1), mode="same") > 0


class _Stretch:
    """The sound around one change, from a state to the other; times from its first sample."""

    def __init__(self, x: Array, rate_hz: float, tell: _Tell, before: int, guess_s: float):
        self.x = x - x.mean() if len(x) else x
        self.rate_hz = rate_hz
        self.tell = tell
        self.before = before
        self.guess_s = guess_s

    def flips(self) -> list[float] | None:
        """Return when the sound crosses between the states in the run that ends in the new one."""
        course = self._course()
        if course is None:
            return None
        step_s, values = course
        crossings: list[float] = []
        high = False
        for i, v in enumerate(values.tolist()):
            if high != (v > 0.5) and (v > 0.65 if not high else v < 0.35):
                j = i
                while j > 0 and (values[j - 1] > 0.5) == (v > 0.5):
                    j -= 1
                crossings.append((j + 0.5) * step_s)
                high = not high
        if not crossings or not high:
            return None
        run = [crossings[-1]]
        for earlier in reversed(crossings[:-1]):
            if run[0] - earlier >= CHATTER_S:
                break
            run.insert(0, earlier)
        return run if len(run) % 2 else run[1:]

    def _course(self) -> tuple[float, Array] | None:
        """Return how far the sound has gone over, 0 to 1, in steps of about half a millisecond."""
        size = max(1, round(0.0005 * self.rate_hz))
        steps = len(self.x) // size
        step_s = size / self.rate_hz
        edge = int(self.guess_s / step_s)
        if steps < 60:
            return None
        energies = [self._energy(s, size, steps) for s in (0, 1)]
        best: tuple[float, Array] | None = None
        for smooth in (2, 4, 8, 16):
            kernel = np.hanning(smooth + 2)[1:-1]
            kernel /= kernel.sum()
            total, weight = np.zeros(steps), 0.0
            spread = 0.0
            for state, energy in enumerate(energies):
                course = np.sqrt(np.convolve(energy, kernel, mode="same"))
                start, end = course[: max(20, edge - 100)], course[-70:]
                low, high = np.median(start), np.median(end)
                rise = (high - low) if state != self.before else (low - high)
                if rise <= 0:
                    continue
                noise = 0.5 * (_deviation(start) + _deviation(end)) / rise
                w = 1 / (noise**2 + 1e-3)
                total += w * (course - low) / (high - low)
                weight += w
            if weight == 0.0:
                continue
            values = total / weight
            spread = 0.5 * (_deviation(values[: max(20, edge - 100)]) + _deviation(values[-70:]))
            if best is None or spread < best[0] - 0.02:
                best = spread, values
            if spread < 0.13:
                break
        return None if best is None else (step_s, best[1])

    def _energy(self, state: int, size: int, steps: int) -> Array:
        response = self.tell.filters[state]
        taps = scipy.fft.irfft(response)
        half = int(0.002 * self.rate_hz)
        kernel = np.concatenate([taps[-half:], taps[: half + 1]]) * np.hanning(2 * half + 3)[1:-1]
        n = scipy.fft.next_fast_len(len(self.x) + 2 * half, real=True)
        y = scipy.fft.irfft(scipy.fft.rfft(self.x, n) * scipy.fft.rfft(kernel, n), n)
        y = y[half : half + len(self.x)]
        return np.asarray((y[: steps * size] ** 2).reshape(steps, size).mean(axis=1))

    def moment(self, flips: list[float]) -> Moment:
        """Return the moment of the first flip."""
        x, rate = _decimate(self.x, self.rate_hz)
        first = flips[0]
        until = flips[1] if len(flips) > 1 else len(self.x) / self.rate_hz
        before = self._lines(x, rate, max(0.0, first - 0.08), first - 0.004, self.before)
        after = self._lines(x, rate, first + 0.008, min(until, first + 0.12), 1 - self.before)
        found = None
        if before is not NO_LINES or after is not NO_LINES:
            noise = self._noise(x, rate, before, after, first)
            found = locate(x, rate, before, after, noise, first, (max(0.0, first - 0.1), until))
        return just_about(first, 0.002) if found is None else found

    def _noise(self, x: Array, rate: float, before: Lines, after: Lines, first: float) -> Array:
        """Return the power spectral density per sample of what is left beside the lines."""
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
                spectra.append(power.mean(axis=0) / np.sum(window**2))
        if not spectra:
            return np.ones(size // 2 + 1)
        psd = np.convolve(np.pad(np.max(spectra, axis=0), 1, mode="edge"), np.ones(3) / 3, "valid")
        return np.asarray(psd + 1e-6 * psd.max() + FLOOR)

    def _lines(self, x: Array, rate: float, start_s: float, end_s: float, state: int) -> Lines:
        a, b = max(0, int(start_s * rate)), min(len(x), int(end_s * rate))
        if b - a < 32:
            return NO_LINES
        wanted = self.tell.line_power[state] * (2 * self.tell.line_power.shape[1]) / (b - a)
        return fit_lines(x[a:b], rate, a / rate, wanted, self.tell.bin_hz)


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


def _deviation(values: Array) -> float:
    low, high = np.percentile(values, [16, 84])
    return float(high - low) / 2


def hear_all(
    blocks: Iterable[Block], buzzer: BuzzerPrint, sounding: Sounding | None = None
) -> list[Change]:
    """Hear a series of blocks to its end with one print."""
    changes: list[Change] = []
    ear: Ear | None = None
    for block in blocks:
        if ear is None:
            ear = Ear(block.rate_hz, buzzer, sounding)
        changes += ear.hear(block)
    if ear is None:
        return []
    changes += ear.finish()
    return ear.reconsider(changes)
