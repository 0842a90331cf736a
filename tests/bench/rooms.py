"""Minutes of sound with no buzzer in it that most resembles one.

They are of instruments, of blows, of someone who whistles or hums, or hinges that squeak, of
machines that are switched on and off, of air that is let out, and of two to four of the bench's
noises at once.

Instruments play chords, a tune, a bass and drums, or some of these, through a small loudspeaker:
sampled ones, by ``fluidsynth`` (Debian's packages ``fluidsynth`` and ``timgm6mb-soundfont``) from a
score written with ``mido``. Blows ring alike each time, as those on one piece of iron do. Times,
keys and timbres are drawn at random; no tune is anybody's.
"""

import shutil
import subprocess
import tempfile
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal
from scipy.io import wavfile

from . import scenes

Sound = npt.NDArray[np.float32]
Rng = np.random.Generator

RATE = 48_000
SECONDS = 60
FONT = "/usr/share/sounds/sf2/TimGM6mb.sf2"
TICKS = 480
HELD = (*range(16, 24), 48, 49, 50, 52, 53, 60, 68, 71, 73, 74, 75, 79, 80, 81, 82, 88, 89, 90, 91)
"""General MIDI programs whose notes last: organs, strings, winds, voices, pads."""
STRUCK = (0, 4, 6, 10, 11, 12, 24, 25, 26, 45, 46, 98, 104, 105, 106, 108)
BASSES = (32, 33, 35, 38, 43, 58)
SCALE = (0, 2, 4, 5, 7, 9, 11)
VOICES = {"whistle": (500.0, 1800.0), "hum": (85.0, 280.0), "squeak": (600.0, 3500.0)}
"""Between which their lowest note is, in Hz."""
DRUMS = 9
"""Their channel."""


def instruments(seed: int) -> Sound:
    """Return a minute of instruments at RATE."""
    import mido

    rng = np.random.default_rng([seed, 77])
    notes, programs = _score(rng)
    events = [
        (0, mido.Message("program_change", channel=i, program=p)) for i, p in enumerate(programs)
    ]
    for channel, key, at, lasts, loud in notes:
        on, off = int(at * TICKS), int((at + lasts) * TICKS) - 2
        events.append((on, mido.Message("note_on", channel=channel, note=key, velocity=loud)))
        events.append((off, mido.Message("note_off", channel=channel, note=key)))
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(rng.uniform(60.0, 150.0))))
    now = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    with tempfile.TemporaryDirectory() as folder:
        score, played = Path(folder) / "score.mid", Path(folder) / "played.wav"
        mido.MidiFile(ticks_per_beat=TICKS, tracks=[track]).save(score)
        command = ["fluidsynth", "-ni", "-q", "-r", str(RATE), "-F", str(played), FONT, str(score)]
        subprocess.run(command, check=True, capture_output=True)
        x = wavfile.read(played)[1][: SECONDS * RATE].mean(axis=1)
    if rng.random() < 0.7:
        band = [rng.uniform(120.0, 400.0), rng.uniform(3500.0, 9000.0)]
        x = signal.sosfilt(signal.butter(2, band, "bandpass", fs=RATE, output="sos"), x)
        x = np.tanh(0.7 * x / x.std())
    return _in_a_room(x, rng)


def _score(rng: Rng) -> tuple[list[tuple[int, int, float, float, int]], list[int]]:
    """Return notes (channel, key, beat, beats, loudness) and the channels' programs."""
    lead = HELD if rng.random() < 0.6 else STRUCK
    programs = [int(rng.choice(those)) for those in (HELD, lead, BASSES)]
    chords, bass, drums = rng.random(3) < (0.8, 0.7, 0.6)
    tune = rng.random() < 0.85 or not chords
    root, bar = int(rng.integers(43, 56)), int(rng.choice([3, 4, 4, 4]))
    degrees = rng.choice([0, 3, 4, 5, 1], size=rng.integers(2, 5))
    riff = [_figure(rng) for _ in range(16)]
    repeats = rng.random() < 0.5
    notes = []
    for i, beat in enumerate(range(0, 150, bar)):
        degree = int(degrees[i % len(degrees)])
        for third in (0, 2, 4) if chords else ():
            lasts = bar * rng.choice([1.0, 1.0, 0.95, 0.9])
            notes.append((0, root + 12 + _key(degree + third), beat, lasts, rng.integers(50, 90)))
        for quarter in range(bar):
            at = beat + quarter
            if bass and rng.random() < 0.8:
                notes.append((2, root - 12 + _key(degree), at, 0.9, rng.integers(60, 100)))
            if drums:
                notes.append((DRUMS, 36 + 2 * (quarter % 2), at, 0.2, rng.integers(70, 110)))
                notes.append((DRUMS, 42, at + 0.5, 0.1, rng.integers(40, 80)))
        gone, figure = 0.0, 0
        while tune and gone < bar - 0.01:
            lasts, step, sounds = riff[figure % 16] if repeats else _figure(rng)
            lasts = min(lasts, bar - gone)
            if sounds:
                key = root + 24 + _key(step)
                notes.append((1, key, beat + gone, 0.95 * lasts, rng.integers(60, 110)))
            gone, figure = gone + lasts, figure + 1
    return [(c, int(k), float(a), float(d), int(v)) for c, k, a, d, v in notes], programs


def _figure(rng: Rng) -> tuple[float, int, bool]:
    """Return a note of a tune: how many beats, which step of the scale, and whether it sounds."""
    beats = float(rng.choice([0.25, 0.5, 0.5, 1.0, 2.0]))
    return beats, int(rng.integers(0, 10)), bool(rng.random() < 0.8)


def _key(degree: int) -> int:
    return 12 * (degree // 7) + SCALE[degree % 7]


def blows(seed: int) -> Sound:
    """Return a minute of blows that ring alike at RATE, fast or slow, with rests."""
    rng = np.random.default_rng([seed, 78])
    t = np.arange(2 * RATE) / RATE
    ring = np.zeros(len(t))
    for _ in range(rng.integers(3, 12)):
        hz, dies_s = np.exp(rng.uniform(6.0, 9.0)), np.exp(rng.uniform(-4.5, -0.9))
        wave = np.sin(2.0 * np.pi * (hz * t + rng.random()))
        ring += rng.uniform(0.2, 1.0) * wave * np.exp(-t / dies_s)
    x = np.zeros((SECONDS + 3) * RATE)
    every_s, uneven = np.exp(rng.uniform(-1.6, 0.4)), rng.uniform(0.03, 0.4)
    at_s = rng.uniform(0.2, 2.0)
    while at_s < SECONDS:
        knock = rng.normal(size=len(t)) * np.exp(-t / 0.002)
        first = int(at_s * RATE)
        x[first : first + len(t)] += rng.uniform(0.6, 1.2) * (ring + rng.uniform(0.2, 1.0) * knock)
        at_s += every_s * np.exp(rng.normal(0.0, uneven))
        at_s += rng.uniform(1.0, 4.0) if rng.random() < 0.12 else 0.0
    if rng.random() < 0.6:
        n = int(rng.uniform(0.1, 0.5) * RATE)
        x = signal.oaconvolve(x, echo(rng.normal(size=n), rng.uniform(0.2, 0.8)))
    return _in_a_room(x[: SECONDS * RATE], rng)


def glides(seed: int) -> Sound:
    """Return a minute of whistling, humming or squeaking at RATE: notes that glide and waver."""
    rng = np.random.default_rng([seed, 79])
    kind = str(rng.choice(list(VOICES)))
    root_hz = rng.uniform(*VOICES[kind])
    longest_s, gap_s = rng.uniform(0.3, 1.5), rng.uniform(0.02, 0.8)
    every_s = rng.uniform(0.3, 2.0) if kind == "squeak" and rng.random() < 0.6 else 0.0
    factor, loud = np.ones(SECONDS * RATE), np.zeros(SECONDS * RATE)
    at_s, last = rng.uniform(0.1, 1.5), 1.0
    while at_s < SECONDS - 0.1:
        lasts_s = longest_s * rng.uniform(0.15, 1.0)
        note = 2.0 ** (_key(int(rng.integers(0, 8))) / 12.0)
        if kind == "squeak":
            note = float(np.exp(rng.normal(0.0, 0.03)))
        first, n = int(at_s * RATE), int(min(lasts_s, SECONDS - at_s) * RATE)
        bends = (0.06 if kind == "squeak" else 0.004) / max(lasts_s, 0.1)
        factor[first : first + n], loud[first : first + n] = _glide(rng, n, last, note, bends)
        last = note
        at_s += max(every_s, lasts_s) * float(np.exp(rng.normal(0.0, 0.03)))
        at_s += 0.0 if every_s else rng.uniform(0.0, gap_s)
        at_s += rng.uniform(1.0, 4.0) if rng.random() < 0.1 else 0.0
    phase = 2.0 * np.pi * np.cumsum(root_hz * factor) / RATE
    harmonics = {"whistle": 2, "hum": 18, "squeak": int(rng.integers(1, 6))}[kind]
    falls = {"whistle": 4.0, "hum": rng.uniform(0.7, 1.6), "squeak": rng.uniform(0.5, 2.0)}[kind]
    x = sum(np.sin(k * phase) / k**falls for k in range(1, harmonics + 1))
    breath = rng.uniform(0.0, 0.1) * rng.normal(size=len(loud))
    return _in_a_room(loud * (x + breath), rng)


def _glide(
    rng: Rng, n: int, last: float, note: float, bends: float
) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.floating]]:
    """Return pitch and loudness, as factors, of a note that comes from the last one's pitch.

    `bends` is how far its own bends in a second, in parts of it.
    """
    t = np.arange(n) / RATE
    slides = np.exp(-t / rng.uniform(0.01, 0.06))
    wavers = rng.uniform(0.0, 0.012) * np.sin(2.0 * np.pi * rng.uniform(4.0, 7.0) * t)
    bent = rng.normal(0.0, bends) * t
    swells, dies = rng.uniform(0.004, 0.06, 2)
    shape = np.minimum(1.0, t / swells) * np.minimum(1.0, t[::-1] / dies)
    loud = 10.0 ** (rng.normal(0.0, 2.5) / 20.0) * shape
    return note * (last / note) ** slides * (1.0 + wavers + bent), loud


def machines(seed: int) -> Sound:
    """Return a minute of a drill, a grinder or a pump at RATE, switched on and off."""
    rng = np.random.default_rng([seed, 80])
    on, at_s = np.zeros(SECONDS * RATE), rng.uniform(0.2, 3.0)
    longest_s, rests_s = rng.uniform(0.5, 8.0), rng.uniform(0.5, 8.0)
    while at_s < SECONDS:
        lasts_s = longest_s * rng.uniform(0.2, 1.0)
        on[int(at_s * RATE) : int((at_s + lasts_s) * RATE)] = 1.0
        at_s += lasts_s + rests_s * rng.uniform(0.2, 1.0)
    speed = _spun(on, rng.uniform(0.02, 0.5), rng.uniform(0.05, 1.0))
    load = signal.lfilter([0.0005], [1.0, -0.9995], rng.normal(size=len(on)))
    speed *= 1.0 + rng.uniform(0.0, 0.03) * load / load.std()
    phase = 2.0 * np.pi * np.cumsum(rng.uniform(30.0, 400.0) * speed) / RATE
    x = np.zeros(len(on))
    for _ in range(rng.integers(4, 25)):
        multiple = int(rng.integers(1, 16))
        x += rng.uniform(0.1, 1.0) * np.sin(multiple * phase + rng.uniform(0.0, 6.3))
    band = [rng.uniform(100.0, 1000.0), 8000.0]
    rough = signal.butter(1, band, "bandpass", fs=RATE, output="sos")
    rough = signal.sosfilt(rough, rng.normal(size=len(on)))
    x = x / x.std() + rng.uniform(0.2, 3.0) * rough / rough.std()
    return _in_a_room(x * speed ** rng.uniform(0.7, 2.0), rng)


def valves(seed: int) -> Sound:
    """Return a minute of an air line's valve that is opened and shut, at RATE."""
    rng = np.random.default_rng([seed, 82])
    n = SECONDS * RATE
    steps_s = np.cumsum(rng.uniform(*np.sort(rng.uniform(0.1, 6.0, 2)), SECONDS * 10))
    on = np.searchsorted(steps_s, np.arange(n) / RATE) % 2
    opens = signal.lfilter([1.0], [1.0, -np.exp(-1 / (rng.uniform(0.001, 0.02) * RATE))], on)
    band = np.sort(np.exp(rng.uniform(np.log(200.0), np.log(12e3), 2)) * [0.8, 1.25])
    band_pass = signal.butter(1, band, "bandpass", fs=RATE, output="sos")
    return _in_a_room(opens / opens.max() * signal.sosfilt(band_pass, rng.normal(size=n)), rng)


def mixtures(seed: int) -> Sound:
    """Return a minute of some of the bench's noises at once, at RATE."""
    rng = np.random.default_rng([seed, 81])
    x = np.zeros(SECONDS * RATE)
    for noise in rng.choice(scenes.NOISES, size=rng.integers(2, 5), replace=False):
        alone = scenes.no_buzzer_scene(noise, seed, SECONDS, RATE, agc=False, codec="none").samples
        x += 10.0 ** (rng.uniform(-12.0, 0.0) / 20.0) * alone / alone.std()
    return _in_a_room(x, rng)


def _spun(
    on: npt.NDArray[np.floating], starts_s: float, stops_s: float
) -> npt.NDArray[np.floating]:
    """Return how fast a motor turns, in parts of its speed, that is on where `on` is 1."""
    speed, step = np.zeros(len(on)), RATE // 1000
    for i in range(step, len(on), step):
        slow_s = starts_s if on[i] else stops_s
        speed[i : i + step] = speed[i - 1] + (on[i] - speed[i - 1]) * step / RATE / slow_s
    return speed


def echo(noise: npt.NDArray[np.floating], part: float) -> npt.NDArray[np.floating]:
    """Return the response of a room that rings: the sound itself, and after it, as loud as `part`
    of it altogether, noise that dies away by 60 dB.
    """
    n = len(noise)
    rings = noise * 10.0 ** (-3.0 * np.arange(n) / n)
    rings *= part / np.sqrt(np.sum(rings**2))
    rings[0] += 1.0
    return rings


def _in_a_room(x: npt.NDArray[np.floating], rng: Rng) -> Sound:
    """Return it as a microphone hears it: with some noise, 15 to 45 dB below."""
    noise = np.cumsum(rng.normal(size=len(x))) if rng.random() < 0.3 else rng.normal(size=len(x))
    noise = signal.sosfilt(signal.butter(1, 60.0, "highpass", fs=RATE, output="sos"), noise)
    x = x / x.std() + 10.0 ** (-rng.uniform(15.0, 45.0) / 20.0) * noise / noise.std()
    return (0.5 * x / np.abs(x).max()).astype(np.float32)


KINDS = {
    "instruments": instruments,
    "blows": blows,
    "glides": glides,
    "machines": machines,
    "valves": valves,
    "mixtures": mixtures,
}


def here() -> list[str]:
    """Return those that can be made on this machine."""
    can_play = shutil.which("fluidsynth") and Path(FONT).exists() and find_spec("mido")
    return [name for name in KINDS if name != "instruments" or can_play]
