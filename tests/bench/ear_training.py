"""Scenes beyond the bench's own, and the changes that the ear meets in them, with their truth.

The first-break net (:mod:`analysis.ear.firstbreak`) is trained on these, never on the scenes of
the table. A third of the training scenes are the bench's, some are plain keyed tones; in the others
all that the bench holds to a range is drawn from a wider one, and some things happen that it does
not know: bouncing and sparse chatter, rises that are neither exponential nor straight, clicks of
any kind, a limiter, a microphone that colours the sound, poorer codecs, other rates.

Run from the top of the repository, each in turn::

    python -m tests.bench.ear_training harvest FOLDER
    python -m tests.bench.ear_training harvest FOLDER --first 3000 --count 900
    python -m tests.bench.ear_training harvest FOLDER --first 2000 --count 200
    python -m tests.bench.ear_training harvest FOLDER --first 2300 --count 200
    python -m tests.bench.ear_training harvest FOLDER --first 4000 --count 1200
    python -m tests.bench.ear_training harvest FOLDER --first 500 --count 100
    python -m tests.bench.ear_training train FOLDER analysis/ear/firstbreak_weights.py

and then for the net of growls, from a folder of its own::

    python -m tests.bench.ear_training harvest GROWLS --first 6000 --count 1500 --growls
    python -m tests.bench.ear_training train GROWLS analysis/ear/growlbreak_weights.py --epochs 10

The training needs PyTorch, which the program itself does not.
"""

from __future__ import annotations

import base64
import itertools
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any
from unittest import mock

import click
import numpy as np
import numpy.typing as npt
from scipy import signal

from analysis.ear import ear as ear_module
from analysis.ear import firstbreak, recording, told
from analysis.ear.clues import SAID, STEPS, times_s
from analysis.ear.firstbreak import BLUR_S, COUNTS, DILATIONS, TAPS, WIDTH, BreakOdds, seen_of
from analysis.ear.recording import hear
from analysis.sound import Block

from . import scenes

Array = npt.NDArray[np.float64]

TRAINING_SEEDS, MORE_SEEDS = range(1000, 1900), range(3000, 3900)
GROWL_SEEDS = range(2000, 2200)
"""Growls of the wider world alone: no two tremblers are alike."""
MORE_GROWL_SEEDS, BLOW_SEEDS = range(6000, 7500), range(6900, 7500)
"""The same for the net of growls: some come up slowly, with a restless contact, or among clicks;
and those of them that are made of blows, which die away by themselves."""
STRUCK_SEEDS = range(2300, 2500)
"""Buzzers of the wider world among clicks of any kind, most of which fall near no change."""
RESTLESS_SEEDS = range(4000, 5200)
"""Buzzers of the wider world whose contact often chatters, and may stay for long in that."""
WIDER_SEEDS = GROWL_SEEDS, MORE_GROWL_SEEDS, STRUCK_SEEDS, RESTLESS_SEEDS
VALIDATION_SEEDS = (
    *range(500, 600),
    *RESTLESS_SEEDS[-50:],
    *range(BLOW_SEEDS.start - 100, BLOW_SEEDS.start),
    *BLOW_SEEDS[-60:],
)
"""None holds a seed of the table, which begin at ear_table.FIRST_SEED and are few."""
NEAR_S = 0.040
"""A true change further than this from one that the ear met is another."""
BATCH = 64
RINGS_S = 0.3
"""How long the blows of a growl may ring at most."""
SETTLES = 0.5
"""What it weighs in training when a change has settled, beside when it begins."""
WORLDS = "bench", "altered", "keyed"


# Wider worlds


def _chatter(rng: np.random.Generator, longest_s: float, kind: str) -> list[float]:
    """Return the moves of a contact that chatters in one of several ways."""
    whole = scenes._log_uniform(rng, 0.0015, max(longest_s, 0.0016))
    parts: list[float] = []
    if kind == "mixed":
        low, high = scenes._log_uniform(rng, 0.0002, 0.001), scenes._log_uniform(rng, 0.004, 0.04)
        while len(parts) % 2 or not parts or sum(parts) < whole:
            parts.append(scenes._log_uniform(rng, low, high))
    elif kind == "bounce":
        part, shrinks = scenes._log_uniform(rng, 0.002, 0.03), rng.uniform(0.4, 0.85)
        while len(parts) % 2 or not parts or part > 0.0004:
            parts.append(part * rng.uniform(0.7, 1.3) * (rng.uniform(0.2, 1.0)))
            part *= shrinks
    elif kind == "stays":  # all lengths are as likely, as long as the sum is right
        parts = list(whole * rng.dirichlet(np.ones(2 * int(rng.integers(1, 7)))))
    else:  # sparse: short signs of the new state, long rests
        blip = scenes._log_uniform(rng, 0.0004, 0.004)
        while not parts or sum(parts) < whole:
            parts += [
                blip * scenes._log_uniform(rng, 0.5, 2.0),
                scenes._log_uniform(rng, 0.003, 0.04),
            ]
    moves = np.concatenate([[0.0], np.cumsum(parts)])
    if moves[-1] > longest_s:
        moves *= longest_s / moves[-1]
    return [float(move) for move in moves]


def _contact_of(odds: float, lobes: float, restless: bool = False) -> Any:
    def contact(
        rng: np.random.Generator, n: int, rate: int, chatter: bool, closed_least_s: float, *_: Any
    ) -> scenes._Contact:  # moved at a pace of its own
        is_open = starts_open = bool(rng.random() < 0.5)
        toggles: list[int] = []
        groups: list[tuple[int, int, bool]] = []
        at = float(rng.uniform(0.4, 2.0))
        while True:
            is_open = not is_open
            short = rng.random() < (lobes if is_open else lobes / 4)
            dwell = float(rng.uniform(0.06, 0.40)) if short else scenes._log_uniform(rng, 0.4, 4.0)
            dwell = dwell if is_open else max(dwell, closed_least_s)
            if (at + dwell + 0.4) * rate > n:
                break
            moves = [0.0]
            if chatter and rng.random() < odds:
                kind = str(rng.choice(["mixed", "mixed", "bounce", "sparse"]))
                longest_s = min(float(rng.uniform(0.02, 0.11)), 0.25 * dwell)
                if restless:
                    kind, longest_s = str(rng.choice(["stays", kind])), min(0.105, 0.3 * dwell)
                moves = _chatter(rng, longest_s, kind)
            marks = sorted({round((at + move) * rate) for move in moves})
            if len(marks) % 2 == 0:
                marks = marks[:1]
            toggles += marks
            groups.append((marks[0], marks[-1], is_open))
            at += dwell
        return scenes._Contact(starts_open, toggles, groups)

    return contact


def _follow_of(stretch: float, bend: float, second: float) -> Any:
    """Return a follower whose rise is stretched, bent by a power, and in part slower."""
    plain = scenes._follow

    def follow(
        stretches: Any, n: int, rate: int, shape: str, attack_s: float, release_s: float
    ) -> Array:
        level = plain(stretches, n, rate, shape, stretch * attack_s, stretch * release_s)
        if second:
            slow = plain(stretches, n, rate, "exponential", 4 * attack_s, 4 * release_s)
            level = (1 - second) * level + second * slow
        return level**bend

    return follow


def _room(rng: np.random.Generator, rate: int) -> Array:
    reverb_s = rng.uniform(0.08, 1.1)
    n = int(reverb_s * 0.8 * rate)
    t = np.arange(n) / rate
    tail = rng.normal(size=n) * 10 ** (-3.0 * t / reverb_s) * (t > rng.uniform(0.002, 0.012))
    energy = 10 ** (-rng.uniform(2.0, 20.0) / 10.0)
    tail *= np.sqrt(energy / max(float(np.sum(tail**2)), 1e-12))
    tail[0] = 1.0
    for _ in range(int(rng.integers(0, 10))):
        delay = rng.uniform(0.0005, 0.03)
        tail[min(n - 1, int(delay * rate))] += rng.uniform(0.02, 0.5) * rng.choice([-1.0, 1.0])
    return tail


def _growl_table(rng: np.random.Generator, pitch: float, rate: int) -> Array:
    """A growl with any tilt, resonances or none, and any phases, or all alike: a sharp pulse."""
    count = int(min(rng.integers(20, 80), 0.4 * rate // (pitch * 1.2)))
    hz = pitch * np.arange(1, count + 1)
    weights = (hz / pitch) ** -rng.uniform(0.0, 1.5) * rng.uniform(0.3, 1.0, count)
    for _ in range(int(rng.integers(0, 4))):
        centre, width = scenes._log_uniform(rng, 250.0, 4000.0), rng.uniform(0.08, 0.8)
        weights *= 1.0 + rng.uniform(1.0, 8.0) * np.exp(-((np.log(hz / centre) / width) ** 2))
    return scenes._wave_table(weights, rng, float(rng.choice([0.0, rng.uniform(0.0, 1.0), 1.0])))


def _growl_of_blows(
    rng: np.random.Generator, drive: Any, pitch: float, gate: list[tuple[int, int, bool]]
) -> Array:
    """Make a trembler's sound blow by blow: it strikes twice in a period while it has current, each
    blow dies away by itself, and the first ones are weaker.
    """
    n, rate = drive.n, drive.rate
    speed = pitch * drive.sag * scenes._waver(rng, n, rate, pitch)
    late_s, apart, second = rng.uniform(0.0, 0.004), rng.uniform(0.3, 0.6), rng.uniform(0.0, 1.0)
    grows, unlike = rng.uniform(0.0, 0.8), scenes._log_uniform(rng, 0.02, 0.3)
    blows = np.zeros((2, n))
    for start, end, on in gate:
        running = start == 0
        at = start + rate * (rng.uniform(0.0, 1.0 / pitch) if running else late_s)
        size = 1.0 if running else 1.0 - grows
        while on and at < end:
            period = rate / speed[int(at)]
            loud = size * max(0.1, 1.0 + unlike * rng.normal())
            for blow, (after, part) in zip(blows, ((0.0, 1.0), (apart, second)), strict=True):
                moment = int(at + after * period)
                if moment < end:
                    blow[moment] += part * loud
            at += period
            size = 1.0 - grows * (1.0 - size)
    sound = scenes._log_uniform(rng, 0.01, 0.3) * blows.sum(axis=0)
    for _ in range(int(rng.integers(3, 9))):
        hz = scenes._log_uniform(rng, 200.0, min(5500.0, 0.4 * rate))
        narrow = rng.uniform(1.2, 10.0)
        rings = signal.lfilter(*signal.iirpeak(hz, narrow, fs=rate), blows)
        sound += (rng.uniform(0.2, 1.0, 2) * rings.T * np.sqrt(rate / hz * narrow)).sum(axis=1)
    return np.asarray(sound)


def _clicks(rng: np.random.Generator, n: int, rate: int, pitch: float) -> Array:
    """Return blows and clicks at random, each a burst of noise from a band of its own."""
    x = np.zeros(n)
    per_s, spread_db = scenes._log_uniform(rng, 0.7, 15.0), float(rng.uniform(0.0, 8.0))
    low, octaves = scenes._log_uniform(rng, 100.0, 3000.0), float(rng.uniform(0.3, 5.0))
    dies_s = scenes._log_uniform(rng, 0.0003, 0.02)
    band = signal.butter(2, (low, min(low * 2**octaves, 0.45 * rate)), "band", fs=rate)
    at = rng.uniform(0.0, 1.0 / per_s)
    while at * rate < n:
        burst = rng.normal(size=int(8 * dies_s * rate) + 1)
        burst *= np.exp(-np.arange(len(burst)) / rate / dies_s / rng.uniform(0.5, 2.0))
        burst *= 10 ** (rng.normal(0.0, spread_db) / 20.0)
        first = int(at * rate)
        x[first : first + len(burst)] += burst[: n - first]
        at += rng.exponential(1.0 / per_s) + 0.003
    return np.asarray(signal.lfilter(*band, x))


def _store_of(rng: np.random.Generator) -> Any:
    """Return a phone whose microphone colours the sound, and which may limit it."""
    plain = scenes._store
    limits, colours = rng.random() < 0.2, rng.random() < 0.6

    def store(mix: Array, rate: int, own: Any, agc: Any, codec: Any) -> Any:
        if colours:
            low = float(rng.uniform(40.0, 350.0))
            mix = signal.lfilter(*signal.butter(int(rng.integers(1, 3)), low, "high", fs=rate), mix)
            for _ in range(int(rng.integers(0, 4))):
                at = scenes._log_uniform(rng, 400.0, 6000.0)
                peak = signal.lfilter(*signal.iirpeak(at, rng.uniform(1.0, 4.0), fs=rate), mix)
                mix = mix + rng.uniform(-0.6, 1.0) * peak
        if limits:
            usual = rng.uniform(1.0, 4.0) * float(np.std(mix))
            mix = usual * np.tanh(mix / usual)
        return plain(mix, rate, own, agc, codec)

    return store


@contextmanager
def altered(rng: np.random.Generator) -> Iterator[dict[str, Any]]:
    """Let the bench's scenes be made in a wider world; yields more arguments for `make_scene`."""
    formats = {
        "aac": ("ipod", "aac", (32_000, 48_000, 96_000)),
        "mp3": ("mp3", "libmp3lame", (40_000, 64_000, 96_000)),
        "opus": ("ogg", "libopus", (12_000, 20_000, 32_000)),
        "amr": scenes._FORMATS["amr"],
    }
    slower = scenes._log_uniform(rng, 0.3, 2.0)
    bend = scenes._log_uniform(rng, 0.6, 1.8)
    second = float(rng.uniform(0.0, 0.4)) if rng.random() < 0.3 else 0.0
    more: dict[str, Any] = {}
    codec = str(rng.choice(["none"] * 5 + ["aac", "mp3", "opus"] * 2 + ["amr"]))
    more["codec"] = codec
    more["agc"] = bool(rng.random() < 0.35)
    more["drift"] = float(rng.uniform(-0.04, 0.08))
    if codec == "none" and rng.random() < 0.4:
        more["rate_hz"] = int(rng.choice([16_000, 32_000, 44_100]))
    with mock.patch.multiple(
        scenes,
        _contact=_contact_of(float(rng.uniform(0.0, 0.7)), float(rng.uniform(0.0, 0.5))),
        _follow=_follow_of(slower, bend, second),
        _room=_room,
        _store=_store_of(rng),
        _FORMATS=formats,
        _growl_table=_growl_table,
        _spin_up=scenes._spin_up if rng.random() < 0.5 else lambda rng, gate, n, rate: np.ones(n),
        GROWL_SWAY=scenes._log_uniform(rng, 0.02, 0.35),
        GROWL_SWAY_HZ=scenes._log_uniform(rng, 4.0, 120.0),
        GROWL_ATTACK_S=(scenes._log_uniform(rng, 0.002, 0.02),) * 2,
        GROWL_RELEASE_S=(scenes._log_uniform(rng, 0.001, 0.03),) * 2,
    ):
        yield more


def _keyed(rng: np.random.Generator) -> scenes.Scene:
    """Return a plain tone that is keyed on and off at once, or nearly so, in faint noise."""
    rate = int(rng.choice([8_000, 16_000, 44_100, 48_000]))
    n = 20 * rate
    contact = _contact_of(0.0, 0.3)(rng, n, rate, False, 0.0)
    attack_s = float(rng.choice([0.0, rng.uniform(0.0, 0.003)]))
    opens = scenes._levels(contact.opens_first, contact.toggles, n)
    envelope = scenes._follow(opens, n, rate, "linear", attack_s, attack_s)
    pitch_hz = scenes._log_uniform(rng, 300.0, 0.4 * rate if rate < 16_000 else 4500.0)
    tone = np.sin(2 * np.pi * (pitch_hz * np.arange(n) / rate + rng.random()))
    if rng.random() < 0.5:
        tone = scenes._oscillate(
            scenes._piezo_table(rng, pitch_hz, rate), np.cumsum(np.full(n, pitch_hz)) / rate
        )
    quiet = float(rng.choice([0.0, 0.0, rng.uniform(0.2, 0.5)]))
    sound = 0.3 * tone * (quiet + (1 - quiet) * envelope)
    sound += scenes._log_uniform(rng, 1e-6, 0.05) * rng.normal(size=n)
    truth = tuple(
        scenes.TrueChange(
            first / rate,
            last / rate,
            first / rate,
            "starts" if is_open else "stops",
            "open" if is_open else "closed",
        )
        for first, last, is_open in contact.groups
    )
    return scenes.Scene(
        sound.astype(np.float32), rate, "keyed", "keyed", "hiss", None, "open", truth, True
    )


def draw_scene(seed: int, world: str) -> tuple[scenes.Scene, list[tuple[float, float]]]:
    """Return a scene drawn from a seed, and (first, last) move of each of its changes, in s.

    `world` is one of WORLDS. A beep of a pulsed buzzer is two changes here.
    """
    rng = np.random.default_rng([seed, 77 + WORLDS.index(world)])
    if world == "keyed":
        scene = _keyed(rng)
        return scene, [(change.time_s, change.settled_s) for change in scene.truth]
    buzzer = _buzzer(seed)
    noise = str(rng.choice(scenes.NOISES))
    snr_db = None if rng.random() < 0.08 else float(rng.uniform(-3.0, 24.0))
    if world == "bench":
        snr_db = None if rng.random() < 0.1 else float(rng.choice([0.0, 6.0, 12.0, 20.0]))
        return _made(buzzer, noise, snr_db, seed, {})
    with altered(rng) as more:
        if seed in RESTLESS_SEEDS:
            odds, lobes = float(rng.uniform(0.2, 0.9)), float(rng.uniform(0.0, 0.8))
            with mock.patch.object(scenes, "_contact", _contact_of(odds, lobes, restless=True)):
                return _made(buzzer, noise, snr_db, seed, more)
        if seed in MORE_GROWL_SEEDS:
            return _more_growl(rng, seed, noise, snr_db, more)
        if seed not in STRUCK_SEEDS:
            return _made(buzzer, noise, snr_db, seed, more)
        odds, ratio_db = float(rng.uniform(0.0, 0.3)), float(rng.uniform(-3.0, 35.0))
        noises = dict.fromkeys(scenes.NOISES, _clicks)
        with mock.patch.multiple(scenes, _NOISES=noises, _contact=_contact_of(odds, 0.2)):
            return _made(buzzer, "hammer", ratio_db, seed, more)


def _more_growl(
    rng: np.random.Generator, seed: int, noise: str, snr_db: float | None, more: dict[str, Any]
) -> tuple[scenes.Scene, list[tuple[float, float]]]:
    """Return a growl for the net of growls, drawn within :func:`altered`."""
    attack_s, release_s = (scenes._log_uniform(rng, 0.002, slow_s) for slow_s in (0.035, 0.025))
    changed: dict[str, Any] = {
        "GROWL_ATTACK_S": (attack_s, attack_s),
        "GROWL_RELEASE_S": (release_s, release_s),
    }
    if rng.random() < 0.6:
        odds, lobes = float(rng.uniform(0.1, 0.9)), float(rng.uniform(0.0, 0.6))
        changed["_contact"] = _contact_of(odds, lobes, restless=bool(rng.random() < 0.5))
    if rng.random() < 0.12:
        changed["_NOISES"] = dict.fromkeys(scenes.NOISES, _clicks)
    if seed in BLOW_SEEDS:
        plain = scenes._follow
        changed["_growl"] = _growl_of_blows
        changed["_follow"] = lambda *contact: plain(*contact[:4], 0.0, RINGS_S)
    with mock.patch.multiple(scenes, **changed):
        return _made("growl", noise, snr_db, seed, more)


@contextmanager
def beeps_kept() -> Iterator[list[tuple[float, bool]]]:
    """Keep when each beep of a pulsed buzzer begins (True), and each silence (False), in s."""
    plain = scenes._pulses
    pieces: list[tuple[float, bool]] = []

    def pulses(stretches: Any, n: int, rate: int, *beeps: float) -> Any:
        cut = plain(stretches, n, rate, *beeps)
        pieces.extend((start / rate, sounds) for start, _, sounds in cut)
        return cut

    with mock.patch.object(scenes, "_pulses", pulses):
        yield pieces


def _made(
    buzzer: str, noise: str, snr_db: float | None, seed: int, more: dict[str, Any]
) -> tuple[scenes.Scene, list[tuple[float, float]]]:
    with beeps_kept() as pieces:
        scene = scenes.make_scene(buzzer, noise, snr_db, seed, 30.0, **more)
    moves = [(c.time_s, c.settled_s) for c in scene.truth]
    for start_s, _ in pieces[1:]:
        if not any(a - 0.001 <= start_s <= b + 0.001 for a, b in moves):
            moves.append((start_s, start_s))
    return scene, sorted(moves)


# What the ear meets


@dataclass(frozen=True)
class Met:
    """The changes of a scene as the ear met them; times in seconds after each one's anchor.

    Attributes
    ----------
    clues : ndarray, shape (n, one of COUNTS, STEPS)
    said_s : ndarray, shape (n,)
        Their moments by the ear's model.
    truth_s : ndarray, shape (n,)
        Their true moments; nan where no true change is near.
    settled_s : ndarray, shape (n,)
        When they truly settled; nan where that is not known, or is later than was looked at.
    """

    clues: npt.NDArray[np.float16]
    said_s: Array
    truth_s: Array
    settled_s: Array


@contextmanager
def heard_once() -> Iterator[None]:
    """Let :func:`hear` keep to the likeliest sound that is believed, as one that does not drift.

    Else what is met would be of several prints of one buzzer, most of it more than once.
    """
    believed = False

    def attempt(*how: Any) -> Any:
        nonlocal believed
        if believed:
            return recording._Attempt(recording.Heard([], None, 0.0))
        made = recording._hear(*how, drifts=False)
        believed = bool(made.heard.changes)
        return made

    with mock.patch.object(recording, "_attempt", attempt):
        yield


@dataclass(frozen=True, eq=False)
class _Asked:
    """What the net was asked of a stretch, and its answer; times from the stretch's first sample.

    The answer is kept so that no other gets its identity.
    """

    odds: BreakOdds
    clues: npt.NDArray[np.float16]
    anchor_s: float
    said_s: float
    end_s: float


def meet(scene: scenes.Scene, moves: list[tuple[float, float]], count: int = COUNTS[0]) -> Met:
    """Let the ear hear a scene and return the changes it met, with as many clues: all changes, or
    those of growls.
    """
    asked: dict[int, _Asked] = {}
    origins: list[tuple[int, float]] = []
    judge, reconsider = ear_module.first_break, told.ToldChanges.reconsider

    def watched(stretch: Any, said_s: float, uncertainty_s: float, growl: Any) -> Any:
        growl = growl if count > COUNTS[0] else None
        seen = seen_of(stretch, said_s, uncertainty_s, growl)
        odds = judge(stretch, said_s, uncertainty_s, growl)
        asked[id(odds)] = _Asked(
            odds, seen.astype(np.float16), stretch.run[-1], said_s, stretch.end_s
        )
        return odds

    def watched_again(heard: Any, changes: Any) -> Any:
        # Of a change that had not settled the net was asked more than once; the last one is kept.
        origins.extend((id(k.odds), k.spliced.begin_s) for k in heard.kept if k.odds is not None)
        return reconsider(heard, changes)

    pieces = list(Block(scene.samples, scene.rate_hz, 0.0).pieces(1.0))
    with (
        heard_once(),
        mock.patch.object(ear_module, "first_break", watched),
        mock.patch.object(ear_module, "DOUBTED", 2.0),  # the net of the day must not choose
        mock.patch.object(told, "DOUBTED", 2.0),
        mock.patch.object(ear_module, "LONG_BEFORE_S", np.inf),
        mock.patch.object(recording, "SURELY_NONE", -4.0),  # what is doubted is met as well
        mock.patch.object(told.ToldChanges, "reconsider", watched_again),
    ):
        hear(lambda: pieces, scene.sounding)
    starts, ends = np.array(moves, dtype=float).reshape(-1, 2).T
    # At a seam of lost sound what the net said is not what was told.
    met = [(asked[key], origin_s) for key, origin_s in origins if key in asked]
    seen = [(one, origin_s) for one, origin_s in met if len(one.clues) == count]
    truth, settled = np.full((2, len(seen)), np.nan)
    for i, (one, origin_s) in enumerate(seen):
        at_s = origin_s + one.anchor_s
        far = np.maximum(np.maximum(starts - at_s, at_s - ends), 0.0)
        # The contact may stay so long in chatter that the ear takes that for a change.
        if len(far) and far.min() < NEAR_S and starts[far.argmin()] > origin_s:
            truth[i] = starts[far.argmin()] - at_s
            if ends[far.argmin()] < origin_s + one.end_s:
                settled[i] = ends[far.argmin()] - at_s
    table = np.array([one.clues for one, _ in seen], dtype=np.float16)
    said = np.array([one.said_s - one.anchor_s for one, _ in seen])
    return Met(table.reshape(-1, count, STEPS), said, truth, settled)


def load(folder: Path, seeds: Collection[int]) -> tuple[Met, Array, Array]:
    """Return what was kept of some seeds, with each change's seed and its world's number.

    Of the many beeps of a pulsed buzzer a quarter is kept.
    """
    mets, numbers, worlds = [], [], []
    for path in sorted(folder.glob("*.npz")):
        world, seed = path.stem.split("-")
        if int(seed) not in seeds:
            continue
        kept = np.load(path)
        some = slice(None, None, 4 if _buzzer(int(seed)) == "pulsed" else 1)
        mets.append(Met(**{name: values[some] for name, values in kept.items()}))
        numbers += [int(seed)] * len(mets[-1].said_s)
        worlds += [WORLDS.index(world)] * len(mets[-1].said_s)
    together = Met(*(np.concatenate([getattr(m, f.name) for m in mets]) for f in fields(Met)))
    return together, np.array(numbers), np.array(worlds)


# Training


def _net(count: int) -> Any:
    import torch
    from torch import nn

    class Net(nn.Module):
        """What analysis.ear.firstbreak.judged computes."""

        def __init__(self) -> None:
            super().__init__()
            self.first = nn.Conv1d(count, WIDTH, TAPS, padding=TAPS // 2)
            self.layers = nn.ModuleList(
                nn.Conv1d(WIDTH, WIDTH, TAPS, padding=d * (TAPS // 2), dilation=d)
                for d in DILATIONS
            )
            self.step, self.none = nn.Conv1d(WIDTH, 1, 1), nn.Linear(WIDTH, 1)
            self.last = nn.Conv1d(WIDTH, 1, 1)
            self.drop = nn.Dropout1d(0.08)

        def forward(self, x: Any) -> Any:
            h = torch.relu(self.first(x))
            for layer in self.layers:
                h = h + torch.relu(layer(self.drop(h)))
            return torch.cat([self.step(h)[:, 0], self.none(h.mean(2))], 1), self.last(h)[:, 0]

    return Net()


def _targets(truth_s: Array) -> npt.NDArray[np.float32]:
    """Return the odds wanted: about the truth, or last of none."""
    t = times_s(0.0)
    there = np.isfinite(truth_s) & (truth_s > t[0]) & (truth_s < t[-1])
    near = np.exp(-0.5 * ((t - np.where(there, truth_s, 0.0)[:, None]) / BLUR_S) ** 2)
    near *= there[:, None] / (near.sum(axis=1, keepdims=True) + 1e-12)
    return np.column_stack([near, ~there]).astype(np.float32)


def _layers(net: Any) -> list[Any]:
    """Return the layers in the order of analysis.ear.firstbreak.shapes."""
    return [net.first, *net.layers, net.step, net.none, net.last]


def _go_on(net: Any) -> None:
    """Give a net the weights that the program has for any buzzer; none to further clues."""
    import torch

    kept = iter(torch.tensor(piece.copy()) for piece in firstbreak.weights_for(COUNTS[0]))
    with torch.no_grad():
        for layer in _layers(net):
            weight = next(kept)
            if layer.weight.ndim == 3:
                out, count, taps = layer.weight.shape
                weight = weight.reshape(out, taps, -1).transpose(1, 2)
                weight = torch.nn.functional.pad(weight, (0, 0, 0, count - weight.shape[1]))
            layer.weight.copy_(weight)
            layer.bias.copy_(next(kept))


def _fit(net: Any, met: Met, epochs: int, quickest: float, check: Any) -> None:
    import torch

    rng = np.random.default_rng(0)
    wanted, last = (torch.tensor(_targets(s)) for s in (met.truth_s, met.settled_s))
    steps = -(-len(met.said_s) // BATCH)
    adam = torch.optim.AdamW(net.parameters(), weight_decay=1e-3)
    rate = torch.optim.lr_scheduler.OneCycleLR(
        adam, quickest, total_steps=epochs * steps, pct_start=0.15
    )
    for epoch in range(epochs):
        net.train()
        for some in np.array_split(rng.permutation(len(met.said_s)), steps):
            x = torch.tensor(met.clues[some].astype(np.float32))
            for clue, share in zip(SAID, (0.2, 0.1, 0.2), strict=True):  # not to lean on them
                x[rng.random(len(some)) < share, clue] = 0.0
            begins, settles = (torch.log_softmax(logits, 1) for logits in net(x))
            loss = -(wanted[some] * begins).sum(1).mean()
            loss -= SETTLES * (last[some, :-1] * settles).sum(1).mean()
            adam.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
            adam.step()
            rate.step()
        net.eval()
        check(epoch, net)


def _kept(net: Any) -> npt.NDArray[np.float16]:
    """Return the weights of all layers."""

    def flat(layer: Any) -> list[Array]:
        weight = layer.weight.detach().numpy()
        if weight.ndim == 3:
            weight = weight.transpose(0, 2, 1)
        return [weight.ravel(), layer.bias.detach().numpy()]

    return np.concatenate([part for layer in _layers(net) for part in flat(layer)]).astype("<f2")


def write_weights(values: npt.NDArray[np.float16], path: Path) -> None:
    """Write the weights as the module that the ear reads them from."""
    text = base64.b85encode(values.tobytes()).decode()
    lines = "\n".join(f'    "{text[k : k + 88]}"' for k in range(0, len(text), 88))
    path.write_text(
        '"""The weights of a first-break net: float16, little-endian, in base 85.\n\n'
        'Made by tests/bench/ear_training.py; not to be edited.\n"""\n\n'
        f"WEIGHTS = (\n{lines}\n)\n"
    )


@click.group()
def main() -> None:
    """Train the first-break net."""


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--first", default=TRAINING_SEEDS.start, show_default=True, help="First seed.")
@click.option("--count", default=len(TRAINING_SEEDS), show_default=True, help="How many seeds.")
@click.option("--growls", is_flag=True, help="Keep what was met of growls, for their net.")
def harvest(folder: Path, first: int, count: int, growls: bool) -> None:
    """Make scenes, let the ear hear them, keep the clues of each change it met with its truth."""
    folder.mkdir(exist_ok=True, parents=True)
    for seed in range(first, first + count):
        wider = any(seed in seeds for seeds in WIDER_SEEDS)
        worlds = ["altered" if wider else WORLDS[(seed // len(scenes.BUZZERS)) % 2]]
        if seed % 10 == 0 and not wider:
            worlds.append("keyed")
        for world in worlds:
            path = folder / f"{world}-{seed}.npz"
            if not path.exists():
                met = meet(*draw_scene(seed, world), COUNTS[growls])
                np.savez(path, **vars(met))


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("weights", type=click.Path(path_type=Path))
@click.option("--epochs", default=7, show_default=True)
@click.option("--anew", is_flag=True, help="Begin with no weights: 11 epochs or more.")
def train(folder: Path, weights: Path, epochs: int, anew: bool) -> None:
    """Fit a net to what was harvested, show how it does on other seeds, write its weights.

    It goes on from the weights that the program has for any buzzer.
    """
    import torch

    torch.manual_seed(0)
    torch.set_num_threads(1)
    fitted = set(itertools.chain(TRAINING_SEEDS, MORE_SEEDS, *WIDER_SEEDS))
    met, _, _ = load(folder, fitted - set(VALIDATION_SEEDS))
    other, seeds, worlds = load(folder, VALIDATION_SEEDS)
    click.echo(f"{len(met.said_s)} changes to fit, {len(other.said_s)} to check")

    def check(epoch: int, net: Any) -> None:
        if epoch % 4 != 3 and epoch != epochs - 1:
            return
        with torch.no_grad():
            x = torch.tensor(other.clues.astype(np.float32))
            odds = torch.softmax(net(x)[0], 1).numpy()[:, :-1].astype(float)
        t = times_s(0.0)
        told = np.array(
            [
                BreakOdds(t, o / o.sum()).with_opinion(said_s)[0]
                for o, said_s in zip(odds, other.said_s, strict=True)
            ]
        )
        for number, world in enumerate(WORLDS[:2]):
            part, shares = worlds == number, []
            for buzzer in scenes.BUZZERS:
                these = part & np.array([_buzzer(seed) == buzzer for seed in seeds.tolist()])
                if not these.any():
                    continue
                hit = (
                    np.mean(np.abs(moment_s[these] - other.truth_s[these]) < 0.005)
                    for moment_s in (other.said_s, told)
                )
                shares.append(f"{buzzer} {' > '.join(f'{h:.3f}' for h in hit)}")
            if shares:
                click.echo(f"{epoch} {world}: {', '.join(shares)}")

    net = _net(met.clues.shape[1])
    if not anew:
        _go_on(net)
    _fit(net, met, epochs, 3e-3 if anew else 1.5e-3, check)
    write_weights(_kept(net), weights)


def _buzzer(seed: int) -> str:
    growl = (
        seed in GROWL_SEEDS or seed in MORE_GROWL_SEEDS or (seed in STRUCK_SEEDS and seed % 3 == 0)
    )
    return "growl" if growl else scenes.BUZZERS[seed % len(scenes.BUZZERS)]


if __name__ == "__main__":
    main()
