"""What rings beside the buzzer's pitch, taken out of the sound.

Meaning
-------
A dropped spanner rings for a second, louder than the buzzer and near its pitch. To a frame the two
are one tone, and what the buzzer does meanwhile is hidden. But a ring is one damped sinusoid,
``exp((i w - d) t)``, and a filter with its zero there and its pole a little further in takes out
just that, however loud it is, and leaves all else as it was but for a narrow notch. So a tone that
is steadily louder than the buzzer ever is, next to its pitch and not at it, is measured, and from
then on taken out until it has died away.

The beginning of a ring is left in: until it is heard to die away it may be anything. So may all be
until the buzzer has been heard: a phone turns down what is loud after silence, and the pitch may
have drifted from its print.

Conventions
-----------
Only what was heard before tells how a moment is cleared; beside it the buzzer's print, which from a
file is fitted to what comes after as well. Frames are those of :mod:`.spectrum`; all is measured at
their ends.

Sources
-------
J. L. Flanagan, R. M. Golden, "Phase vocoder", Bell Syst. Tech. J. 45 (1966) 1493: frequency by how
far a tone's phase has turned. A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*
(1989), chapters 4 and 5: zeros, poles and partial fractions of a filter.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.spectrum import FLOOR, FrameGrid, Powers, off_peak
from analysis.sound import Samples

Array = npt.NDArray[np.float64]

LOUDER = 1.5**2
"""How much louder than the buzzer usually is a ring must be, in power."""
HEARD = 0.01
"""Least power of a line that is heeded, beside the loudest."""
LOWEST_HZ = 1000.0
"""Below that a notch beside a line, and a tone as short as one is measured, are too wide for it."""
NEAR, APART = 0.15, 0.015
"""How far from the buzzer's pitch rings are heeded, and how near it they could be the buzzer, in
parts of it."""
SHARP = 0.07
"""Power two bins beside a steady tone, in parts of its own; .04 at most of a Hann window."""
LEAST_FRAMES = 5
"""For how many frames a tone stays in its bin before it is measured, and again."""
LONGEST_S = 0.150
"""Over how long it is measured, at most."""
DIES = 0.8
"""By how much a ring dies away at least, in nepers a second; no buzzer does."""
SURELY = 2.0
"""In how many standard deviations it must."""
PURE, ABOUT = 0.6, 0.08
"""Share of the sound about it that a ring makes up, within that part of its frequency."""
LOBE = 2.5
"""Half the width of a tone in the spectrum of a window, in parts of one over its length."""
STEP_FRAMES = 4
"""How often it is measured again."""
WANDERS = 0.01
"""How far from where it was it may be then, in parts of its frequency."""
LEARNS = 0.3
"""How much of what is measured anew is believed."""
NOTCH_HZ = 12.0
"""Width of the notch."""
SETTLES_S = 0.150
"""For how long the filter has run before what it gives is used."""
TELLS_AFTER_S, PITCHES = 1.0, 32
"""How long after the buzzer sounded its pitch then tells, since sound comes in blocks of that at
most; and how many are waiting by then, at most."""
FAINT = 0.03**2
"""Power of a ring, beside the buzzer's, below which it is left in."""


@dataclass(frozen=True)
class Ring:
    """A damped sinusoid: its frequency in Hz, and by how much it dies away in nepers a second."""

    hz: float
    decay: float


@dataclass(frozen=True)
class _Tone:
    """A tone as it was measured, and what may ring.

    Attributes
    ----------
    ring : Ring
    decay_spread : float
        Standard deviation of its decay, by what else is heard about it.
    power : float
        1.0 is a full-scale sine.
    share : float
        Share of the power about it that is its own.
    """

    ring: Ring
    decay_spread: float
    power: float
    share: float


class Rings:
    """Takes out of the latest sound what rings next to a buzzer's pitch.

    Parameters
    ----------
    grid : FrameGrid
        Of the sound's frames.
    """

    def __init__(self, grid: FrameGrid):
        self._grid = grid
        self._lines_hz = np.zeros(0)
        self._loudest = np.inf  # power of the loudest line
        self._near = np.zeros(0, dtype=np.intp)  # bins
        self._pitches: deque[tuple[int, float]] = deque(maxlen=PITCHES)
        self.restart()

    def restart(self) -> None:
        """Begin with sound that does not follow what was heard."""
        self._ring: Ring | None = None
        self._raw = np.zeros(0, dtype=np.float32)  # before what was cleared
        self._step_from = self._cleared = self._free_from = 0  # samples, counted from the start
        self._peak, self._loud_for = 0, 0

    def listen_for(self, buzzer: BuzzerPrint) -> None:
        """Heed what is next to a buzzer's pitch, or pitches."""
        lines = [(hz, power) for hz, power in _lines(buzzer) if hz > LOWEST_HZ]
        self._lines_hz = np.array([hz for hz, _ in lines])
        self._loudest = max((power for _, power in lines), default=np.inf)
        grid = self._grid
        near = np.flatnonzero(_is_near(grid.bins_hz, self._lines_hz, NEAR))
        if not np.array_equal(near, self._near):
            self._near, self._loud_for = near, 0
        if self._ring is not None and _is_near(np.array([self._ring.hz]), self._lines_hz, APART)[0]:
            self._ring, self._free_from = None, self._cleared

    def heard_at(self, hz: float, here: int) -> None:
        """Be told at what pitch the buzzer sounded last, as it is known at a sample; it may have
        drifted since its print.
        """
        self._pitches.append((here + self._samples(TELLS_AFTER_S), hz))

    def _last_hz(self, here: int) -> float | None:
        """Return at what pitch it sounded last, as far as a sample may know; None before that."""
        return next((hz for since, hz in reversed(self._pitches) if since <= here), None)

    def clear(self, sound: Samples, start: int, frame: int) -> Powers:
        """Take what rings out of the latest sound, in place, and return the powers of all frames.

        Parameters
        ----------
        sound : ndarray, shape (n,)
            The latest sound. What comes after the frames before is cleared.
        start : int
            Number of its first sample.
        frame : int
            Which of its frames is the first that is new.

        Returns
        -------
        ndarray, shape (frames, grid.bins)
        """
        grid, offset = self._grid, frame * self._grid.hop
        self._take_out(sound, start)
        powers = grid.powers(sound[offset:])
        k = 0
        while len(self._near) > 0 and self._ring is None and k < len(powers):
            k = self._loud_until(powers, start + offset, k)
            here = offset + k * grid.hop + grid.length
            before = sound[max(0, here - self._samples(SETTLES_S)) : here]
            if k < len(powers) and self._begins(before, start + here):
                self._take_out(sound, start)
                powers = grid.powers(sound[offset:])
            k += 1
        return powers

    def _samples(self, seconds: float) -> int:
        return round(seconds * self._grid.rate_hz)

    def _loud_until(self, powers: Powers, first: int, k: int) -> int:
        """Return the first frame from the k-th on at which a loud tone has stayed in its bin.

        `first` is the number of the first frame's first sample.
        """
        near = powers[k:, self._near]
        loud = near.max(axis=1) > LOUDER * self._loudest
        if not loud.any():
            self._loud_for = 0
            return len(powers)
        for is_loud, peak in zip(loud.tolist(), near.argmax(axis=1).tolist(), strict=True):
            is_free = first + k * self._grid.hop >= self._free_from
            stays = self._loud_for == 0 or abs(peak - self._peak) <= 1
            self._loud_for = (self._loud_for + 1 if stays else 1) if is_loud and is_free else 0
            self._peak = peak
            if self._loud_for and self._loud_for % LEAST_FRAMES == 0:
                return k
            k += 1
        return k

    def _begins(self, before: Samples, here: int) -> bool:
        """Say whether a ring is heard before a sample, and clear from there on if so."""
        reach = (self._loud_for - 1) * self._grid.hop + self._grid.length
        tone = self._heard(before[-reach:], here)
        if tone is None or not self._rings(tone):
            return False
        self._ring, self._raw = tone.ring, before.copy()
        self._step_from = self._cleared = here
        return True

    def _rings(self, tone: _Tone) -> bool:
        """Say whether a tone is louder than the buzzer, and is heard to die away."""
        dies = tone.ring.decay > max(DIES, SURELY * tone.decay_spread)
        return dies and tone.power > LOUDER * self._loudest

    def _heard(self, before: Samples, here: int) -> _Tone | None:
        """Return the tone next to the buzzer's pitch in the sound before a sample, if there is one;
        None before the buzzer has been heard.
        """
        last_hz = self._last_hz(here)
        if last_hz is None:
            return None
        tone = _measured(before, self._grid.rate_hz, self._lines_hz)
        if tone is None or tone.share < PURE:
            return None
        buzzer_hz = np.append(self._lines_hz, last_hz)
        return None if np.any(np.abs(tone.ring.hz - buzzer_hz) < APART * tone.ring.hz) else tone

    def _take_out(self, sound: Samples, start: int) -> None:
        """Take the ring out of what is new of the sound, as long as it rings."""
        step, settles = STEP_FRAMES * self._grid.hop, self._samples(SETTLES_S)
        end = start + len(sound)
        while self._ring is not None and self._cleared < end:
            until = min(end, self._step_from + step)
            new = slice(self._cleared - start, until - start)
            self._raw = np.concatenate([self._raw, sound[new]])
            cleared = notched(self._raw.astype(float), self._ring, self._grid.rate_hz)
            # Zeros stay: they tell that sound was lost.
            sound[new] = np.where(sound[new] == 0, 0, cleared[len(cleared) - len(sound[new]) :])
            self._cleared = until
            if until == self._step_from + step:
                self._step_from = until
                self._ring = self._goes_on(self._ring, until)
                self._free_from = until
                self._raw = self._raw[-settles:]

    def _goes_on(self, ring: Ring, here: int) -> Ring | None:
        """Return a ring as it is heard before a sample; None when it has died away."""
        rate = self._grid.rate_hz
        reach = self._raw[-self._samples(LONGEST_S) :]
        power = _power_at(reach, ring.hz, rate)
        heard = self._heard(reach, here)
        if heard is not None and abs(heard.ring.hz / ring.hz - 1) > WANDERS:
            if heard.power > power and self._rings(heard):
                return heard.ring
            heard = None
        if power < FAINT * self._loudest:
            return None
        if heard is None:
            return ring
        return Ring(
            ring.hz + LEARNS * (heard.ring.hz - ring.hz),
            ring.decay + LEARNS * (max(heard.ring.decay, 0.0) - ring.decay),
        )


def _is_near(hz: Array, lines_hz: Array, part: float) -> npt.NDArray[np.bool_]:
    """Say which of some frequencies are near any line, by so large a part of it."""
    return np.asarray((np.abs(hz[:, None] / lines_hz - 1) < part).any(axis=1))


def _lines(buzzer: BuzzerPrint) -> list[tuple[float, float]]:
    """Return the tones of a buzzer that tell its states apart, in Hz, and their powers; none if the
    loudest is not where it is all the time.
    """
    lines: dict[tuple[int, int], float] = {}
    for low_hz, high_hz in buzzer.columns_hz:
        inside = (buzzer.spectrum_hz >= low_hz) & (buzzer.spectrum_hz <= high_hz)
        if inside.any():
            own = int(buzzer.spectrum[:, inside].sum(axis=1).argmax())
            k = _uphill(buzzer.spectrum[own], int(np.flatnonzero(inside)[0]))
            lines[own, k] = float(buzzer.spectrum[own, k])
    if not lines:
        return []
    own, k = max(lines, key=lambda place: lines[place])
    if not _is_steady(buzzer.spectrum[own], k):
        return []
    return [
        (_between_bins(buzzer.spectrum_hz, buzzer.spectrum[state], line), power)
        for (state, line), power in lines.items()
        if power > HEARD * lines[own, k]
    ]


def _is_steady(power: Array, k: int) -> bool:
    """Say whether a peak is as sharp as the window allows: a tone that drifts is wider."""
    beside = power[max(0, k - 2)], power[min(len(power) - 1, k + 2)]
    return bool(max(beside) < SHARP * power[k])


def _uphill(power: Array, k: int) -> int:
    """Return the peak on whose side a bin lies: what tells of a tone may be its skirts."""
    while True:
        first = max(0, k - 1)
        up = first + int(power[first : k + 2].argmax())
        if up == k:
            return k
        k = up


def _between_bins(hz: Array, power: Array, k: int) -> float:
    """Return the frequency of a peak, in Hz."""
    if not 0 < k < len(hz) - 1:
        return float(hz[k])
    before, here, after = np.log(power[k - 1 : k + 2] + FLOOR)
    return float(hz[k] + off_peak(before, here, after) * (hz[1] - hz[0]))


def _measured(x: Samples, rate_hz: float, lines_hz: Array) -> _Tone | None:
    """Return the strongest tone that is near some lines; None if there is none."""
    n = len(x)
    size = 1 << (2 * n).bit_length()
    spectrum = np.fft.rfft(x * np.hanning(n), size)
    hz = np.arange(len(spectrum)) * rate_hz / size
    power = spectrum.real**2 + spectrum.imag**2 + FLOOR
    k = int(np.where(_is_near(hz, lines_hz, NEAR), power, 0.0).argmax())
    if not 0 < k < len(hz) - 1:
        return None
    tone_hz = _between_bins(hz, power, k)
    about = np.abs(hz / tone_hz - 1) < ABOUT
    lobe = np.abs(hz - tone_hz) < LOBE * rate_hz / n
    share = float(power[lobe].sum() / power[about | lobe].sum())
    half = n // 2
    early, late = (_phasor(x, rate_hz, tone_hz, part) for part in (slice(half), slice(half, n)))
    apart_s = half / rate_hz
    turned = float(np.angle(late * np.conj(early))) / (2 * np.pi * apart_s)
    decay = float(np.log(abs(early) / max(abs(late), FLOOR) + FLOOR)) / apart_s
    # Of the noise about it a Hann window lets through as much as is 1.5 over its length wide.
    noise = (1 - share) / share * 1.5 / (apart_s * 2 * ABOUT * tone_hz)
    spread = float(np.sqrt(noise)) / apart_s
    ring = Ring(tone_hz + turned, decay)
    return _Tone(ring, spread, _power_at(x, ring.hz, rate_hz), share)


def _phasor(x: Samples, rate_hz: float, hz: float, part: slice) -> complex:
    """Return the complex amplitude of a tone in a part of a sound."""
    n = np.arange(part.start or 0, part.stop)
    window = np.hanning(len(n))
    turns = np.exp(-2j * np.pi * hz / rate_hz * n)
    return complex((x[part] * window) @ turns * 2 / window.sum())


def _power_at(x: Samples, hz: float, rate_hz: float) -> float:
    return abs(_phasor(x, rate_hz, hz, slice(0, len(x)))) ** 2


def notched(x: Array, ring: Ring, rate_hz: float) -> Array:
    """Return a sound without a ring, by a filter that begins with its first sample.

    Parameters
    ----------
    x : ndarray, shape (n,)
        A fraction of a second of sound.
    ring : Ring
        What is taken out.
    rate_hz : float
        Samples per second.

    Returns
    -------
    ndarray, shape (n,)
    """
    zero = np.exp((2j * np.pi * ring.hz - ring.decay) / rate_hz)
    pole = zero * np.exp(-np.pi * NOTCH_HZ / rate_hz)
    # In partial fractions, each a sum of what was heard before, as it dies away.
    straight = abs(zero / pole) ** 2
    part = (1 - zero / pole) * (1 - zero.conj() / pole) / (1 - pole.conj() / pole)
    fades = pole ** np.arange(len(x))
    return np.asarray(straight * x + 2 * (part * fades * np.cumsum(x / fades)).real)
