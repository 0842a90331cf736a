"""Make the shipped sample: a museum volunteer times the engine of a fire pump by ear.

Run it from anywhere; it needs the project, and flite for the volunteer's voice, and writes
beside itself::

    python samples/make_fire_pump.py

fire-pump.m4a
    Two minutes from a phone on the bench: a shop, a buzzer that sounds while the points are
    open, a ratchet, a dropped spanner, and the volunteer, who says each step and reading aloud.
    AAC, encoded by the real thing.
fire-pump.toml
    The engine's sheet: an invented two-cylinder petrol engine whose cylinders fire 360 degrees
    apart, points to open at 28 before.
fire-pump.csv
    What the volunteer read off the wheel, and when.
fire-pump.truth.json
    What was really so: the moments of the contact, the true angles, the wheel's error, the words.

The story. The wheel is bolted on 1.5 degrees out. With the buzzer not yet clipped on, the piston
is brought against the stop from either side, for each cylinder. Then the buzzer is clipped on and
each cylinder gets three sweeps: up to the opening in the running direction, a few seconds to read
the wheel and say it, back to about 55 before with the ratchet so that the lash is taken up next
time. On the way back the points close. Cylinder 1 is right; cylinder 2 opens three degrees late.

The sound of the buzzer, the room and the shop, and how finely a wheel is read, are plausible
numbers from memory. A seed fixes everything; the encoder's version may change the coding.
"""

import csv
import json
import subprocess
import tempfile
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal

from analysis.spoken.language import say
from analysis.wheel import parse

Array = npt.NDArray[np.float64]

FOLDER = Path(__file__).resolve().parent
NAME = "fire-pump"
RATE = 48_000
SECONDS = 121.0
SEED = 1934

WHEEL_ERROR_DEG = 1.5
OPENS_DEG = {"1": 28.1, "2": 25.0}
SWEEP_SD_DEG = 0.08
READING_SD_DEG = 0.12

ATTACK_S, RELEASE_S = 0.004, 0.009  # to 95 per cent
PITCH_HZ = 2870.0
VOICE, SLOWER = "slt", 1.2
VOICE_LEVEL, VOICE_IN_ROOM = 1.1, 0.1  # of the buzzer's: the phone lies near
BIT_RATE = 80_000

SHEET = """\
# An invented engine. Figures for a sheet of your own: copy this file and change it.
name = "Museum fire pump, two-cylinder petrol engine"

[ignition]
opens_at = "28 before"      # at full advance
tolerance_deg = 1.0
cam_speed = "half"          # of the crank

[crank]
stroke_mm = 84.0
rod_mm = 160.0

[wheel]
marks = "before-after"
graduation_deg = 1.0

[[cylinder]]
name = "1"
fires_at = 0

[[cylinder]]
name = "2"
fires_at = 360              # crank degrees after cylinder 1
"""


@dataclass(frozen=True)
class Move:
    """One change of the contact.

    Attributes
    ----------
    toggles : tuple of int
        Samples at which the contact moves; an odd number, more than one where it chatters.
    opens : bool
        Whether the points are open afterwards.
    """

    toggles: tuple[int, ...]
    opens: bool


@dataclass(frozen=True)
class Sweep:
    """One sweep: the opening, its true angle and its reading, and the closing on the way back."""

    cylinder: str
    opening: Move
    closing: Move
    angle_deg: float
    read_s: float
    reading: str


@dataclass(frozen=True)
class Stop:
    """A reading with the piston on the stop."""

    cylinder: str
    read_s: float
    reading: str


@dataclass(frozen=True)
class Saying:
    """What the volunteer says, and when it begins."""

    at_s: float
    words: str


def main() -> None:
    """Make the four files."""
    rng = np.random.default_rng(SEED)
    stops = make_stops(rng)
    sweeps = make_sweeps(rng)
    sayings = make_sayings(stops, sweeps)
    sound = make_sound(rng, sweeps, sayings)
    write_m4a(FOLDER / f"{NAME}.m4a", sound)
    (FOLDER / f"{NAME}.toml").write_text(SHEET, encoding="utf-8")
    write_readings(FOLDER / f"{NAME}.csv", stops, sweeps)
    write_truth(FOLDER / f"{NAME}.truth.json", sweeps, sayings)


# The job


def in_quarters(angle_deg: float) -> str:
    """Write a number in the trade's quarters, as a whole and a fraction."""
    quarters = round(4.0 * angle_deg)
    fraction = ("", " 1/4", " 1/2", " 3/4")[quarters % 4]
    return f"{quarters // 4}{fraction}"


def as_read(rng: np.random.Generator, wheel_deg: float) -> float:
    """Read the wheel by eye, to the nearest quarter."""
    return round(4.0 * (wheel_deg + rng.normal(0.0, READING_SD_DEG))) / 4.0


def make_stops(rng: np.random.Generator) -> list[Stop]:
    """Bring each piston against the stop from either side."""
    stops = []
    at = 7.5
    for cylinder, half_deg in (("1", 24.5), ("2", 26.4)):
        for side, sign in (("before", 1.0), ("after", -1.0)):
            shown = as_read(rng, half_deg + sign * WHEEL_ERROR_DEG)
            stops.append(Stop(cylinder, round(at, 1), f"{in_quarters(shown)} {side}"))
            at += rng.uniform(8.6, 9.6)
        at += 6.0
    return stops


def make_sweeps(rng: np.random.Generator) -> list[Sweep]:
    """Sweep each cylinder three times through its opening."""
    ways = ("{} before", "{} before", "{} btdc", "{} before", "{}", "{} before")
    chatter_s = (0.0, 0.012, 0.0, 0.0, 0.026, 0.005)
    sweeps = []
    at = 51.0
    for i in range(6):
        cylinder = "1" if i < 3 else "2"
        angle = OPENS_DEG[cylinder] + rng.normal(0.0, SWEEP_SD_DEG)
        opens_s = at + rng.uniform(0.0, 1.2)
        closes_s = opens_s + rng.uniform(4.6, 5.8)
        shown = as_read(rng, angle + WHEEL_ERROR_DEG)
        number = f"{shown:g}" if i in (1, 4) else in_quarters(shown)
        sweeps.append(
            Sweep(
                cylinder=cylinder,
                opening=make_move(rng, opens_s, chatter_s[i], opens=True),
                closing=make_move(rng, closes_s, 0.007 if i == 2 else 0.0, opens=False),
                angle_deg=round(angle, 3),
                read_s=round(opens_s + rng.uniform(2.2, 3.6), 1),
                reading=ways[i].format(number),
            )
        )
        at += 15.6 if i == 2 else 10.8
    return sweeps


def make_sayings(stops: list[Stop], sweeps: list[Sweep]) -> list[Saying]:
    """Say each step and cylinder when it changes, and every reading."""
    sayings = [
        Saying(1.0, "stop."),
        *(Saying(stop.read_s, in_words(stop.reading)) for stop in stops),
        Saying(stops[2].read_s - 6.4, "cylinder two."),
        Saying(stops[3].read_s + 5.4, "cylinder one. opening."),
    ]
    for before, sweep in zip([None, *sweeps], sweeps, strict=False):
        if before and before.cylinder != sweep.cylinder:
            sayings.append(Saying(sweep.opening.toggles[0] / RATE - 4.0, "cylinder two."))
        sayings.append(Saying(sweep.read_s, in_words(sweep.reading)))
    return sorted(sayings, key=lambda saying: saying.at_s)


def in_words(reading: str) -> str:
    """Say a reading as it is read off the wheel."""
    return say(parse(reading)).replace(",", "")


def make_move(rng: np.random.Generator, at_s: float, chatter_s: float, *, opens: bool) -> Move:
    """Move the contact once, or let it chatter for a while first."""
    first = round(at_s * RATE)
    if chatter_s == 0.0:
        return Move((first,), opens)
    moves = np.sort(rng.uniform(0.0, chatter_s, 4 if chatter_s > 0.01 else 2))
    moves = moves[:-1] if len(moves) % 2 else moves
    moves[-1] = chatter_s
    return Move((first, *(first + round(float(move) * RATE) for move in moves)), opens)


# The sound


def make_sound(rng: np.random.Generator, sweeps: list[Sweep], sayings: list[Saying]) -> Array:
    """Return what the phone hears."""
    n = round(SECONDS * RATE)
    buzzer = signal.oaconvolve(make_buzzer(rng, sweeps, n), room(rng))[:n]
    buzzer /= np.sqrt(np.mean(buzzer[np.abs(buzzer) > 0.05] ** 2))
    shop = signal.oaconvolve(make_tools(rng, sweeps, n), room(rng))[:n]
    background = make_background(rng, n)
    voice = make_voice(sayings, n)
    voice += VOICE_IN_ROOM * (signal.oaconvolve(voice, room(rng))[:n] - voice)
    sound = buzzer + shop + background + VOICE_LEVEL * voice
    return 0.7 * sound / np.max(np.abs(sound))


def make_buzzer(rng: np.random.Generator, sweeps: list[Sweep], n: int) -> Array:
    """Return the buzzer: a piezo with harmonics whose pitch sags, behind its envelope."""
    toggles = sorted(
        toggle for sweep in sweeps for move in (sweep.opening, sweep.closing)
        for toggle in move.toggles
    )  # fmt: skip
    envelope = np.zeros(n)
    level = 0.0
    for i, start in enumerate(toggles):
        end = toggles[i + 1] if i + 1 < len(toggles) else n
        t = np.arange(1, end - start + 1) / RATE
        target, took = (1.0, ATTACK_S) if i % 2 == 0 else (0.0, RELEASE_S)
        envelope[start:end] = target + (level - target) * np.exp(-3.0 * t / took)
        level = float(envelope[end - 1])
    sag = np.interp(np.arange(n), np.linspace(0, n, 7), 1.0 - 0.012 * np.linspace(0, 1, 7) ** 1.4)
    phase = 2.0 * np.pi * np.cumsum(PITCH_HZ * sag) / RATE
    tone = np.zeros(n)
    for k, weight in enumerate((1.0, 0.18, 0.3, 0.05, 0.08), start=1):
        tone += weight * np.cos(k * phase + rng.uniform(0.0, 2.0 * np.pi))
    return envelope * tone


def make_voice(sayings: list[Saying], n: int) -> Array:
    """Return the volunteer's voice, as loud as 1 while it speaks."""
    x = np.zeros(n)
    for saying in sayings:
        spoken = speak(saying.words)
        at = round(saying.at_s * RATE)
        x[at : at + len(spoken)] += spoken[: n - at]
    return x / np.sqrt(np.mean(x[np.abs(x) > 0.01 * np.max(np.abs(x))] ** 2))


def speak(words: str) -> Array:
    """Return words as flite's voice says them, at RATE."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        command = ["flite", "-voice", VOICE, "--setf", f"duration_stretch={SLOWER}"]
        subprocess.run([*command, "-t", words, "-o", str(path)], check=True)
        with wave.open(str(path)) as file:
            spoken = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
            return signal.resample_poly(spoken, RATE, file.getframerate())


def room(rng: np.random.Generator) -> Array:
    """Return the response of a brick shop: direct sound, a few reflections, a tail."""
    t = np.arange(int(0.4 * RATE)) / RATE
    response = rng.normal(size=len(t)) * 10 ** (-3.0 * t / 0.5) * (t > 0.010)
    response *= np.sqrt(0.12 / np.sum(response**2))
    response[0] = 1.0
    for delay, strength in ((0.0026, 0.28), (0.0061, -0.22), (0.0094, 0.17), (0.0148, 0.12)):
        response[int(delay * RATE)] += strength
    return response


def ring(rng: np.random.Generator, modes_hz: Array, decay_s: float) -> Array:
    """Return the ring of something struck."""
    t = np.arange(int(7.0 * decay_s * RATE)) / RATE
    x = np.zeros(len(t))
    for f in modes_hz:
        own = decay_s * rng.uniform(0.5, 1.0)
        x += (
            rng.uniform(0.4, 1.0)
            * np.exp(-t / own)
            * np.sin(2 * np.pi * f * t + rng.uniform(0.0, 6.28))
        )
    return x


def make_tools(rng: np.random.Generator, sweeps: list[Sweep], n: int) -> Array:
    """Return the ratchet as the crank is moved, a spanner laid down and one dropped."""
    x = np.zeros(n)

    def put(piece: Array, at_s: float, level: float) -> None:
        start = int(at_s * RATE)
        end = min(start + len(piece), n)
        x[start:end] += level * piece[: end - start]

    ratchet_hz = np.array([2350.0, 3720.0, 5600.0, 7900.0])
    spells = [(4.4, 1.2), (11.6, 2.4), (21.6, 0.9), (37.4, 2.0), (44.0, 0.7), (49.0, 0.7)]
    for sweep in sweeps:
        closes_s = sweep.closing.toggles[-1] / RATE
        spells += [(closes_s + 0.5, 1.5), (closes_s + 2.4, 0.8)]
        spells.append((sweep.opening.toggles[0] / RATE - rng.uniform(0.9, 1.4), 0.7))
    for start_s, lasts_s in spells:
        at_s = start_s
        while at_s < min(start_s + lasts_s, SECONDS - 0.5):
            put(ring(rng, ratchet_hz * rng.normal(1.0, 0.01), 0.002), at_s, rng.uniform(0.5, 1.3))
            at_s += rng.normal(0.075, 0.008)
    for at_s, level in ((22.2, 1.0), (64.2, 0.7)):  # laid down
        put(ring(rng, np.array([610.0, 1480.0, 2210.0, 4020.0]), 0.03), at_s, level)
    gap_s, level, at_s = 0.24, 1.6, 84.0  # dropped: a bar's modes, some bounces
    for _ in range(4):
        put(ring(rng, 1130.0 * np.array([1.0, 2.756, 5.404]), 0.22), at_s, level)
        at_s, gap_s, level = at_s + gap_s, 0.6 * gap_s, 0.6 * level
    return x


def make_background(rng: np.random.Generator, n: int) -> Array:
    """Return the shop itself: air, a distant compressor's hum, a tractor going past."""
    f = np.fft.rfftfreq(n, 1.0 / RATE)
    air = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) / np.sqrt(np.maximum(f, 40.0)), n)
    air *= 10 ** (-16.0 / 20.0) / np.std(air)
    t = np.arange(n) / RATE
    hum = sum(k**-1.2 * np.sin(2.0 * np.pi * 50.0 * k * t + k * k) for k in range(1, 9))
    passes = np.exp(-(((t - 95.0) / 7.0) ** 2))
    pulse = np.tanh(4.0 * np.sin(2.0 * np.pi * np.cumsum(23.0 + np.sin(0.3 * t)) / RATE)) * passes
    tractor = signal.sosfilt(signal.butter(2, 400.0, fs=RATE, output="sos"), pulse)
    return air + 0.06 * hum + 0.15 * tractor


# The files


def write_m4a(path: Path, sound: Array) -> None:
    """Encode a mono sound as AAC in an M4A file."""
    import av

    with av.open(str(path), "w", format="ipod", options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream("aac", rate=RATE, layout="mono")
        stream.bit_rate = BIT_RATE
        frame = av.AudioFrame.from_ndarray(
            sound[None, :].astype(np.float32), format="flt", layout="mono"
        )
        frame.sample_rate = RATE
        frame.pts = 0
        resampler = av.AudioResampler(
            format=stream.codec_context.format.name, layout="mono", rate=RATE, frame_size=1024
        )
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))


def write_readings(path: Path, stops: list[Stop], sweeps: list[Sweep]) -> None:
    """Write what the volunteer read, in order of time."""
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["time_s", "step", "cylinder", "reading"])
        rows.writerows([stop.read_s, "stop", stop.cylinder, stop.reading] for stop in stops)
        rows.writerows([s.read_s, "opening", s.cylinder, s.reading] for s in sweeps)


def write_truth(path: Path, sweeps: list[Sweep], sayings: list[Saying]) -> None:
    """Write what was really so."""

    def moment(move: Move) -> dict[str, object]:
        return {
            "time_s": round(move.toggles[0] / RATE, 6),
            "settled_s": round(move.toggles[-1] / RATE, 6),
            "points": "open" if move.opens else "closed",
            "change": "starts" if move.opens else "stops",
        }

    truth = {
        "sounding": "open",
        "wheel_error_deg": WHEEL_ERROR_DEG,
        "opens_at_deg": OPENS_DEG,
        "changes": [moment(move) for s in sweeps for move in (s.opening, s.closing)],
        "openings": [
            {
                "cylinder": s.cylinder,
                "time_s": round(s.opening.toggles[0] / RATE, 6),
                "angle_deg": s.angle_deg,
                "reading": s.reading,
            }
            for s in sweeps
        ],
        "said": [{"at_s": round(s.at_s, 2), "words": s.words} for s in sayings],
    }
    path.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
