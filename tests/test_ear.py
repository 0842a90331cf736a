"""The ear on sound whose changes are known to the sample."""

import itertools
import math
import shutil
import subprocess
from dataclasses import replace

import librosa
import mir_eval
import numpy as np
import pytest
from bench import rooms, scenes
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from analysis.change import Change
from analysis.ear import recording, told
from analysis.ear.belief import Manner, Repeats, log_odds_of_buzzer
from analysis.ear.chain import best_course_odds, share, stay
from analysis.ear.ear import Ear
from analysis.ear.frameodds import FrameOdds
from analysis.ear.recording import hear
from analysis.ear.sincechange import Frames, SinceChange, Sound
from analysis.ear.spectrum import Columns, FrameGrid
from analysis.ear.splice import splice
from analysis.ear.stretch import low_middle_high
from analysis.sound import Block

EDGES_S = (1.0, 3.0, 4.0, 5.2, 6.0, 6.3)


def keyed(edges_s, seconds, rate=48000, pitch_hz=1000.0, noise=1e-4, quiet=0.0):
    """Return a sine that starts and stops at the edges; `quiet` is its amplitude between."""
    t = np.arange(round(seconds * rate)) / rate
    on = np.zeros(len(t), dtype=bool)
    for start, stop in zip(edges_s[::2], [*edges_s[1::2], seconds], strict=False):
        on[round(start * rate) : round(stop * rate)] = True
    tone = np.where(on, 0.3, quiet) * np.sin(2 * np.pi * pitch_hz * t + 0.3)
    hiss = noise * np.random.default_rng(3).normal(size=len(t))
    return (tone + hiss).astype(np.float32)


def changes_in(samples, rate, sounding="open", piece=None):
    size = piece or rate  # a second, as a file is read
    starts = range(0, len(samples), size)
    return hear(lambda: (Block(samples[i : i + size], rate, i / rate) for i in starts), sounding)


def errors_ms(heard, edges_s):
    assert len(heard.changes) == len(edges_s)
    return 1e3 * np.array([c.time_s - e for c, e in zip(heard.changes, edges_s, strict=True)])


@pytest.mark.parametrize("rate", [8000, 16000, 44100, 48000])
@pytest.mark.parametrize("noise", [0.0, 1e-4])
def test_clean_tone_is_found_to_a_quarter_of_a_millisecond(rate, noise):
    heard = changes_in(keyed(EDGES_S, 8, rate, noise=noise), rate)
    assert np.abs(errors_ms(heard, EDGES_S)).max() < 0.25
    assert [c.change for c in heard.changes] == ["starts", "stops"] * 3
    assert [c.points for c in heard.changes] == ["open", "closed"] * 3


def test_tone_as_loud_as_the_noise():
    heard = changes_in(keyed(EDGES_S, 8, noise=0.21), 48000, "closed")
    assert np.abs(errors_ms(heard, EDGES_S)).max() < 3
    assert heard.changes[0].points == "closed"
    assert all(c.uncertainty_s > 1e-4 for c in heard.changes)


def test_another_pitch_and_another_loudness():
    rate = 48000
    low = keyed(EDGES_S, 8, rate, 2000.0)
    high = keyed((0.0, *EDGES_S[:-1]), 8, rate, 2700.0)
    on = keyed(EDGES_S, 8, rate, 0.0, noise=0.0) != 0
    for sound in (np.where(on, low, 0.3 / 0.3 * high), keyed(EDGES_S, 8, rate, 2000.0, quiet=0.12)):
        heard = changes_in(sound.astype(np.float32), rate, "both")
        assert {c.change for c in heard.changes} == {"shifts"}
        assert all(c.points is None for c in heard.changes)


@pytest.mark.parametrize("other_hz", [1050, 1070])
def test_two_pitches_less_than_a_millisecond_tells_apart(other_hz):
    """Four milliseconds tell 250 Hz apart; the frames' 21 ms do better."""
    t = np.arange(11 * 48000) / 48000
    pitch_hz = np.where(np.searchsorted(EDGES_S, t) % 2, other_hz, 1000.0)
    hiss = 0.005 * np.random.default_rng(1).normal(size=len(t))
    tone = 0.3 * np.sin(2 * np.pi * np.cumsum(pitch_hz) / 48000)
    heard = changes_in((tone + hiss).astype(np.float32), 48000, "both")
    assert np.abs(errors_ms(heard, EDGES_S)).max() < 3


def test_time_signal_pips():
    """Pips of 1 kHz, a tenth of a second long, one a second.

    The form of ITU-R TF.460's one-second markers as broadcasters send them (TF.768 lists such
    services); lengths from memory.
    """
    edges = [second + part for second in range(1, 11) for part in (0.0, 0.1)]
    heard = changes_in(keyed(edges, 12), 48000)
    assert np.abs(errors_ms(heard, edges)).max() < 0.25


def test_busy_tone_cadence_scored_by_mir_eval():
    """Busy tone of 425 Hz, 0.5 s on and 0.5 s off: within ITU-T E.180 (03/1998), clause 4."""
    edges = [k / 2 for k in range(1, 20)]
    heard = changes_in(keyed(edges, 10, pitch_hz=425.0), 48000)
    found = np.array([c.time_s for c in heard.changes])
    f, precision, recall = mir_eval.onset.f_measure(np.array(edges), found, window=0.003)
    assert (f, precision, recall) == (1, 1, 1)


@pytest.mark.parametrize("rate", [8000, 16000, 48000])
def test_digital_silence_beside_a_tone_spoils_no_moment(rate):
    """Nothing at all is heard between: no noise that could be measured."""
    for shift_s in np.random.default_rng(rate).uniform(0.0, 0.1, 12):
        edges_s = np.array(EDGES_S) + shift_s
        heard = changes_in(keyed(edges_s, 8, rate, noise=0.0), rate)
        assert np.abs(errors_ms(heard, edges_s)).max() < 0.4


def test_a_machine_that_comes_and_goes_is_not_taken_for_the_buzzer():
    """Both go on and off, and the machine is the louder one; but the buzzer does so at once."""
    rng = np.random.default_rng(7)
    t = np.arange(40 * 48000) / 48000
    edges_s = np.arange(1.7, 39.0, 1.9)
    runs = np.clip(3 * np.sin(2 * np.pi * t / 13.0), 0, 1)
    rumble = signal.lfilter([1], [1, -0.97], rng.normal(size=len(t)))
    machine = runs * 0.016 * rumble + 0.001 * rng.normal(size=len(t))
    heard = changes_in(keyed(edges_s, 40) * 0.1 + machine.astype(np.float32), 48000)
    assert np.abs(errors_ms(heard, edges_s)).max() < 10.0  # where it runs, it hides the buzzer


@pytest.mark.skipif(shutil.which("sox") is None, reason="SoX is not installed")
def test_tone_laid_down_by_sox_at_exact_samples(tmp_path):
    import soundfile

    path = tmp_path / "sox.wav"
    make = "sox -q -n -r 48000 -b 16 {} synth 1.5 sine 2900 vol 0.4 pad 72000s 60000s repeat 2"
    subprocess.run(make.format(path).split(), check=True, capture_output=True)
    samples, rate = soundfile.read(path, dtype="float32")
    edges = [(k * 204000 + at) / 48000 for k in range(3) for at in (72000, 144000)]
    assert np.abs(errors_ms(changes_in(samples, rate), edges)).max() < 0.25


def test_blocks_of_any_size_give_the_same_changes():
    sound = keyed(EDGES_S, 8, noise=0.03)
    times = [
        [c.time_s for c in changes_in(sound, 48000, piece=piece).changes]
        for piece in (len(sound), 48000, 4801, 997)
    ]
    assert np.ptp(times, axis=0).max() < 2e-4


def test_a_gap_is_not_closed_up():
    sound = keyed(EDGES_S, 8)
    blocks = [Block(sound[:72000], 48000, 0.0), Block(sound[96000:], 48000, 2.0, lost=24000)]
    heard = hear(lambda: blocks, "open")
    assert np.abs(errors_ms(heard, EDGES_S)).max() < 0.25


@pytest.mark.parametrize("spoil", ["offset", "not a number", "clipped"])
def test_spoilt_sound(spoil):
    sound = keyed(EDGES_S, 8)
    if spoil == "offset":
        sound = sound + np.float32(0.2)
    elif spoil == "clipped":
        sound = np.clip(10 * sound, -1, 1)
    else:
        sound[[1000, 50000, 200000]] = np.nan, np.inf, -np.inf
    assert np.abs(errors_ms(changes_in(sound, 48000), EDGES_S)).max() < 0.25


def test_no_buzzer_is_said():
    rng = np.random.default_rng(5)
    hiss = (0.05 * rng.normal(size=20 * 48000)).astype(np.float32)
    steady_tone = keyed((0.0,), 8)
    for sound in (hiss, hiss[:2400], np.zeros(5 * 48000, np.float32), steady_tone):
        heard = changes_in(sound, 48000)
        assert heard.buzzer is None
        assert heard.changes == []


def test_what_was_surely_a_buzzer_is_still_one_where_it_fades(monkeypatch):
    edges = (1.0 + np.cumsum(np.tile([0.8, 1.1], 18))).tolist()
    sound = keyed(edges, 40.0), 48000
    for at_first, count in (5.0, len(edges)), (-5.0, 0):

        def believed(buzzer, changes, manner, at_first=at_first):
            return at_first if len(changes) == recording.ENOUGH else -5.0

        monkeypatch.setattr(recording, "log_odds_of_buzzer", believed)
        assert len(changes_in(*sound).changes) == count


def test_blows_that_ring_alike_are_no_buzzer():
    for seed, sounding in ((5, "closed"), (18, "open"), (1103, "both")):
        assert changes_in(rooms.blows(seed), rooms.RATE, sounding).buzzer is None


def test_whistling_and_humming_are_no_buzzer():
    for seed in (3006, 3010):
        assert changes_in(rooms.glides(seed), rooms.RATE).buzzer is None


def test_what_comes_and_goes_hastily_is_a_buzzer_if_it_is_as_loud_each_time():
    lasts_s = np.random.default_rng(3).uniform(0.07, 0.3, 40)
    kinds = itertools.cycle(("starts", "stops"))
    moments = zip(np.cumsum(lasts_s).tolist(), kinds, strict=False)
    lobes = [Change(t, t, 0.002, kind, None, 20.0) for t, kind in moments]
    buzzer = changes_in(keyed(EDGES_S, 8), 48000).buzzer
    assert log_odds_of_buzzer(buzzer, lobes, Manner(0.02, 3.0, 0.3, 0.0)) > 0
    assert log_odds_of_buzzer(buzzer, lobes, Manner(0.02, 3.0, 3.0, 5.0)) < 0


@pytest.mark.parametrize(
    ("buzzer", "noise", "seed", "least"),
    [
        ("piezo-open", "broadband", 203, 0.45),
        ("growl", "hum", 203, 0.5),
        ("growl", "ratchet", 204, 0.5),
    ],
)
def test_noise_as_loud_as_a_buzzer_blurs_it_and_makes_it_no_less_a_buzzer(
    buzzer, noise, seed, least
):
    scene = scenes.make_scene(buzzer, noise, 0.0, seed)
    heard = changes_in(scene.samples, scene.rate_hz, scene.sounding)
    times_s = np.array([c.time_s for c in heard.changes])
    assert 0 < len(times_s) <= len(scene.truth)
    near = [np.abs(times_s - c.time_s).min() < 0.005 for c in scene.truth]
    assert np.mean(near) > least


@pytest.mark.parametrize(
    ("buzzer", "noise", "time_s"),
    [("growl", "hammer", 33.14), ("growl", "radio", 8.19), ("piezo-closed", "hammer", 8.88)],
)
def test_a_blow_before_a_change_is_not_told_for_it(buzzer, noise, time_s):
    scene = scenes.make_scene(buzzer, noise, 6.0, 77)
    true_s = min((c.time_s for c in scene.truth), key=lambda t: abs(t - time_s))
    heard = changes_in(scene.samples, scene.rate_hz, scene.sounding)
    assert min(abs(c.time_s - true_s) for c in heard.changes) < 0.005


@pytest.mark.parametrize(("buzzer", "snr_db"), [("two-pitch", 6.0), ("loudness", 12.0)])
def test_of_a_buzzer_found_twice_the_better_heard_is_told(buzzer, snr_db):
    """Out of two windows of a recording, with hardly more changes the second time."""
    scene = scenes.make_scene(buzzer, "broadband", snr_db, 77)
    heard = changes_in(scene.samples, scene.rate_hz, scene.sounding)
    assert len(heard.changes) == len(scene.truth)


def test_a_growl_keeps_its_period_and_a_voice_does_not():
    buzzer = changes_in(keyed(EDGES_S, 8), 48000).buzzer
    changes = [Change(float(t), float(t), 0.004, "shifts", None, 20.0) for t in range(16)]
    repeats = [Repeats(0.6, 1 / 120, steady) for steady in (0.95, 0.4)]
    growl, voice = (Manner(0.05, 4.0, 2.0, 0.0, one) for one in repeats)
    assert log_odds_of_buzzer(buzzer, changes, growl) > 0
    assert log_odds_of_buzzer(buzzer, changes, voice) < 0


def test_a_pitch_is_told_between_bins():
    grid = FrameGrid.at_rate(48000)
    for hz in (1003.0, 1020.0, 2711.0):
        tone = np.sin(2 * np.pi * hz * np.arange(48000) / 48000).astype(np.float32)
        column = np.abs(grid.columns_hz[: grid.bins].mean(axis=1) - hz).argmin()
        heard = Columns(grid, np.array([column])).tones_hz(grid.powers(tone))
        assert heard == pytest.approx(hz, abs=2.0)


def test_a_plain_tone_is_heard_beside_chords_that_come_back():
    rng, rate = np.random.default_rng(2), 48000
    edges_s = np.cumsum(rng.uniform(0.5, 3.0, 16))
    t = np.arange(38 * rate) / rate
    beat = t % 2.2
    swells = np.clip(beat / 0.15, 0, 1) * np.clip((2.1 - beat) / 0.25, 0, 1)
    home, away = (
        sum(0.4 * np.sin(2 * np.pi * hz * t) for hz in chord)
        for chord in ((262, 330, 392, 524, 660), (294, 349, 440, 588, 698))
    )
    chords = 0.3 * swells * np.where(t // 2.2 % 3 == 1, away, home)
    sound = keyed(edges_s, 38, pitch_hz=2100.0, noise=0.003) + chords
    heard = changes_in(sound.astype(np.float32), rate, "closed")
    assert np.abs(errors_ms(heard, edges_s)).max() < 1


def test_a_short_silence_is_kept_though_the_gain_goes_up_in_it():
    edges_s = (1.0, 2.0, 4.0, 4.35, 6.5, 8.0, 10.0, 10.3, 12.0, 14.0, 15.0, 15.3, 17.0)
    sound, rate = keyed((0.0, *edges_s), 20, pitch_hz=2500.0, noise=0.0), 48000
    sound += (0.004 * np.random.default_rng(0).normal(size=len(sound))).astype(np.float32)
    for stop_s, start_s in zip(edges_s[::2], [*edges_s[1::2], 20.0], strict=True):
        silence = sound[round(stop_s * rate) : round(start_s * rate)]
        silence *= np.minimum(np.exp(np.arange(len(silence)) / rate / 0.08), 30.0)
    assert np.abs(errors_ms(changes_in(sound, rate), edges_s)).max() < 20


def test_a_first_beep_in_which_the_points_chatter_is_heard():
    rate, period_s = 48000, 0.15
    t = np.arange(20 * rate) / rate
    opens_s = np.array([1.0, 4.0, 7.0, 10.0, 13.0, 16.0])
    since_s = t - opens_s[np.clip(np.searchsorted(opens_s, t) - 1, 0, None)]
    beeps = (t > 1.0) & (since_s < 1.56) & (since_s % period_s < 0.06)
    chatters = (t > 13.0) & (t < 13.06) & ((t - 13.0) % 0.016 > 0.012)
    tone = 0.3 * (beeps & ~chatters) * np.sin(2 * np.pi * 2500.0 * t)
    sound = tone + 0.003 * np.random.default_rng(1).normal(size=len(t))
    opened = [c for c in changes_in(sound.astype(np.float32), rate).changes if c.points == "open"]
    assert len(opened) == len(opens_s)
    errors_s = np.array([c.time_s for c in opened]) - opens_s
    assert np.abs(errors_s).max() < 0.02
    assert np.all(np.abs(errors_s) < 3 * np.array([c.uncertainty_s for c in opened]))


def test_a_long_stay_in_chatter_is_no_change_and_a_short_opening_is_one():
    real_s = (1.0, 2.0, 3.0, 3.062, 4.0, 5.0, 5.07, 6.0)
    stays_s = (2.045, 2.080, 6.053, 6.095)
    heard = changes_in(keyed(sorted(real_s + stays_s), 8, noise=1e-3), 48000)
    assert np.abs(errors_ms(heard, real_s)).max() < 0.5
    settled_s = {round(c.time_s): c.settled_s for c in heard.changes if c.settled_s > c.time_s}
    assert settled_s == pytest.approx({2: 2.080, 6: 6.095}, abs=0.012)


def test_blocks_that_a_recorder_lost_are_no_opening():
    sound, rate = keyed(EDGES_S, 8, noise=1e-3), 48000
    for at_s, length_s in ((0.5, 0.06), (2.2, 0.035), (6.3, 0.09)):
        sound[round(at_s * rate) : round((at_s + length_s) * rate)] = 0.0
    heard = changes_in(sound, rate)
    assert np.abs(errors_ms(heard, EDGES_S))[:-1].max() < 0.3
    # Of the last it is lost when in those 90 ms it was.
    assert heard.changes[-1].time_s == pytest.approx(6.345, abs=0.002)
    assert heard.changes[-1].uncertainty_s == pytest.approx(0.09 / math.sqrt(12), abs=0.001)


@pytest.fixture(scope="module")
def buzzer():
    return changes_in(keyed(EDGES_S, 8, noise=1e-2), 48000).buzzer


@pytest.mark.parametrize("length_s", [0.02, 0.1, 0.45])
@pytest.mark.parametrize("from_change_s", [-0.4, -0.01, 0.005, 0.05])
def test_a_change_in_or_near_lost_sound_is_one_and_the_next_is_right(
    buzzer, length_s, from_change_s
):
    edges_s = (*EDGES_S, 6.9, 7.5, 8.6)
    sound, rate = keyed(edges_s, 10, noise=1e-2), 48000
    lost = slice(*(round((7.5 + from_change_s + t) * rate) for t in (0.0, length_s)))
    one = Ear(rate, buzzer, "open")
    parts = [Block(sound[part], rate, part.start / rate) for part in (slice(0, lost.start), lost)]
    live = [*one.hear(parts[0]), *one.hear(Block(sound[lost.stop :], rate, lost.stop / rate))]
    sound[lost] = 0.0
    for changes in (live, changes_in(sound, rate).changes):
        assert len(changes) == len(edges_s)
        for change, true_s in zip(changes, edges_s, strict=True):
            assert abs(change.time_s - true_s) < 3 * change.uncertainty_s
            assert change.uncertainty_s < 0.001 or true_s == 7.5


@pytest.mark.parametrize("is_zeros", [True, False])
def test_after_a_long_loss_the_state_is_asked_anew(buzzer, is_zeros):
    sound, rate = keyed((1.0, 3.0, 4.0, 9.0, 10.0), 12, noise=1e-2), 48000
    one = Ear(rate, buzzer, "open")
    changes = one.hear(Block(sound[: 8 * rate], rate, 0.0))
    lost = np.zeros(round(1.5 * rate), dtype=np.float32)
    changes += one.hear(Block(lost, rate, 8.0)) if is_zeros else []
    changes += one.hear(Block(sound[round(9.5 * rate) :], rate, 9.5))
    assert [c.time_s for c in changes] == pytest.approx([1.0, 3.0, 4.0, 10.0], abs=5e-4)


@pytest.mark.parametrize("after_s", [0.0, 0.012, 0.016, 0.017, 0.04])
def test_a_sound_may_end_in_zeros_soon_after_a_change(after_s):
    sound, rate = keyed(EDGES_S, 8, noise=0.1), 48000
    one = Ear(rate, changes_in(sound, rate).buzzer, "open")
    sound[round((6.3 + after_s) * rate) :] = 0.0
    changes = [*one.hear(Block(sound, rate, 0.0)), *one.finish()]
    assert 5 <= len(changes) <= 6


def test_spliced_sound_knows_its_times():
    x, spliced = splice(np.arange(100.0), [(0, 10), (30, 50)], 1000.0, 5.0)
    assert x.tolist() == [*range(10, 30), *range(50, 100)]
    for sample in (15, 25, 55, 90):
        place_s = spliced.place_s(sample / 1000)
        assert x[round(place_s * 1000)] == sample
        assert spliced.when(place_s)[0] == pytest.approx(5 + sample / 1000)
    assert spliced.when(0.02) == pytest.approx((5.04, 0.02 / math.sqrt(12)))
    assert spliced.when(0.03, 0.01)[1] > 0 == spliced.when(0.03, 0.001)[1]


@pytest.mark.parametrize(("beep_s", "gap_s"), [(0.07, 0.03), (0.2, 0.02), (0.03, 0.07)])
def test_beeps_and_gaps_as_short_as_frames(beep_s, gap_s):
    starts_s = (2.013, 7.031, 13.02)
    beeps_s = [start_s + k * (beep_s + gap_s) for start_s in starts_s for k in range(20)]
    edges_s = [edge_s for begin_s in beeps_s for edge_s in (begin_s, begin_s + beep_s)]
    stops_s = edges_s[39::40]
    heard = changes_in(keyed(edges_s, 22, noise=1e-3), 48000)
    assert [c.change for c in heard.changes] == ["starts", "stops"] * 3
    out = errors_ms(heard, sorted([*starts_s, *stops_s]))
    assert np.abs(out[::2]).max() < 1
    assert np.all((out[1::2] > -5) & (out[1::2] < 1e3 * gap_s + 5))


def test_a_gap_between_beeps_is_one_though_somebody_speaks_in_it():
    # It was doubted until the next beep had come, and the train's first was lost.
    scene = scenes.make_scene("pulsed", "voice", 20.0, 31)
    heard = changes_in(scene.samples, scene.rate_hz, scene.sounding, scene.rate_hz)
    begins = [c.time_s for c in scene.truth if c.change == "starts"]
    told = np.array([c.time_s for c in heard.changes if c.change == "starts"])
    assert all(np.abs(told - begin).min() < 0.005 for begin in begins)


@pytest.mark.parametrize("rate", [8000, 44100, 48000])
def test_levels_of_some_columns_are_those_of_all(rate):
    grid = FrameGrid.at_rate(rate)
    powers = grid.powers(np.random.default_rng(1).normal(size=rate).astype(np.float32))
    every = grid.levels(powers)
    some = np.arange(0, every.shape[1], 3)
    assert Columns(grid, some).levels(powers) == pytest.approx(every[:, some], abs=1e-4)


@pytest.mark.parametrize("count", [1, 2, 7, 400])
def test_percentiles_are_those_of_numpy(count):
    values = np.random.default_rng(count).normal(0, 1, count)
    assert low_middle_high(values) == pytest.approx(np.percentile(values, [16, 50, 84]).tolist())


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="other speech is another scene")
def test_words_taken_for_a_growl_are_let_go(monkeypatch):
    growls = [scenes.make_scene("growl", "speech", 6.0, seed, 20.0) for seed in (11, 16, 29)]
    monkeypatch.setattr(recording, "MOST_TRIED", 1)
    monkeypatch.setattr(recording, "log_odds_of_buzzer", lambda *heard: 1.0)  # it is believed

    def found():
        heard = [changes_in(s.samples, s.rate_hz, s.sounding) for s in growls]
        return [[c.time_s for c in h.changes] for h in heard]

    sure = found()
    monkeypatch.setattr(told, "LEAST_LIKE", 0.0)
    for scene, kept, everything, words in zip(growls, sure, found(), (2, 4, 6), strict=True):
        truth = np.array([c.time_s for c in scene.truth])
        for gone in set(everything) - set(kept):
            assert np.abs(truth - gone).min() > 0.005
        assert len(everything) - len(kept) == words


def test_a_pitch_that_drifts_is_followed_through_the_ups_and_downs_of_a_room():
    scene = scenes.make_scene("loudness", "shop", 20.0, 12, seconds=40.0)
    heard = changes_in(scene.samples, scene.rate_hz, "both")
    reference = np.array([change.time_s for change in scene.truth])
    found = np.array([change.time_s for change in heard.changes])
    assert mir_eval.onset.f_measure(reference, found, window=0.005)[0] > 0.95


def test_a_pitch_that_sags_is_followed_though_the_points_rest_at_first():
    """In noise, from a file of two windows, in the first of which there is little to hear."""
    rate, rng = 16_000, np.random.default_rng(1)
    moves_s = np.cumsum([37.0] + [3.1, 2.3, 4.1, 1.7, 2.9, 3.7, 2.2, 4.4, 1.9, 3.3] * 2)
    t = np.arange(100 * rate) / rate
    on = np.searchsorted(moves_s, t, side="right") % 2
    pitch_hz = 2900.0 * (1.0 - 0.1 * np.maximum(0.0, t - 37.0) / 63.0)
    tone = 0.03 * on * np.sin(2 * np.pi * np.cumsum(pitch_hz) / rate)
    heard = changes_in(tone + 0.05 * rng.normal(size=len(t)), rate, "open")
    assert [c.time_s for c in heard.changes] == pytest.approx(moves_s, abs=0.02)


def test_a_voice_that_was_louder_in_one_state_by_chance_is_none_of_the_buzzers_lines():
    rate, edges = 48000, (2.0, 4.1, 6.3, 7.9, 10.2, 12.4, 14.1, 16.3)
    tone = keyed(edges, 18, rate, 2900.0, quiet=0.12)
    rng = np.random.default_rng(5)
    voice = signal.sosfilt(
        signal.butter(4, (120.0, 500.0), "band", fs=rate, output="sos"), rng.normal(size=len(tone))
    )
    loud = np.zeros(len(tone), dtype=bool)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        loud[round(start * rate) : round(stop * rate)] = True
    spoken = np.repeat(rng.random(18 * 8), rate // 8) < np.where(loud, 0.65, 0.35)
    heard = changes_in(tone + 1.2 * voice * spoken, rate, "both")
    assert np.abs(errors_ms(heard, edges)).max() < 3


@pytest.mark.filterwarnings("error")
def test_scraps_of_sound_are_heard_whether_the_buzzer_was_taught_or_not():
    rate = 48000
    edges = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
    x = keyed(edges, 18, rate)
    learnt = hear(lambda: [Block(x, rate, 0.0)], "open").buzzer
    taught = replace(learnt, quality=np.inf, open_state=1)
    for count in (10, 960, 2400, 9600):
        assert hear(lambda n=count: [Block(x[:n], rate, 0.0)], "open", taught).changes == []
    scraps = [Block(x[at : at + 100], rate, at / rate) for at in range(5 * rate, 11 * rate, 4800)]
    blocks = [Block(x[: 5 * rate], rate, 0.0), *scraps, Block(x[11 * rate :], rate, 11.0)]
    for buzzer in (None, taught):
        times = [change.time_s for change in hear(lambda: blocks, "open", buzzer).changes]
        assert len(times) >= 4
        assert all(min(abs(time_s - edge) for edge in edges) < 0.001 for time_s in times)


def test_what_frames_said_is_kept_over_a_gap():
    grid = FrameGrid.at_rate(48000.0)
    odds = FrameOdds(grid)
    odds.begin(grid.middle_s(0))
    odds.append(np.full(100, 0.5))
    odds.begin(2.0)
    odds.append(np.full(100, -0.5))
    whole = int((0.3 - grid.length / grid.rate_hz) / grid.hop_s) + 1  # frames wholly inside
    assert odds.between(0.1, 0.4) == pytest.approx(0.5 * whole, abs=0.5)
    assert odds.between(0.7, 1.9) == 0.0 == odds.between(0.1, 0.11)
    assert odds.between(1.9, 9.0) == pytest.approx(-50.0)
    odds.keep(0.2)
    assert odds.between(0.1, 0.4) == 0.0 > odds.between(2.4, 2.5)


def test_how_it_sounded_is_told_from_its_latest_frames_by_the_latest_print():
    grid = FrameGrid.at_rate(48000.0)

    def frames(at_s, levels_db, tones_hz, print_number):
        evidence = np.where(levels_db > -15.0, -3.0, 3.0)[:, None]
        bins = tones_hz[:, None] / grid.bin_hz
        loud = np.exp(-((np.arange(grid.low, grid.high) - bins) ** 2))
        loud *= 10.0 ** (levels_db[:, None] / 10.0) / loud.max(axis=1, keepdims=True)
        column = Columns(grid, np.array([int(bins.mean()) - grid.low]))
        return Frames(at_s, evidence, loud.astype(np.float32), column, print_number)

    def sound(print_number, *told):
        return Sound(print_number, *(pytest.approx(one, abs=0.1) for one in told))

    heard, at_s = SinceChange(), np.arange(0.0, 0.3, 0.005)
    words_db = np.where(np.arange(60) % 3 == 0, -5.0, -20.0)
    heard.begin(0.0)
    assert heard.sound(0.3) is None
    heard.hear(frames(at_s, words_db, np.tile([990.0, 1000.0, 1010.0], 20), 0))
    assert heard.sound(0.3) == sound(0, -20.0, 1000.0, 8.2)
    assert heard.like(1, 0.3) == pytest.approx(2 / 3, abs=0.02)
    assert heard.like(0, 0.3) == pytest.approx(1 / 3, abs=0.02)
    assert heard.sound(0.03) is None
    heard.hear(frames(at_s + 0.3, np.full(60, -30.0), np.full(60, 1200.0), 1))
    assert heard.sound(0.6) == sound(1, -30.0, 1200.0, 0.0)
    assert heard.like(0, 0.6) == 1.0  # it lasted
    heard.begin(0.4)
    assert heard.like(0, 0.6) == 0.0


@given(st.lists(st.floats(-9.0, 9.0).map(lambda odds: round(odds, 3)), min_size=1, max_size=60))
def test_the_best_course_of_two_states_is_viterbis(odds):
    hop_s = 0.005
    course = (best_course_odds(np.array(odds), hop_s) > 0).astype(int)
    ends = 1.0 / (1.0 + np.exp(stay(hop_s)))
    chain = np.array([[1.0 - ends, ends], [ends, 1.0 - ends]])
    chances = 1.0 / (1.0 + np.exp(share(hop_s) * np.array([odds, np.negative(odds)])))
    first = np.full(2, 0.5)
    _, best = librosa.sequence.viterbi(chances, chain, p_init=first, return_logp=True)
    ours = np.log(0.5) + np.log(chances[course, np.arange(len(course))]).sum()
    ours += np.log(chain[course[:-1], course[1:]]).sum()
    assert ours == pytest.approx(best, abs=1e-6)
