"""The ear as it hears a microphone: block by block, with no second look."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bench import rooms
from bench.scenes import make_scene

from analysis.ear.beeps import BeepGatherer, beat, gather_beeps
from analysis.ear.drift import Pieces
from analysis.ear.learning import learn, say_the_same
from analysis.ear.live import LiveEar
from analysis.ear.recording import hear
from analysis.ear.spectrum import FrameGrid
from analysis.ear.window import frames_of
from analysis.sound import Block
from listen.sources import open_recording

SAMPLE = Path(__file__).resolve().parents[1] / "samples" / "fire-pump.m4a"
TRUTH = json.loads(SAMPLE.with_suffix(".truth.json").read_text())["changes"]


@pytest.fixture(scope="module")
def sample():
    blocks = list(open_recording(SAMPLE).blocks())
    return Block(np.concatenate([b.samples for b in blocks]), blocks[0].rate_hz, 0.0)


def live(block, sounding="open", buzzer=None, piece_s=0.02):
    """Return each change and when it was reported, and whether the buzzer was known by then."""
    ear = LiveEar(block.rate_hz, sounding, buzzer)
    heard = []
    for piece in block.pieces(piece_s):
        known = ear.buzzer is not None
        heard += [(change, piece.end_s, known) for change in ear.hear(piece)]
    return heard + [(change, block.end_s, True) for change in ear.finish()]


def test_an_untaught_buzzer_is_learnt_and_no_change_is_lost(sample):
    heard = live(sample)
    assert [h[0].points for h in heard] == [t["points"] for t in TRUTH]
    errors = [abs(h[0].time_s - t["time_s"]) for h, t in zip(heard, TRUTH, strict=True)]
    assert np.median(errors) < 0.001
    assert max(errors) < 0.006
    delays = [at_s - change.settled_s for change, at_s, known in heard if known]
    assert len(delays) >= 6
    assert np.median(delays) < 0.1


def test_what_is_surely_no_buzzer_after_all_is_looked_for_anew(sample, monkeypatch):
    """Nothing is told twice, and what comes later is heard all the same."""
    ear, told, forgotten = LiveEar(sample.rate_hz, "open"), [], False
    for piece in sample.pieces(0.1):
        with monkeypatch.context() as doubted:
            if len(told) >= 6 and not forgotten:
                doubted.setattr("analysis.ear.live.log_odds_of_buzzer", lambda *_: -99.0)
            told += ear.hear(piece)
        forgotten = forgotten or (len(told) >= 6 and ear.buzzer is None)
    told += ear.finish()
    assert forgotten
    assert [c.points for c in told] == [t["points"] for t in TRUTH]


def test_a_beeper_that_was_surely_one_is_not_given_up(monkeypatch):
    scene = make_scene("pulsed", "broadband", 20.0, 4, seconds=25.0, codec="none", agc=False)
    ear, told = LiveEar(scene.rate_hz, scene.sounding), []
    for piece in Block(scene.samples, scene.rate_hz, 0.0).pieces(0.1):
        with monkeypatch.context() as doubted:
            if piece.start_s > 15.0:
                doubted.setattr("analysis.ear.live.log_odds_of_buzzer", lambda *_: -99.0)
            told += ear.hear(piece)
    told += ear.finish()
    assert [c.change for c in told] == [t.change for t in scene.truth][-len(told) :]
    assert len(told) > 0.7 * len(scene.truth) and ear.buzzer is not None


@pytest.mark.parametrize("is_known", [True, False])
def test_blocks_of_any_size_give_the_same(sample, is_known):
    buzzer = hear(lambda: [sample], "open").buzzer if is_known else None
    times = [
        [change.time_s for change, _, _ in live(sample, "open", buzzer, size)]
        for size in (0.007, 0.0213, 1.0)
    ]
    assert [len(each) for each in times] == [len(TRUTH)] * 3
    assert np.ptp(times, axis=0).max() < 0.0001


def test_what_is_not_plain_by_its_sound_is_shown_by_its_changes(monkeypatch):
    """As where its level wanders: no print is plain, but the changes are sharp."""
    scene = make_scene("piezo-open", "broadband", None, 9, seconds=40.0, codec="none", agc=False)
    block = Block(scene.samples, scene.rate_hz, 0.0)
    doubtful = [
        replace(one, quality=1.0)
        for one in learn(frames_of([block]), FrameGrid.at_rate(block.rate_hz))
    ]
    monkeypatch.setattr("analysis.ear.live.find", lambda powers, grid, taught: doubtful)
    heard = live(block, scene.sounding)
    assert len(heard) == len(scene.truth)
    assert sum(known for _, at_s, known in heard if at_s < block.end_s) > 5


def test_a_likelier_buzzer_takes_the_place_of_one_that_changed_twice():
    rate, rng = 16_000, np.random.default_rng(4)
    t = np.arange(26 * rate) / rate
    bell_s, edges_s = [1.0, 2.5], np.arange(6.0, 25.0, 1.3)
    sound = 0.003 * rng.normal(size=len(t))
    for pitch_hz, moves_s in ((950.0, bell_s), (2900.0, edges_s)):
        on = np.searchsorted(moves_s, t, side="right") % 2
        sound += 0.2 * on * np.sin(2 * np.pi * pitch_hz * t)
    heard = live(Block(sound.astype(np.float32), float(rate), 0.0))
    times = [change.time_s for change, _, _ in heard]
    assert times == pytest.approx([*bell_s, *edges_s], abs=0.003)
    assert [at_s - change.time_s < 0.2 for change, at_s, _ in heard[-8:]] == [True] * 8


def test_a_phrase_that_is_whistled_is_no_buzzer():
    """Its notes are alike, and sharp enough; but it is over at once."""
    whistler = rooms.KINDS["glides"](1100)[: 8 * rooms.RATE]
    assert live(Block(whistler, float(rooms.RATE), 0.0), sounding=None) == []


@pytest.fixture(scope="module")
def two_tones():
    """Of 20 s: one pitch that changes now and then, and another that does."""
    rate, rng = 16_000, np.random.default_rng(6)
    t = np.arange(20 * rate) / rate
    sound = 0.003 * rng.normal(size=len(t))
    for pitch_hz, moves_s in ((950.0, [2.0, 8.0, 9.0, 15.0]), (2900.0, [3.1, 4.9, 10.3, 13.7])):
        on = np.searchsorted(moves_s, t, side="right") % 2
        sound += 0.2 * on * np.sin(2 * np.pi * pitch_hz * t)
    return Block(sound.astype(np.float32), float(rate), 0.0)


def test_prints_that_go_from_state_to_state_alike_say_the_same(two_tones):
    grid = FrameGrid.at_rate(two_tones.rate_hz)
    powers = grid.powers(two_tones.samples)
    low, high = sorted(learn(powers, grid)[:2], key=lambda one: one.columns_hz[0, 0])
    fresh = replace(low, evidence=0.9 * low.evidence)
    assert say_the_same(low, fresh, powers, grid)
    assert say_the_same(low, low.exchanged(), powers, grid)
    assert not say_the_same(low, high, powers, grid)
    assert not say_the_same(low, replace(fresh, pulse_s=(0.1, 0.1)), powers, grid)


def test_a_print_is_fitted_to_pieces_as_they_come_as_to_all_at_once(two_tones):
    blocks = list(two_tones.pieces(0.125))
    known = learn(frames_of(blocks), FrameGrid.at_rate(two_tones.rate_hz))[0]
    pieces = Pieces(blocks[:64], known)
    for k in (64, 96, 128):
        pieces.go_on(blocks[k : k + 32], most=3)
    fresh, wanted = (each.fresh(known) for each in (pieces, Pieces(blocks[64:], known)))
    assert len(pieces.each) == 3 and pieces.end_s == two_tones.end_s
    assert np.array_equal(fresh.evidence, wanted.evidence)
    assert fresh is not known


def test_muted_sound_is_no_state_of_the_buzzer(sample):
    """Digital silence before, after and in the middle, as a call or a lost stretch leaves it."""
    rate = int(sample.rate_hz)
    none = np.zeros(8 * rate, dtype=np.float32)
    samples = np.concatenate([none, sample.samples, none])
    samples[40 * rate : 42 * rate] = 0.0
    muted = Block(samples, sample.rate_hz, 0.0)
    seconds = list(muted.pieces(1.0))
    for changes in (hear(lambda: seconds, "open").changes, [h[0] for h in live(muted)]):
        assert len(changes) == len(TRUTH)
        errors = [c.time_s - 8 - t["time_s"] for c, t in zip(changes, TRUTH, strict=True)]
        assert np.abs(errors).max() < 0.006


def test_a_beeper_keeps_a_beat_and_a_hammer_does_not():
    rng = np.random.default_rng(1)
    beeps = np.concatenate([[2.3], np.tile([0.5, 0.5, 1.0, 0.5, 2.7], 8)])
    beeps += rng.uniform(-0.004, 0.004, len(beeps))
    assert beat(np.cumsum(beeps).tolist()) == pytest.approx(0.5, abs=0.004)
    assert beat(np.cumsum(rng.uniform(0.45, 0.8, 60)).tolist()) is None


def test_beeps_gathered_as_they_come_are_those_gathered_at_the_end():
    scene = make_scene("pulsed", "broadband", 20.0, 4, seconds=20.0, codec="none", agc=False)
    ear = LiveEar(scene.rate_hz, scene.sounding)
    ear._gatherer.take = lambda changes, now_s: changes  # the beeps themselves
    block = Block(scene.samples, scene.rate_hz, 0.0)
    beeps = [change for piece in block.pieces(0.02) for change in ear.hear(piece)] + ear.finish()
    gatherer = BeepGatherer()
    first = gatherer.take(beeps[:30], beeps[29].time_s)
    rest = [
        change for beep in beeps[30:] for change in gatherer.take([beep], beep.settled_s + 0.05)
    ]
    times = [c.time_s for c in [*first, *rest, *gatherer.take([], np.inf)]]
    assert times == [c.time_s for c in gather_beeps(beeps)]
