"""Sound scenes with known truth: a buzzer across contact-breaker points, in a workshop.

A scene is made forwards, from the contact to the microphone, and knows nothing of any detector:

1. the points stay open or closed for random times; at some changes the contact chatters;
2. the buzzer is an oscillator behind an envelope that rises and falls with the contact
   (exponentially, linearly or as a raised cosine), so that chatter reaches the air only as far
   as the buzzer can follow it;
3. the pitch sags with the battery; a rag or a pocket may muffle it; a room adds echoes after
   the direct sound;
4. the shop's noise is added at a stated signal-to-noise ratio;
5. a phone's automatic gain and a lossy codec may follow.

Conventions
-----------
* True times are whole samples of the microphone signal, direct sound first: sample index over
  rate. They are when the *contact* moved. A slow buzzer needs a while to say so.
* The ratio is the buzzer's power while it sounds (in its louder state) over the noise's power,
  both full band, in decibels. Continuous noise and speech are measured where they are active,
  impulsive noise over the whole scene. ``None`` leaves only the microphone's own faint noise.
* The same names and seed give the same contact, buzzer and noise at every ratio.
* Speech is spoken by ``espeak-ng`` where it is installed, otherwise by a small formant
  synthesiser, so a scene with speech is the same only on machines that have the same voice.

Levels, times and spectra of buzzers, tools and rooms here are plausible numbers from memory.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import os
import shutil
import subprocess
import tempfile
import wave
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import signal

Array = npt.NDArray[np.float64]
Sounding = Literal["open", "closed", "both"]

BUZZERS = (
    "piezo-closed",
    "piezo-open",
    "two-pitch",
    "loudness",
    "pulsed",
    "growl",
    "meter",
)
NOISES = (
    "broadband",
    "hum",
    "speech",
    "radio",
    "ratchet",
    "hammer",
    "spanner",
    "voice",
    "shop",
)
DWELL_S = 0.5, 4.0
"""Between which the points stay as they are, but for cam lobes that pass."""
AT_FIRST_S = 0.7, 3.0
"""The same before they are moved for the first time."""
GROWL_SWAY, GROWL_SWAY_HZ = 0.1, 30.0
"""How much a growl's loudness sways, and how quickly."""
GROWL_ATTACK_S, GROWL_RELEASE_S = (0.002, 0.020), (0.004, 0.025)
"""Between which it begins and ends."""
CODECS = ("none", "aac", "mp3", "opus", "amr")


@dataclass(frozen=True)
class TrueChange:
    """One true change of the contact.

    `time_s` is when the contact first moved and `settled_s` when it moved last. Where it chatters
    faster than the buzzer can follow, its first moves cannot be heard: `heard_s` is the move
    after which the buzzer's envelope first went a tenth of its way; else it equals `time_s`.

    `last_sound_s` and `next_beep_s` are given only when a pulsed buzzer stops: the end of the
    last sound before the points closed, and when the next beep would have begun (or the chatter
    was over, if later: chatter in a gap makes a beep begin anew).
    """

    time_s: float
    settled_s: float
    heard_s: float
    change: Literal["starts", "stops", "shifts"]
    points: Literal["open", "closed"]
    last_sound_s: float | None = None
    next_beep_s: float | None = None


@dataclass(frozen=True, eq=False)
class Known:
    """What a detector that is told everything but the times may know.

    The direct sound alone, before automatic gain and codec:
    ``direct = other_tone * (1 - e) + main_tone * e + noise`` with `e` the envelope that follows
    the contact. The main tone is the one sound of a buzzer that is silent in its other state
    (then the other tone is zeros), and that of closed points for a buzzer with two sounds.
    """

    direct: Array
    other_tone: Array
    main_tone: Array
    noise: Array
    attack_s: float
    release_s: float
    shape: str


@dataclass(frozen=True, eq=False)
class Scene:
    """Samples as a phone would have stored them, and the truth."""

    samples: npt.NDArray[np.float32]
    rate_hz: int
    name: str
    buzzer: str
    noise: str
    snr_db: float | None
    sounding: Sounding
    truth: tuple[TrueChange, ...]
    pitches_hz: tuple[float, ...] = ()
    beep_period_s: float = 0.0  # of a pulsed buzzer
    codec: str = "none"
    agc: bool = False
    known: Known | None = None

    @property
    def seconds(self) -> float:
        """Length of the scene."""
        return len(self.samples) / self.rate_hz


def _rng(*keys: object) -> np.random.Generator:
    return np.random.default_rng([zlib.crc32(str(key).encode()) for key in keys])


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# The contact


@dataclass(frozen=True)
class _Contact:
    """Sample numbers at which the contact toggles, and how they group into true changes."""

    opens_first: bool  # state before the first toggle is open
    toggles: list[int]
    groups: list[tuple[int, int, bool]]  # first toggle, last toggle, open afterwards


def _contact(
    rng: np.random.Generator,
    n: int,
    rate: int,
    chatter: bool,
    closed_least_s: float,
    dwell_s: tuple[float, float],
    at_first_s: tuple[float, float],
) -> _Contact:
    """Let the points open and close at random for `n` samples."""
    is_open = starts_open = bool(rng.random() < 0.5)
    toggles: list[int] = []
    groups: list[tuple[int, int, bool]] = []
    at = float(rng.uniform(*at_first_s))
    while True:
        is_open = not is_open
        if is_open and rng.random() < 0.25:
            dwell = float(rng.uniform(0.06, 0.30))  # a cam lobe passing
        else:
            dwell = float(rng.uniform(*dwell_s))
        if not is_open:
            dwell = max(dwell, closed_least_s)
        if (at + dwell + 0.4) * rate > n:
            break
        moves = [0.0]
        if chatter and rng.random() < 0.3:
            moves = _chatter(rng, min(0.1, 0.25 * dwell))
        marks = sorted({round((at + move) * rate) for move in moves})
        if len(marks) % 2 == 0:  # two moves fell on one sample
            marks = marks[:1]
        toggles += marks
        groups.append((marks[0], marks[-1], is_open))
        at += dwell
    return _Contact(starts_open, toggles, groups)


def _chatter(rng: np.random.Generator, longest_s: float) -> list[float]:
    """Times of an odd number of toggles: first sign at zero, the last one settles."""
    whole = _log_uniform(rng, 0.002, max(longest_s, 0.0021))
    parts: list[float] = []
    while len(parts) % 2 or not parts or sum(parts) < whole:
        parts.append(_log_uniform(rng, 0.0003, 0.020))
    moves = np.concatenate([[0.0], np.cumsum(parts)])
    if moves[-1] > whole:
        moves *= whole / moves[-1]
    return [float(move) for move in moves]


def _levels(first: bool, toggles: list[int], n: int) -> list[tuple[int, int, bool]]:
    """Stretches of one state as (start, end, on)."""
    edges = [0, *toggles, n]
    return [
        (start, end, first ^ bool(i % 2))
        for i, (start, end) in enumerate(itertools.pairwise(edges))
    ]


def _follow(
    stretches: list[tuple[int, int, bool]],
    n: int,
    rate: int,
    shape: str,
    attack_s: float,
    release_s: float,
) -> Array:
    """Return the envelope (0 to 1) of a buzzer that follows a contact.

    The attack time is that from nothing to full (exponential: to 95 per cent).
    """
    envelope = np.empty(n)
    level = 1.0 if stretches[0][2] else 0.0
    for start, end, on in stretches:
        if end <= start:
            continue
        t = np.arange(1, end - start + 1) / rate
        took = max(attack_s if on else release_s, 0.25 / rate)
        if shape == "exponential":
            target = 1.0 if on else 0.0
            piece = target + (level - target) * np.exp(-3.0 * t / took)
        else:
            piece = np.clip(level + (t if on else -t) / took, 0.0, 1.0)
        envelope[start:end] = piece
        level = float(piece[-1])
    if shape == "raised-cosine":
        envelope = 0.5 - 0.5 * np.cos(np.pi * envelope)
    return envelope


# Buzzers


def _sag(rng: np.random.Generator, n: int, amount: float) -> Array:
    """Return the pitch factor over the scene: a battery that sags, with a slow wander on it."""
    knots = 9
    steady = np.linspace(0.0, 1.0, knots) ** rng.uniform(0.5, 2.0)
    wander = np.cumsum(rng.normal(0.0, 0.06, knots))
    path = 1.0 - amount * (steady + wander - wander[0])
    return np.interp(np.arange(n), np.linspace(0, n - 1, knots), path)


def _wave_table(weights: Array, rng: np.random.Generator, turns: float = 1.0) -> Array:
    """Return one period of a sum of harmonics, unit power, with phases spread over some turns."""
    size = 8192
    spectrum = np.zeros(size // 2 + 1, dtype=complex)
    spectrum[1 : len(weights) + 1] = weights * np.exp(2j * np.pi * turns * rng.random(len(weights)))
    table = np.fft.irfft(spectrum, size)
    return table / np.sqrt(np.mean(table**2))


def _oscillate(table: Array, phase: Array) -> Array:
    """Look up a wave table at a phase in turns."""
    size = len(table)
    position = (phase % 1.0) * size
    left = position.astype(np.int64)
    part = position - left
    return table[left % size] * (1.0 - part) + table[(left + 1) % size] * part


def _restarts(
    rng: np.random.Generator, stretches: list[tuple[int, int, bool]], envelope: Array
) -> Array:
    """Return phase offsets, in turns, of an oscillator that starts anew when power returns."""
    offsets = np.zeros(len(envelope))
    offset = 0.0
    for start, end, on in stretches:
        if on and start > 0 and envelope[start - 1] < 0.01:
            offset = float(rng.random())
        offsets[start:end] = offset
    return offsets


def _anchored(phase: Array, own: Array, stretches: list[tuple[int, int, bool]]) -> Array:
    """Return one state's phase, in step with the real one in the middle of each of its stretches.

    Each stretch's offset holds to half-way into its neighbours.
    """
    offset = np.zeros(len(phase))
    ons = [(start, end) for start, end, on in stretches if on and end > start]
    begin = 0
    for i, (start, end) in enumerate(ons):
        until = (end + ons[i + 1][0]) // 2 if i + 1 < len(ons) else len(phase)
        middle = (start + end) // 2
        offset[begin:until] = phase[middle] - own[middle]
        begin = until
    return own + offset


def _piezo_table(rng: np.random.Generator, pitch: float, rate: int) -> Array:
    """A piezo disc: a strong fundamental, weaker harmonics under the disc's resonance."""
    count = int(min(6, 0.45 * rate // (pitch * 1.1)))
    falls = 10 ** (-rng.uniform(8.0, 26.0, max(count, 1)) / 20.0)
    weights = np.concatenate([[1.0], falls[: count - 1] * 0.8 ** np.arange(count - 1)])
    return _wave_table(weights, rng)


def _growl_table(rng: np.random.Generator, pitch: float, rate: int) -> Array:
    """A trembler: dozens of harmonics, tilted, with a few case resonances."""
    count = int(min(rng.integers(30, 70), 0.4 * rate // (pitch * 1.2)))
    f = pitch * np.arange(1, count + 1)
    weights = (f / pitch) ** -rng.uniform(0.3, 1.1)
    for _ in range(int(rng.integers(2, 5))):
        centre, width = _log_uniform(rng, 250.0, 4000.0), rng.uniform(0.08, 0.3)
        weights *= 1.0 + rng.uniform(1.0, 5.0) * np.exp(-((np.log(f / centre) / width) ** 2))
    weights *= 10 ** (rng.normal(0.0, 3.0, count) / 20.0)
    return _wave_table(weights, rng)


def _waver(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """Return a growl's pitch factor: slow wander and jitter from cycle to cycle."""
    cycles = int(n / rate * pitch) + 2
    slow = signal.lfilter([1.0], [1.0, -np.exp(-2.5 / pitch)], rng.normal(size=cycles))
    slow *= rng.uniform(0.004, 0.02) / max(float(np.std(slow)), 1e-9)
    quick = rng.normal(0.0, rng.uniform(0.002, 0.008), cycles)
    path = np.interp(np.arange(n), np.linspace(0, n - 1, cycles), 1.0 + slow + quick)
    return np.clip(path, 0.7, 1.3)


def _spin_up(
    rng: np.random.Generator, stretches: list[tuple[int, int, bool]], n: int, rate: int
) -> Array:
    """Return a growl's pitch factor after each start: it comes to speed within some cycles."""
    factor = np.ones(n)
    short, took = rng.uniform(0.0, 0.15), rng.uniform(0.02, 0.08)
    for start, end, on in stretches:
        if on and start > 0:
            t = np.arange(end - start) / rate
            factor[start:end] = 1.0 - short * np.exp(-t / took)
    return factor


@dataclass(frozen=True, eq=False)
class _Buzz:
    """A buzzer's direct sound, and what it is made of."""

    sound: Array
    other_tone: Array
    main_tone: Array
    sounding: Sounding
    pitches_hz: tuple[float, ...]
    attack_s: float
    release_s: float
    shape: str
    envelope: Array
    loud: npt.NDArray[np.bool_]  # where the louder state has come up


@dataclass(frozen=True)
class _Drive:
    """What a buzzer is driven by, and how quickly its sound follows."""

    n: int
    rate: int
    opens: list[tuple[int, int, bool]]  # from sample to sample, whether the points are open
    closes: list[tuple[int, int, bool]]
    sag: Array  # the battery's, on every pitch
    top_hz: float
    shape: str
    attack_s: float
    release_s: float

    def follow(self, gate: list[tuple[int, int, bool]]) -> Array:
        return _follow(gate, self.n, self.rate, self.shape, self.attack_s, self.release_s)

    def phase(self, pitch_hz: float | Array) -> Array:
        phase: Array = np.cumsum(pitch_hz * self.sag) / self.rate
        return phase

    def buzz(
        self,
        sound: Array,
        tones: tuple[Array, Array],
        sounding: Sounding,
        pitches_hz: tuple[float, ...],
        envelope: Array,
        loud: npt.NDArray[np.bool_],
    ) -> _Buzz:
        times = self.attack_s, self.release_s
        return _Buzz(sound, *tones, sounding, pitches_hz, *times, self.shape, envelope, loud)


def _buzz(
    buzzer: str,
    rng: np.random.Generator,
    contact: _Contact,
    n: int,
    rate: int,
    drift: float,
    narrow: bool,
    beeps: tuple[float, float],
) -> _Buzz:
    """Make the buzzer's direct sound; `narrow` keeps its pitch below 3.2 kHz."""
    shape = str(rng.choice(["exponential", "linear", "raised-cosine"]))
    attack = _log_uniform(rng, 0.001, 0.010)
    odd = rng.random()
    if odd < 0.15:
        attack = float(rng.uniform(0.0, 0.001))
    elif odd < 0.25:
        attack = float(rng.uniform(0.010, 0.030))
    release = min(attack * _log_uniform(rng, 0.5, 3.0), 0.040)
    sag = _sag(rng, n, drift)
    opens = _levels(contact.opens_first, contact.toggles, n)
    closes = [(start, end, not on) for start, end, on in opens]
    top = 3200.0 if narrow else 4500.0
    drive = _Drive(n, rate, opens, closes, sag, top, shape, attack, release)
    if buzzer == "loudness":
        return _two_levels(rng, drive)
    if buzzer == "two-pitch":
        return _two_pitches(rng, drive)
    return _on_and_off(buzzer, rng, drive, beeps)


def _two_levels(rng: np.random.Generator, drive: _Drive) -> _Buzz:
    """One tone that is louder while the points are closed."""
    envelope = drive.follow(drive.closes)
    pitch = rng.uniform(1500.0, drive.top_hz)
    table = _piezo_table(rng, pitch, drive.rate)
    quiet = 10 ** (-rng.uniform(6.5, 9.5) / 20.0)
    tone = _oscillate(table, drive.phase(pitch))
    sound = tone * (quiet + (1.0 - quiet) * envelope)
    return drive.buzz(sound, (quiet * tone, tone), "both", (pitch,), envelope, envelope > 0.5)


def _two_pitches(rng: np.random.Generator, drive: _Drive) -> _Buzz:
    """Two tones, one while the points are open and one while they are closed."""
    opens, closes = drive.opens, drive.closes
    envelope = drive.follow(closes)
    pitch = rng.uniform(900.0, drive.top_hz)
    table = _piezo_table(rng, pitch, drive.rate)
    ratio = 1.0 + rng.uniform(0.08, 0.5)
    other = pitch * ratio if pitch * ratio < drive.top_hz else pitch / ratio
    strength = 10 ** (rng.uniform(-3.0, 3.0) / 20.0)
    loud = envelope > 0.5 if strength < 1.0 else envelope < 0.5
    if rng.random() < 0.5:  # one oscillator whose pitch glides
        phase = drive.phase(other + (pitch - other) * envelope)
        sound = (strength + (1.0 - strength) * envelope) * _oscillate(table, phase)
        open_tone, closed_tone = (
            _oscillate(table, _anchored(phase, drive.phase(hz), gate))
            for hz, gate in ((other, opens), (pitch, closes))
        )
        open_tone = strength * open_tone
    else:  # two sounders, one for each state
        drive = replace(drive, release_s=drive.attack_s)
        envelope = drive.follow(closes)
        open_tone = strength * _oscillate(_piezo_table(rng, other, drive.rate), drive.phase(other))
        closed_tone = _oscillate(table, drive.phase(pitch))
        sound = open_tone * drive.follow(opens) + closed_tone * envelope
    return drive.buzz(sound, (open_tone, closed_tone), "both", (other, pitch), envelope, loud)


def _on_and_off(
    buzzer: str, rng: np.random.Generator, drive: _Drive, beeps: tuple[float, float]
) -> _Buzz:
    """A buzzer that sounds in one state of the points only."""
    sounding: Sounding = "closed"
    if buzzer in ("piezo-open", "pulsed"):
        sounding = "open"
    elif buzzer == "growl":
        sounding = "open" if rng.random() < 0.5 else "closed"
    gate = drive.opens if sounding == "open" else drive.closes
    if buzzer == "pulsed":
        gate = _pulses(gate, drive.n, drive.rate, *beeps)
    if buzzer == "meter":
        pitch = rng.uniform(2000.0, 2700.0)
        attack, release = float(rng.uniform(0.010, 0.030)), float(rng.uniform(0.005, 0.030))
        drive = replace(drive, attack_s=attack, release_s=release)
    elif buzzer == "growl":
        pitch = rng.uniform(100.0, 150.0)
        attack, release = float(rng.uniform(*GROWL_ATTACK_S)), float(rng.uniform(*GROWL_RELEASE_S))
        drive = replace(drive, attack_s=attack, release_s=release)
    else:
        pitch = rng.uniform(2500.0, drive.top_hz)
    envelope = drive.follow(gate)
    if buzzer == "growl":
        tone = _growl(rng, drive, pitch, gate)
    else:
        phase = drive.phase(pitch)
        if rng.random() < 0.5:
            phase += _restarts(rng, gate, envelope)
        tone = _oscillate(_piezo_table(rng, pitch, drive.rate), phase)
    tones = np.zeros(drive.n), tone
    return drive.buzz(tone * envelope, tones, sounding, (pitch,), envelope, envelope > 0.5)


def _growl(
    rng: np.random.Generator, drive: _Drive, pitch: float, gate: list[tuple[int, int, bool]]
) -> Array:
    """Make the tone of an electromechanical buzzer: it wavers, sways and rattles."""
    n, rate = drive.n, drive.rate
    speed = pitch * drive.sag * _waver(rng, n, rate, pitch) * _spin_up(rng, gate, n, rate)
    tone = _oscillate(_growl_table(rng, pitch, rate), np.cumsum(speed) / rate)
    tone *= np.maximum(1.0 + GROWL_SWAY * _slow(rng, n, rate, GROWL_SWAY_HZ), 0.1)
    rattle = signal.lfilter([1.0, -0.9], [1.0], rng.normal(size=n))
    tone += rng.uniform(0.03, 0.15) * rattle / np.std(rattle)
    return tone


def _pulses(
    stretches: list[tuple[int, int, bool]], n: int, rate: int, period_s: float, beep_s: float
) -> list[tuple[int, int, bool]]:
    """Cut each powered stretch into beeps, the first at its start."""
    pieces: list[tuple[int, int, bool]] = []
    for start, end, on in stretches:
        if not on:
            pieces.append((start, end, False))
            continue
        k = 0
        while True:
            up = start + round(k * period_s * rate)
            down = min(up + round(beep_s * rate), end)
            after = min(start + round((k + 1) * period_s * rate), end)
            pieces.append((up, down, True))
            if after > down:
                pieces.append((down, after, False))
            if after >= end:
                break
            k += 1
    return pieces


def _slow(rng: np.random.Generator, n: int, rate: int, cutoff_hz: float) -> Array:
    """Return slow noise of unit variance."""
    knots = max(int(n / rate * 2.0 * cutoff_hz), 4)
    return np.interp(np.arange(n), np.linspace(0, n - 1, knots), rng.normal(size=knots))


def _muffle(rng: np.random.Generator, pitch: float, rate: int) -> Callable[[Array], Array]:
    """A rag, a pocket: a second-order low-pass not far from the pitch."""
    cutoff = float(np.clip(_log_uniform(rng, 0.5, 1.5) * max(pitch, 1200.0), 700.0, 0.4 * rate))
    b, a = signal.butter(2, cutoff, fs=rate)
    return lambda x: signal.lfilter(b, a, x)


def _room(rng: np.random.Generator, rate: int) -> Array:
    """Return a room's impulse response: direct sound at zero, early reflections, a tail."""
    reverb_s = rng.uniform(0.15, 0.7)
    n = int(reverb_s * 0.8 * rate)
    t = np.arange(n) / rate
    tail = rng.normal(size=n) * 10 ** (-3.0 * t / reverb_s) * (t > 0.008)
    energy = 10 ** (-rng.uniform(4.0, 16.0) / 10.0)  # reverberant over direct
    tail *= np.sqrt(energy / max(float(np.sum(tail**2)), 1e-12))
    tail[0] = 1.0
    for _ in range(int(rng.integers(2, 7))):
        delay = rng.uniform(0.0015, 0.025)
        strength = rng.uniform(0.05, 0.4) * (0.003 / delay) ** 0.3
        tail[int(delay * rate)] += strength * rng.choice([-1.0, 1.0])
    return tail


# Noises


def _coloured(rng: np.random.Generator, n: int, rate: int, tilt: float) -> Array:
    """Return unit-power noise whose power falls as frequency to the minus `tilt`."""
    spectrum = np.fft.rfft(rng.normal(size=n))
    f = np.fft.rfftfreq(n, 1.0 / rate)
    spectrum *= np.maximum(f, 25.0) ** (-tilt / 2.0)
    x = np.fft.irfft(spectrum, n)
    return x / np.std(x)


def _broadband(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    pink = _coloured(rng, n, rate, rng.uniform(0.8, 1.5))
    x = rng.uniform(0.3, 1.0) * pink + rng.uniform(0.1, 0.8) * rng.normal(size=n)
    return x * 10 ** (rng.uniform(0.0, 2.0) * np.clip(_slow(rng, n, rate, 0.5), -2, 2) / 20.0)


def _hum(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    mains = float(rng.choice([50.0, 60.0]))
    wobble = np.cumsum(mains + 0.03 * _slow(rng, n, rate, 0.2)) / rate
    count = int(rng.integers(15, 45))
    k = np.arange(1, count + 1)
    weights = k ** -rng.uniform(0.6, 1.5) * np.where(k % 2, 1.0, rng.uniform(0.3, 1.2))
    weights *= 10 ** (rng.normal(0.0, 4.0, count) / 20.0)
    x = _oscillate(_wave_table(weights, rng), wobble)
    x *= 10 ** (1.0 * np.clip(_slow(rng, n, rate, 0.3), -2, 2) / 20.0)
    return x + 10 ** (-rng.uniform(12.0, 22.0) / 20.0) * _broadband(rng, n, rate, pitch)


def _place(x: Array, piece: Array, at: int) -> None:
    """Add a piece into a track, cut at the ends."""
    end = min(at + len(piece), len(x))
    if end > at >= 0:
        x[at:end] += piece[: end - at]


def _ring(
    rng: np.random.Generator, rate: int, modes: Array, decays_s: Array, weights: Array
) -> Array:
    """Return the ring of a struck thing: decaying modes with random phases."""
    n = int(min(7.0 * float(np.max(decays_s)), 3.0) * rate)
    t = np.arange(n) / rate
    x = np.zeros(n)
    for f, decay, weight in zip(modes, decays_s, weights, strict=True):
        if f < 0.45 * rate:
            m = int(min(7.0 * decay * rate, n))
            x[:m] += (
                weight * np.exp(-t[:m] / decay) * np.sin(2.0 * np.pi * (f * t[:m] + rng.random()))
            )
    rise = max(int(rng.uniform(0.0001, 0.0004) * rate), 1)
    x[:rise] *= np.linspace(0.0, 1.0, rise)
    return x


def _crack(rng: np.random.Generator, rate: int, decay_s: float) -> Array:
    """Return the broadband crack of a blow."""
    t = np.arange(int(8.0 * decay_s * rate) + 1) / rate
    return rng.normal(size=len(t)) * np.exp(-t / decay_s)


def _ratchet(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    x = np.zeros(n)
    modes = np.array([_log_uniform(rng, 1500.0, 9000.0) for _ in range(4)])
    at = rng.uniform(0.1, 1.5)
    while at < n / rate:
        speed, clicks = rng.uniform(8.0, 40.0), int(rng.integers(4, 30))
        level = 10 ** (rng.uniform(-6.0, 3.0) / 20.0)
        for _ in range(clicks):
            decays = rng.uniform(0.0005, 0.004, len(modes))
            click = _ring(rng, rate, modes * rng.normal(1.0, 0.01), decays, rng.random(4))
            _place(x, level * rng.uniform(0.6, 1.0) * click, int(at * rate))
            _place(x, level * rng.uniform(0.2, 0.6) * _crack(rng, rate, 0.0007), int(at * rate))
            at += rng.normal(1.0, 0.08) / speed
        at += rng.uniform(0.2, 2.0)
    return x + _behind(rng, x, rate, pitch)


def _hammer(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    x = np.zeros(n)
    count = int(rng.integers(5, 12))
    modes = np.array([_log_uniform(rng, 250.0, 7000.0) for _ in range(count)])
    decays = np.array([_log_uniform(rng, 0.01, 0.2) for _ in range(count)])
    at = rng.uniform(0.1, 1.5)
    while at < n / rate:
        for _ in range(int(rng.integers(1, 7))):
            level = 10 ** (rng.uniform(-8.0, 3.0) / 20.0)
            weights = rng.random(count) * (modes / 1000.0) ** -0.3
            blow = _ring(rng, rate, modes, decays * rng.uniform(0.7, 1.2), weights)
            _place(x, level * blow, int(at * rate))
            _place(x, level * 1.5 * _crack(rng, rate, 0.002), int(at * rate))
            if rng.random() < 0.3:  # the hammer bounces
                _place(x, 0.4 * level * blow, int((at + rng.uniform(0.04, 0.12)) * rate))
            at += _log_uniform(rng, 0.25, 0.9)
        at += rng.uniform(0.3, 3.0)
    return x + _behind(rng, x, rate, pitch)


def _spanner(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """A tool dropped on concrete: bar modes, one of them near the buzzer's pitch, some bounces."""
    x = np.zeros(n)
    near = pitch if pitch > 600.0 else pitch * int(rng.integers(8, 25))
    at = rng.uniform(0.2, 2.0)
    while at < n / rate:
        struck = near * (1.0 + rng.choice([-1.0, 1.0]) * rng.uniform(0.01, 0.12))
        modes = struck * np.array([1.0, 2.756, 5.404, 0.363, 0.61 * rng.uniform(0.8, 1.3)])
        decays = _log_uniform(rng, 0.1, 1.0) * np.array([1.0, 0.5, 0.25, 0.9, 0.7])
        weights = np.array([1.0, 0.5, 0.3, 0.4, 0.4]) * rng.uniform(0.5, 1.0, 5)
        level, gap, bounce_at = 10 ** (rng.uniform(-6.0, 3.0) / 20.0), rng.uniform(0.1, 0.4), at
        for _ in range(int(rng.integers(1, 6))):
            blow = _ring(rng, rate, modes, decays, weights * rng.uniform(0.5, 1.0, 5))
            _place(x, level * blow, int(bounce_at * rate))
            _place(x, level * _crack(rng, rate, 0.0015), int(bounce_at * rate))
            bounce_at += gap
            gap *= rng.uniform(0.4, 0.8)
            level *= rng.uniform(0.4, 0.8)
        at += rng.uniform(1.5, 6.0)
    return x + _behind(rng, x, rate, pitch)


def _behind(rng: np.random.Generator, x: Array, rate: int, pitch: float) -> Array:
    """Return some steady background behind impulsive noise."""
    quiet = np.sqrt(np.mean(x**2)) * 10 ** (-rng.uniform(12.0, 25.0) / 20.0)
    return quiet * _broadband(rng, len(x), rate, pitch)


SENTENCES = (
    "Pass me the half inch socket, would you?",
    "The kettle is on if anybody wants a cup of tea.",
    "Has anyone seen the other end of this hose?",
    "I told him the bearing was worn out before we put it together.",
    "Sixteen, seventeen, eighteen, that is the last of the washers.",
    "She said the delivery comes on Thursday, so we shall have to wait.",
    "It ran sweetly all summer and then it stopped on the hill.",
    "Mind your fingers while I let the jack down.",
    "You cannot hear yourself think with that compressor going.",
    "The visitors are at the door, tell them we open at half past ten.",
    "First clean the flange, then a thin smear of jointing compound.",
    "Well, it fits, but it should not need that much force.",
    "And now the weather for the coast, fresh to strong winds from the west.",
    "The next piece was written for a brass band in nineteen thirty four.",
    "Police say the road will stay closed until the evening.",
    "Yes. No. Wait a moment. Try it again.",
)
ANSWERS = (
    "thirty-four and a half before",
    "twenty-eight before",
    "twenty-seven and three quarters before",
    "points open",
    "say again",
    "opening three, twenty-five and a quarter before",
    "on the stop, eighteen before",
    "fifteen after",
    "buzzer heard",
    "sixteen and a half each side",
    "ready for the next sweep",
)
_ACCENTS = ("en-gb", "en-us", "en-gb-scotland", "en-gb-x-rp", "en-029", "en-gb-x-gbclan")
_PEOPLE = ("m1", "m2", "m3", "m4", "m7", "f1", "f2", "f3", "f4", "f5")


def _talk(
    rng: np.random.Generator, n: int, rate: int, lines: tuple[str, ...], pauses: tuple[float, float]
) -> Array:
    """Speak random lines with pauses between them."""
    x = np.zeros(n)
    people = [f"{rng.choice(_ACCENTS)}+{rng.choice(_PEOPLE)}" for _ in range(2)]
    at = rng.uniform(0.0, 1.0)
    while at < n / rate:
        line = str(rng.choice(lines))
        person = people[int(rng.integers(len(people)))]
        said = _speak(line, person, int(rng.integers(6, 9)) * 20, rate)
        _place(x, 10 ** (rng.uniform(-4.0, 2.0) / 20.0) * said, int(at * rate))
        at += len(said) / rate + rng.uniform(*pauses)
    return x


def _speak(line: str, person: str, words_a_minute: int, rate: int) -> Array:
    """Return one spoken line at unit power, kept in the temporary folder."""
    program = shutil.which("espeak-ng")
    if program is None:
        said = _formants(_rng(line, person, words_a_minute), line, rate)
        return said / max(float(np.sqrt(np.mean(said**2))), 1e-9)
    key = hashlib.sha256(f"{line}|{person}|{words_a_minute}".encode()).hexdigest()[:20]
    folder = Path(tempfile.gettempdir()) / f"bench-speech-{os.getuid()}"
    folder.mkdir(exist_ok=True)
    path = folder / f"{key}.wav"
    if not path.exists():
        part = folder / f"{key}.{os.getpid()}.part"
        subprocess.run(
            [program, "-v", person, "-s", str(words_a_minute), "-w", str(part), line],
            check=True,
            capture_output=True,
        )
        part.replace(path)
    with wave.open(str(path)) as file:
        own_rate = file.getframerate()
        said = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    said = signal.resample_poly(said, rate, own_rate)
    return said / max(float(np.sqrt(np.mean(said**2))), 1e-9)


def _formants(rng: np.random.Generator, line: str, rate: int) -> Array:
    """Return speech-like sound: voiced syllables through three formants, hissed consonants."""
    pieces: list[Array] = []
    pitch = rng.uniform(90.0, 220.0)
    for word in line.split():
        for _ in range(max(len(word) // 3, 1)):
            hiss = signal.lfilter(
                *signal.butter(2, [2500.0, 7000.0], "bandpass", fs=rate),
                rng.normal(size=int(rng.uniform(0.03, 0.09) * rate)),
            )
            m = int(rng.uniform(0.08, 0.22) * rate)
            glide = pitch * np.linspace(rng.uniform(0.9, 1.2), rng.uniform(0.8, 1.1), m)
            source = np.diff(np.floor(np.cumsum(glide) / rate), prepend=0.0)
            vowel = signal.lfilter([1.0], [1.0, -0.97], source)
            for centre in (rng.uniform(300, 800), rng.uniform(900, 2300), rng.uniform(2300, 3300)):
                r, w = np.exp(-np.pi * 90.0 / rate), 2.0 * np.pi * centre / rate
                vowel = signal.lfilter([1.0 - r], [1.0, -2.0 * r * np.cos(w), r * r], vowel)
            vowel *= np.hanning(m) / max(float(np.max(np.abs(vowel))), 1e-9)
            pieces += [0.2 * hiss, vowel]
        pieces.append(np.zeros(int(rng.uniform(0.02, 0.12) * rate)))
    return np.concatenate(pieces)


def _speech(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    return _talk(rng, n, rate, SENTENCES, (0.1, 1.5))


def _voice(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    return _talk(rng, n, rate, ANSWERS, (0.8, 3.0))


def _radio(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """A small radio: music, then an announcer, through a small loudspeaker."""
    music = _music(rng, n, rate)
    talk = _talk(rng, n, rate, SENTENCES, (0.05, 0.5))
    fade = np.zeros(n)
    at, speaks = 0, bool(rng.random() < 0.3)
    while at < n:
        end = at + int(rng.uniform(4.0, 14.0) * rate)
        fade[at:end] = 1.0 if speaks else 0.0
        at, speaks = end, not speaks
    b, a = signal.butter(1, 1.0, fs=rate)
    fade = signal.lfilter(b, a, fade)
    x = music * (1.0 - 0.85 * fade) + talk * fade
    low, high = rng.uniform(120, 300), rng.uniform(4000, 9000)
    sos = signal.butter(2, [low, min(high, 0.49 * rate)], "bandpass", fs=rate, output="sos")
    return np.tanh(0.7 * signal.sosfilt(sos, x))


def _music(rng: np.random.Generator, n: int, rate: int) -> Array:
    """Return chords, a tune, a bass and drums at unit power."""
    x = np.zeros(n)
    beat = 60.0 / rng.uniform(76.0, 140.0)
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    root = int(rng.integers(45, 57))
    lead = _wave_table(np.arange(1, 9) ** -rng.uniform(0.7, 2.0), rng)
    pad = _wave_table(np.arange(1, 7) ** -rng.uniform(1.0, 2.0), rng)

    def note(table: Array, key: float, seconds: float, attack: float, decay: float) -> Array:
        t = np.arange(int(seconds * rate)) / rate
        f = 440.0 * 2.0 ** ((key - 69.0) / 12.0)
        vibrato = 0.003 * np.sin(2.0 * np.pi * 5.5 * t)
        envelope = np.minimum(t / attack, 1.0) * np.exp(-t / decay)
        envelope[-min(len(t), 400) :] *= np.linspace(1, 0, min(len(t), 400))
        return envelope * _oscillate(table, np.cumsum(f * (1.0 + vibrato)) / rate)

    time_s, step = 0.0, 0
    chord = 0
    while time_s < n / rate:
        at = int(time_s * rate)
        if step % 4 == 0:
            chord = int(rng.choice([0, 3, 4, 5]))
            for third in (0, 2, 4):
                degree = chord + third
                key = root + 12 * (degree // 7) + scale[degree % 7] + 12
                _place(x, 0.35 * note(pad, key, 4 * beat, 0.03, 2.0), at)
        bass = root - 12 + scale[chord % 7]
        _place(x, 0.6 * note(pad, bass, beat, 0.005, 0.5), at)
        played = 0.0
        while played < 1.0:
            part = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
            if rng.random() < 0.8:
                degree = int(rng.integers(0, 14))
                key = root + 24 + 12 * (degree // 7) + scale[degree % 7]
                piece = note(lead, key, part * beat, 0.008, 0.6)
                _place(x, 0.5 * piece, int((time_s + played * beat) * rate))
            played += part
        t = np.arange(int(0.25 * rate)) / rate
        if step % 2 == 0:
            kick = np.sin(2 * np.pi * (50.0 * t + 3.0 * (1 - np.exp(-t / 0.03)))) * np.exp(
                -t / 0.08
            )
            _place(x, 1.2 * kick, at)
        else:
            _place(x, 0.5 * _crack(rng, rate, 0.05), at)
        for half in (0.0, 0.5):
            hat = np.diff(_crack(rng, rate, 0.012), prepend=0.0)
            _place(x, 0.2 * hat, int((time_s + half * beat) * rate))
        time_s += beat
        step += 1
    return x / np.std(x)


def _shop(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """Several at once, and sometimes a machine that runs up and down."""
    x = rng.uniform(0.3, 1.0) * _unit(_broadband(rng, n, rate, pitch))
    x += rng.uniform(0.1, 0.8) * _unit(_hum(rng, n, rate, pitch))
    others = ("speech", "radio", "ratchet", "hammer", "spanner", "voice")
    for name in rng.choice(others, int(rng.integers(2, 5)), replace=False):
        x += rng.uniform(0.3, 1.0) * _unit(_NOISES[str(name)](rng, n, rate, pitch))
    if rng.random() < 0.3:
        start, lasts = rng.uniform(0.1, 0.7) * n, rng.uniform(0.15, 0.4) * n
        runs = ((np.arange(n) > start) & (np.arange(n) < start + lasts)).astype(float)
        b, a = signal.butter(1, rng.uniform(0.2, 1.0), fs=rate)
        x += rng.uniform(0.3, 0.8) * signal.lfilter(b, a, runs) * _unit(_hum(rng, n, rate, pitch))
    return x


def _unit(x: Array) -> Array:
    return x / max(float(np.sqrt(np.mean(x**2))), 1e-12)


_NOISES: dict[str, Callable[[np.random.Generator, int, int, float], Array]] = {
    "broadband": _broadband,
    "hum": _hum,
    "speech": _speech,
    "radio": _radio,
    "ratchet": _ratchet,
    "hammer": _hammer,
    "spanner": _spanner,
    "voice": _voice,
    "shop": _shop,
}


def _noise(name: str, rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """Return a noise as it reaches the microphone, mostly through a room of its own."""
    x = _NOISES[name](rng, n, rate, pitch)
    if name not in ("broadband", "hum") and rng.random() < 0.6:
        x = signal.oaconvolve(x, _room(rng, rate))[:n]
    return x


def _noise_power(name: str, x: Array, rate: int) -> float:
    """Return the noise's power: where it is active, or over all for impulsive noise."""
    if name not in ("speech", "voice", "radio"):
        return float(np.mean(x**2))
    size = rate // 50
    frames = np.mean(x[: len(x) // size * size].reshape(-1, size) ** 2, axis=1)
    active = frames > 0.05 * np.mean(frames)
    return float(np.mean(frames[active]))


# The phone


def _automatic_gain(x: Array, rate: int, rng: np.random.Generator) -> Array:
    """A phone's automatic gain: quick down, slow up, over a limited range; causal."""
    size = max(rate // 1000, 1)
    frames = -(-len(x) // size)
    padded = np.pad(x, (0, frames * size - len(x)))
    level = 10.0 * np.log10(np.mean(padded.reshape(frames, size) ** 2, axis=1) + 1e-12)
    target = float(np.percentile(level, 75)) - rng.uniform(0.0, 6.0)
    most = rng.uniform(6.0, 20.0)
    ratio = rng.uniform(0.4, 0.9)
    attack = 1.0 - np.exp(-0.001 / _log_uniform(rng, 0.005, 0.08))
    release = 1.0 - np.exp(-0.001 / _log_uniform(rng, 0.2, 2.0))
    gain = np.empty(frames + 1)
    g = 0.0
    for i in range(frames):
        gain[i] = g
        wanted = float(np.clip(ratio * (target - level[i]), -most, 0.5 * most))
        g += (attack if wanted < g else release) * (wanted - g)
    gain[frames] = g
    curve = np.interp(np.arange(len(x)), np.arange(frames + 1) * size, gain)
    return x * 10 ** (curve / 20.0)


_FORMATS = {
    "aac": ("ipod", "aac", (48_000, 64_000, 128_000)),
    "mp3": ("mp3", "libmp3lame", (64_000, 96_000, 128_000)),
    "opus": ("ogg", "libopus", (24_000, 32_000, 64_000)),
    "amr": ("amr", "libopencore_amrnb", (7_950, 12_200)),
}


def _round_trip(x: Array, rate: int, codec: str, bits: int) -> Array:
    """Encode and decode; the result keeps the decoder's own delay."""
    import av

    container, encoder, _ = _FORMATS[codec]
    store = io.BytesIO()
    with av.open(store, "w", format=container) as out:
        stream = out.add_stream(encoder, rate=rate, layout="mono")
        stream.bit_rate = bits
        kind = stream.codec_context.format.name if stream.codec_context.format else "fltp"
        whole = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(x[None, :], dtype=np.float32), format="flt", layout="mono"
        )
        whole.sample_rate = rate
        whole.pts = 0
        resampler = av.AudioResampler(
            format=kind, layout="mono", rate=rate, frame_size=stream.codec_context.frame_size or 160
        )
        for frame in [*resampler.resample(whole), *resampler.resample(None)]:
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    store.seek(0)
    pieces = []
    with av.open(store) as back:
        flat = av.AudioResampler(format="flt", layout="mono", rate=rate)
        for frame in back.decode(audio=0):
            pieces += [piece.to_ndarray()[0] for piece in flat.resample(frame)]
        pieces += [piece.to_ndarray()[0] for piece in flat.resample(None)]
    return np.concatenate(pieces).astype(float)


@lru_cache(maxsize=64)
def _codec_delay(rate: int, codec: str, bits: int) -> int:
    """Return the samples by which a codec's round trip comes late, measured on noise bursts."""
    rng = _rng("delay")
    n = 4 * rate
    x = signal.lfilter(*signal.butter(2, min(3000.0, 0.4 * rate), fs=rate), rng.normal(size=n))
    x *= 0.1 * (np.sin(2.0 * np.pi * 3.0 * np.arange(n) / rate) > 0.0)
    y = _round_trip(x, rate, codec, bits)
    lags = signal.correlation_lags(len(y), n)
    match = np.abs(signal.correlate(y, x))
    near = np.abs(lags) < rate // 5
    return int(lags[near][np.argmax(match[near])])


def _through_codec(x: Array, rate: int, codec: str, bits: int) -> Array:
    """Encode and decode, and take the codec's delay out again."""
    delay = _codec_delay(rate, codec, bits)
    y = _round_trip(x, rate, codec, bits)
    y = y[delay:] if delay >= 0 else np.concatenate([np.zeros(-delay), y])
    return np.pad(y, (0, max(len(x) - len(y), 0)))[: len(x)]


def _store(
    mix: Array, rate: int, rng: np.random.Generator, agc: bool | None, codec: str | None
) -> tuple[npt.NDArray[np.float32], int, str, bool]:
    """Do what the phone does: automatic gain, level, codec or 16 bits."""
    with_gain = bool(rng.random() < 0.2) if agc is None else agc
    drawn = str(rng.choice(["none", "none", "none", "aac", "mp3", "opus"]))
    codec = drawn if codec is None else codec
    if with_gain:
        mix = _automatic_gain(mix, rate, rng)
    if codec == "amr":
        mix, rate = signal.resample_poly(mix, 8000, rate), 8000
    mix = mix * (10 ** (-rng.uniform(1.0, 15.0) / 20.0) / max(float(np.max(np.abs(mix))), 1e-9))
    if codec == "none":
        mix = np.round(mix * 32767.0) / 32768.0
    else:
        mix = _through_codec(mix, rate, codec, int(rng.choice(_FORMATS[codec][2])))
    return mix.astype(np.float32), rate, codec, with_gain


# Scenes


def make_scene(
    buzzer: str,
    noise: str,
    snr_db: float | None,
    seed: int,
    seconds: float = 40.0,
    rate_hz: int = 48_000,
    *,
    chatter: bool = True,
    drift: float | None = None,
    agc: bool | None = None,
    codec: str | None = None,
    muffled: bool | None = None,
    room: bool | None = None,
    dwell_s: tuple[float, float] | None = None,
    at_first_s: tuple[float, float] = AT_FIRST_S,
    keep_known: bool = False,
) -> Scene:
    """Make one scene; what is left None is drawn from the seed.

    Parameters
    ----------
    buzzer, noise : str
        One of `BUZZERS` and of `NOISES`.
    snr_db : float or None
        Signal-to-noise ratio; None for clean sound.
    seed : int
        With the names, fixes everything else.
    chatter : bool
        Whether the contact chatters at some changes.
    drift : float or None
        Fall of the pitch over the scene, as a share of it (0.03 is three per cent).
    agc, muffled, room : bool or None
        Automatic gain, a low-pass over the buzzer, echoes.
    codec : str or None
        One of `CODECS`. "amr" makes an 8 kHz scene with a pitch that fits into it.
    dwell_s, at_first_s : (float, float)
        Between how many seconds the points stay as they are, DWELL_S if left None; and before they
        are moved for the first time.
    keep_known : bool
        Also keep what the bound needs (some 60 MB for 40 s).
    """
    if buzzer not in BUZZERS or noise not in NOISES:
        raise ValueError(f"no such buzzer or noise: {buzzer}, {noise}")
    if codec is not None and codec not in CODECS:
        raise ValueError(f"no such codec: {codec}")
    n = round(seconds * rate_hz)
    rng = _rng(buzzer, noise, seed, "buzzer")
    period = 1.0 / rng.uniform(2.0, 10.0)
    beep = period * rng.uniform(0.3, 0.6)
    least = 1.5 * period if buzzer == "pulsed" else 0.0
    contact = _contact(rng, n, rate_hz, chatter, least, dwell_s or DWELL_S, at_first_s)
    if drift is None:
        drift = float(rng.uniform(-0.01, 0.05))
    buzz = _buzz(buzzer, rng, contact, n, rate_hz, drift, codec == "amr", (period, beep))
    pass_on: Callable[[Array], Array] = lambda x: x  # noqa: E731
    way = _rng(buzzer, noise, seed, "way")
    drawn_muffled, drawn_room = way.random() < 0.2, way.random() < 0.5
    if drawn_muffled if muffled is None else muffled:
        pass_on = _muffle(way, buzz.pitches_hz[-1], rate_hz)
    direct = pass_on(buzz.sound)
    heard = direct
    if drawn_room if room is None else room:
        heard = signal.oaconvolve(direct, _room(way, rate_hz))[:n]

    loud = float(np.mean(heard[buzz.loud] ** 2)) if np.any(buzz.loud) else float(np.mean(heard**2))
    scale = 1.0 / np.sqrt(loud)
    sounds = _rng(buzzer, noise, seed, "noise")
    hiss = 10 ** (-sounds.uniform(55.0, 70.0) / 20.0) * sounds.normal(size=n)
    background = hiss
    if snr_db is not None:
        raw = _noise(noise, sounds, n, rate_hz, buzz.pitches_hz[0])
        power = _noise_power(noise, raw, rate_hz)
        background = hiss + raw * np.sqrt(10 ** (-snr_db / 10.0) / power)
    mix = scale * heard + background
    samples, rate, stored, with_gain = _store(
        mix, rate_hz, _rng(buzzer, noise, seed, "phone"), agc, codec
    )
    known = None
    if keep_known:
        known = Known(
            direct=scale * direct + background,
            other_tone=scale * pass_on(buzz.other_tone),
            main_tone=scale * pass_on(buzz.main_tone),
            noise=background,
            attack_s=buzz.attack_s,
            release_s=buzz.release_s,
            shape=buzz.shape,
        )
    ratio = "clean" if snr_db is None else f"{snr_db:g} dB"
    return Scene(
        samples=samples,
        rate_hz=rate,
        name=f"{buzzer} in {noise}, {ratio}, seed {seed}",
        buzzer=buzzer,
        noise=noise,
        snr_db=snr_db,
        sounding=buzz.sounding,
        truth=_truth(contact, buzz, rate_hz, (period, beep) if least else None),
        pitches_hz=buzz.pitches_hz,
        beep_period_s=period if buzzer == "pulsed" else 0.0,
        codec=stored,
        agc=with_gain,
        known=known,
    )


def _truth(
    contact: _Contact, buzz: _Buzz, rate: int, beeps: tuple[float, float] | None
) -> tuple[TrueChange, ...]:
    """Turn the contact's moves into changes as a person would call them."""
    changes = []
    last_up = 0  # where the present pulse train began
    for first, last, is_open in contact.groups:
        kind: Literal["starts", "stops", "shifts"] = "shifts"
        if buzz.sounding != "both":
            kind = "starts" if is_open == (buzz.sounding == "open") else "stops"
        change = TrueChange(
            time_s=first / rate,
            settled_s=last / rate,
            heard_s=_heard(contact, buzz.envelope, first, last) / rate,
            change=kind,
            points="open" if is_open else "closed",
        )
        if beeps is not None:
            if kind == "starts":
                last_up = last
            else:
                since = (first - last_up) / rate
                k = int(since / beeps[0])
                begun = since - k * beeps[0] < beeps[1] and buzz.envelope[first - 1] < 0.1
                k -= begun and k > 0  # cut off before it came up: the beep before was the last
                sound_end = min(last_up / rate + k * beeps[0] + beeps[1], change.time_s)
                change = replace(
                    change,
                    last_sound_s=sound_end,
                    next_beep_s=max(last_up / rate + (k + 1) * beeps[0], change.settled_s),
                )
        changes.append(change)
    return tuple(changes)


def _heard(contact: _Contact, envelope: Array, first: int, last: int) -> int:
    """Return the move after which the envelope first left its old level by a tenth."""
    moves = [move for move in contact.toggles if first <= move <= last]
    for move, after in itertools.pairwise(moves):
        if np.any(np.abs(envelope[move:after] - envelope[first - 1]) > 0.1):
            return move
    return last


def no_buzzer_scene(
    noise: str,
    seed: int,
    seconds: float = 60.0,
    rate_hz: int = 48_000,
    *,
    agc: bool | None = None,
    codec: str | None = None,
) -> Scene:
    """Make a scene of noise alone."""
    n = round(seconds * rate_hz)
    rng = _rng(noise, seed, "no buzzer")
    x = _unit(_noise(noise, rng, n, rate_hz, float(rng.uniform(1500.0, 4500.0))))
    x = x + 10 ** (-rng.uniform(40.0, 60.0) / 20.0) * rng.normal(size=n)
    samples, rate, stored, with_gain = _store(x, rate_hz, rng, agc, codec)
    return Scene(
        samples=samples,
        rate_hz=rate,
        name=f"no buzzer, {noise}, seed {seed}",
        buzzer="none",
        noise=noise,
        snr_db=None,
        sounding="both",
        truth=(),
        codec=stored,
        agc=with_gain,
    )
