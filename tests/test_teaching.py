"""Teaching a buzzer, hearing with it, and the way of the sound, through the real commands."""

import json

import numpy as np
import pytest
import soundfile
from bench.scenes import no_buzzer_scene
from click.testing import CliRunner
from scipy.signal import butter, fftconvolve, sosfilt

from analysis.change import Change
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.live import LiveEar
from analysis.ear.recording import hear
from analysis.ear.retune import retune
from analysis.ear.spectrum import FrameGrid
from analysis.ear.teaching import sounding_of, teach
from analysis.sound import Block
from analysis.soundspeed import sound_delay, speed_of_sound
from listen import buzzers
from listen.cli import thirdear
from listen.errors import BadInput

RATE = 16_000
CHANGES_S = (2.0, 3.5, 5.2, 6.9, 8.0)
"""When the points open, close and so on, closed at first."""
SPANS = ("--closed-at", "0-2.9", "--open-at", "3.1-6")


def sound(changes_s, seconds, closed=0.2, opened=0.0, noise=0.003, pitches_hz=(2900, 2900)):
    """Return a tone of one amplitude and pitch while closed, of another while open."""
    t = np.arange(round(seconds * RATE)) / RATE
    is_open = np.searchsorted(changes_s, t, side="right") % 2 == 1
    one, two = (np.sin(2 * np.pi * hz * t) for hz in pitches_hz)
    hiss = noise * np.random.default_rng(5).normal(size=len(t))
    return np.clip(np.where(is_open, opened * two, closed * one) + hiss, -1, 1)


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Return a function that writes sounds into a folder of its own and runs a command there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("THIRDEAR_HOME", str(tmp_path / "home"))

    def call(*words, **sounds):
        for name, samples in sounds.items():
            soundfile.write(f"{name}.wav", samples, RATE)
        return CliRunner().invoke(thirdear, list(words), standalone_mode=False)

    return call


def changes(result):
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize(
    ("lesson", "job", "sounds"),
    [
        # Heard from further away: 20 dB less tone, as much noise.
        ({}, {"closed": 0.02}, "while the points are closed"),
        (
            {"closed": 0.0, "opened": 0.2},
            {"closed": 0.0, "opened": 0.9},
            "while the points are open",
        ),
        ({"opened": 0.08}, {"closed": 0.05, "opened": 0.02}, "in both states"),
        (
            {"opened": 0.2, "pitches_hz": (2900, 2200)},
            {"closed": 0.03, "opened": 0.03, "pitches_hz": (2900, 2200)},
            "in both states",
        ),
    ],
)
def test_taught_buzzer_is_heard_at_another_level(run, lesson, job, sounds):
    learnt = run("learn", "bench", "lesson.wav", *SPANS, lesson=sound([3], 6, **lesson))
    assert learnt.return_value == 0, learnt.output
    assert "told apart by" in learnt.stdout and sounds in learnt.stdout
    heard = run("hear", "job.wav", "--buzzer", "bench", "--json", job=sound(CHANGES_S, 10, **job))
    times_s = [change["time_s"] for change in changes(heard)]
    assert times_s == pytest.approx(CHANGES_S, abs=0.001)
    if "both" not in sounds:
        points = [change["points"] for change in changes(heard)]
        assert points == ["open", "closed", "open", "closed", "open"]


def test_two_recordings_teach_as_well(run):
    two = {"shut": sound([], 3), "apart": sound([0], 3)}
    learnt = run("learn", "bench", "--closed", "shut.wav", "--open", "apart.wav", **two)
    assert learnt.return_value == 0, learnt.output
    assert "at 2900 Hz; it sounds while the points are closed" in learnt.stdout


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (sound([], 6), "primary winding"),
        (sound([], 6, closed=3.0), "clipped"),
        (sound([], 6, closed=0.0, noise=0.0005), "too quiet"),
        (sound([3], 6, closed=0.001, noise=0.1), "noise is too loud"),
        (sound([2.2], 6), "for a while as the other"),
    ],
)
def test_states_that_cannot_be_told_apart_are_explained_and_not_kept(run, samples, words):
    learnt = run("learn", "bench", "lesson.wav", *SPANS, lesson=samples)
    assert learnt.return_value == 1
    assert words in learnt.stderr.splitlines()[-1]
    assert learnt.stdout == "" and buzzers.names() == []


@pytest.mark.parametrize(
    "words",
    [
        ("learn", "bench"),
        ("learn", "bench", "lesson.wav", "--closed-at", "0-2"),
        ("learn", "bench", "lesson.wav", "--closed-at", "2-0", "--open-at", "3-5"),
        ("learn", "bench", "lesson.wav", "--closed-at", "0-2", "--open-at", "30-40"),
        ("learn", "bench", "lesson.wav", "--closed-at", "0-0.3", "--open-at", "3-5"),
        ("learn", "../bench", "lesson.wav", *SPANS),
        ("hear", "lesson.wav", "--buzzer", "never-taught"),
    ],
)
def test_bad_use_is_told(run, words):
    refused = run(*words, lesson=sound([3], 6))
    assert isinstance(refused.exception, BadInput)


def test_an_unknown_name_lists_the_known_and_a_damaged_file_is_named(run):
    learnt = [run("learn", "bench", "lesson.wav", *SPANS, lesson=sound([3], 6)) for _ in range(2)]
    assert ["in place of an older one" in done.stdout for done in learnt] == [False, True]
    with pytest.raises(BadInput, match="known: bench"):
        buzzers.load("bunch")
    path = buzzers.folder() / "bench.json"
    whole = path.read_text(encoding="utf-8")
    for text in ("", "{}", "[1]", whole[:-40], whole.replace('"silent": 1', '"silent": 7')):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(BadInput, match=r"bench\.json.*teach it again"):
            buzzers.load("bench")
    path.write_text(whole, encoding="utf-8")
    for word in ("open", "both"):
        told = run("hear", "lesson.wav", "--buzzer", "bench", "--sounding", word)
        assert "taught to sound while the points are closed" in str(told.exception)


def print_of(samples, at_s, grid):
    edge = round(at_s * RATE)
    pieces = samples[:edge], samples[edge:]
    return teach(*(grid.powers(piece.astype(np.float32)) for piece in pieces), grid)


def test_a_print_survives_its_file():
    grid = FrameGrid.at_rate(RATE)
    lesson = print_of(sound([3], 6), 3, grid)
    again = buzzers.from_dict(json.loads(json.dumps(buzzers.as_dict(lesson.buzzer))))
    assert isinstance(again, BuzzerPrint) and again.quality == np.inf
    assert sounding_of(again) == "closed" and again.open_state == 1
    assert again.evidence == pytest.approx(lesson.buzzer.evidence, abs=1e-3)
    assert again.spectrum == pytest.approx(lesson.buzzer.spectrum, rel=1e-3)


def test_beeps_are_recognised():
    t = np.arange(6 * RATE) / RATE
    beeping = (t % 0.25 < 0.1) & (t >= 3)
    tone = 0.2 * beeping * np.sin(2 * np.pi * 2400 * t)
    samples = tone + 0.003 * np.random.default_rng(2).normal(size=len(t))
    lesson = print_of(samples, 3, FrameGrid.at_rate(RATE))
    assert lesson.trouble is None and sounding_of(lesson.buzzer) == "open"
    assert lesson.buzzer.pulse_s == pytest.approx((0.1, 0.15), abs=0.02)


def test_beeps_are_recognised_where_the_room_fills_their_gaps():
    t = np.arange(6 * RATE) / RATE
    beeping = ((t % 0.21 < 0.1) & (t >= 3)).astype(float)
    ring = np.exp(-np.arange(RATE // 2) / RATE / 0.05)
    tone = fftconvolve(beeping, ring / ring.sum())[: len(t)] * np.sin(2 * np.pi * 3400 * t)
    samples = 0.2 * tone + 1e-5 * np.random.default_rng(2).normal(size=len(t))
    lesson = print_of(samples, 3, FrameGrid.at_rate(RATE))
    assert lesson.buzzer.pulse_s is not None
    assert sum(lesson.buzzer.pulse_s) == pytest.approx(0.21, abs=0.01)


def test_the_points_are_not_both_closed_and_open_at_a_time(run):
    spans = ("--closed-at", "0-2.9", "--open-at", "2.5-5")
    result = run("learn", "mine", "lesson.wav", *spans, lesson=sound([3], 6))
    assert isinstance(result.exception, BadInput)
    assert "0-2.9 s" in str(result.exception) and "overlap" in str(result.exception)


@pytest.mark.parametrize("noise", [1e-4, 1e-5])
def test_two_pitches_are_heard_in_both_states_in_silence_too(noise):
    two = sound([3], 6, opened=0.2, noise=noise, pitches_hz=(3390, 2010))
    assert sounding_of(print_of(two, 3, FrameGrid.at_rate(RATE)).buzzer) == "both"


def test_a_tone_as_loud_in_louder_noise_is_alike():
    """So does a phone's automatic gain sound, told to keep both as loud."""
    samples = sound([3], 6, opened=0.2, noise=0.002)
    samples[3 * RATE :] += 0.005 * np.random.default_rng(2).normal(size=3 * RATE)
    assert print_of(samples, 3, FrameGrid.at_rate(RATE)).trouble == "alike"


def sagging(sag: float, louder: float = 1.0) -> np.ndarray:
    """Return a tone with a harmonic whose pitch sags by a part of it in 10 s, and hiss; it is so
    much louder in the second half.
    """
    t = np.arange(10 * RATE) / RATE
    turns = 2050 * t * (1 - sag * t / 20)
    x = 0.2 * np.sin(2 * np.pi * turns) + 0.03 * np.sin(6 * np.pi * turns)
    x *= np.where(t < 5, 1.0, louder)
    return x + 0.003 * np.random.default_rng(4).normal(size=len(t))


@pytest.mark.parametrize(("sag", "hum"), [(0.011, 0.0), (-0.04, 0.0), (0.0, 0.3)])
def test_one_tone_is_alike_though_it_sags_or_there_is_more_hum(sag, hum):
    """A harmonic moves by more bins than the pitch."""
    x = sagging(sag)
    x[5 * RATE :] += hum * np.sin(2 * np.pi * 100 * np.arange(5 * RATE) / RATE)
    assert print_of(x, 5, FrameGrid.at_rate(RATE)).trouble == "alike"


@pytest.mark.parametrize(("sag", "trouble"), [(0.002, None), (0.02, "slid"), (-0.05, "slid")])
def test_a_room_may_make_louder_what_slides_on(sag, trouble):
    assert print_of(sagging(sag, 2.5), 5, FrameGrid.at_rate(RATE)).trouble == trouble


def test_a_hand_before_the_phone_is_no_state():
    x = sagging(0.0)
    muffled = butter(1, 1500, fs=RATE, output="sos")
    x[5 * RATE :] = sosfilt(muffled, x)[5 * RATE :]
    assert print_of(x, 5, FrameGrid.at_rate(RATE)).trouble == "alike"


def test_a_microphone_that_records_nothing_is_no_state():
    hiss = 0.01 * np.random.default_rng(4).normal(size=6 * RATE)
    nothing = np.where(np.arange(6 * RATE) < 3 * RATE, 0.0, 1.0)
    assert print_of(nothing * hiss, 3, FrameGrid.at_rate(RATE)).trouble == "dead"
    gated = sound([3], 6, closed=0.0, opened=0.2) * nothing
    assert print_of(gated, 3, FrameGrid.at_rate(RATE)).trouble is None


def test_a_print_is_not_fitted_to_something_else():
    grid = FrameGrid.at_rate(RATE)
    known = print_of(sound([3], 6), 3, grid).buzzer
    for other in (sound([], 6, closed=0.0), sound([], 6), sound([3], 6, pitches_hz=(1500, 1500))):
        assert retune(grid.powers(other.astype(np.float32)), grid, known) == []


@pytest.mark.parametrize("pitch_hz", [2780, 3020])
def test_a_print_is_fitted_to_a_pitch_that_sagged_or_was_taught_so(pitch_hz):
    grid = FrameGrid.at_rate(RATE)
    known = print_of(sound([3], 6, noise=1e-5), 3, grid).buzzer
    here = sound(CHANGES_S, 10, noise=0.03, pitches_hz=(pitch_hz, pitch_hz))
    assert retune(grid.powers(here.astype(np.float32)), grid, known)


@pytest.mark.parametrize("hiss", [3e-6, 3e-3])
def test_a_rattle_is_known_to_be_silent_when_it_is(hiss: float) -> None:
    """A growl fills the spectrum, so that all of it grows louder: in silence, and in some hiss."""
    rng = np.random.default_rng(3)
    rattle = np.where(np.arange(6 * RATE) < 3 * RATE, 0.0, 0.1) * rng.normal(size=6 * RATE)
    lesson = print_of(rattle + hiss * rng.normal(size=6 * RATE), 3, FrameGrid.at_rate(RATE))
    assert lesson.trouble is None and sounding_of(lesson.buzzer) == "open"


def test_a_buzzer_taught_in_noise_fits_it_in_silence() -> None:
    grid = FrameGrid.at_rate(RATE)
    noisy, still = (sound([3.1, 4.9], 8, noise=noise).astype(np.float32) for noise in (0.05, 1e-5))
    known = teach(*(grid.powers(noisy[a:b]) for a, b in ((0, 3 * RATE), (52000, 76000))), grid)
    fitted = retune(grid.powers(still), grid, known.buzzer)
    assert fitted and fitted[0].silent == known.buzzer.silent == 1


def tone(changes_s, seconds: float, noise: float) -> np.ndarray:
    return sound(changes_s, seconds, closed=0.1, noise=noise, pitches_hz=(2100, 2100))


def taught_in_silence() -> BuzzerPrint:
    """Return the print of that tone, closed while it sounds, without any noise to speak of."""
    x, grid = tone([5.0], 10.0, 3e-6).astype(np.float32), FrameGrid.at_rate(RATE)
    lesson = teach(grid.powers(x[: 4 * RATE]), grid.powers(x[6 * RATE : -RATE]), grid)
    assert lesson.trouble is None and lesson.margin_db > 50
    return lesson.buzzer


def heard_taught(x: np.ndarray, rate: float) -> tuple[list[Change], list[Change]]:
    """Return what is heard of it in a file and live."""
    blocks = list(Block(x.astype(np.float32), rate, 0.0).pieces(0.02))
    live = LiveEar(rate, "closed", taught_in_silence())
    told = [change for each in blocks for change in live.hear(each)]
    return hear(lambda: blocks, "closed", taught_in_silence()).changes, told + live.finish()


def test_a_buzzer_taught_in_silence_is_heard_in_noise_as_loud() -> None:
    known_s = np.arange(1.37, 30.0, 1.37)
    changes, live = heard_taught(tone(known_s, 30.0, 0.1 / np.sqrt(2)), RATE)
    assert [c.time_s for c in changes] == pytest.approx(known_s, abs=0.003)
    assert [c.points for c in changes] == (["open", "closed"] * 11)[: len(known_s)]
    assert [c.time_s for c in live] == pytest.approx(known_s, abs=0.005)


@pytest.mark.parametrize("noise", ["speech", "radio"])
def test_a_taught_buzzer_is_not_heard_in_talk(noise: str) -> None:
    scene = no_buzzer_scene(noise, 901, 60.0)
    assert heard_taught(scene.samples, scene.rate_hz) == ([], [])


def test_speed_of_sound_agrees_with_the_standards():
    # ISO 9613-1:1993: 343.2 m/s at 293.15 K. ISO 2533:1975, standard atmosphere at sea level:
    # 340.294 m/s at 288.15 K. O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, dry air at
    # 0 degrees Celsius: 331.29 m/s (the last two from memory).
    assert speed_of_sound(20.0) == pytest.approx(343.2, abs=0.05)
    assert speed_of_sound(15.0) == pytest.approx(340.294, abs=0.1)
    assert speed_of_sound(0.0) == pytest.approx(331.29, abs=0.1)
    for bad in (-300.0, 1000.0, float("nan")):
        with pytest.raises(ValueError, match="degrees"):
            speed_of_sound(bad)
    with pytest.raises(ValueError, match="distance"):
        sound_delay(-1.0)


def test_distance_takes_the_way_off_the_times(run):
    samples = sound(CHANGES_S, 10)
    near = changes(run("hear", "job.wav", "--json", job=samples))
    far = changes(run("hear", "job.wav", "--json", "--distance", "3.432"))
    for here, there in zip(near, far, strict=True):
        assert here["time_s"] - there["time_s"] == pytest.approx(0.010, abs=2e-6)
        assert here["settled_s"] - there["settled_s"] == pytest.approx(0.010, abs=2e-6)
        extra = there["uncertainty_s"] ** 2 - here["uncertainty_s"] ** 2
        assert extra**0.5 == pytest.approx(0.1 / 343.2, rel=0.3)
    assert "2.9 ms a metre" in run("hear", "job.wav").stdout
