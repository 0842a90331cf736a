"""The first break of a contact that chatters, the last beep of a train, and the net behind it."""

import numpy as np
import pytest
from bench.ear_training import TRAINING_SEEDS, VALIDATION_SEEDS, draw_scene
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import fftconvolve, lfilter

from analysis.change import Change
from analysis.ear.beeps import BeepGatherer, beat, clock, gather_beeps
from analysis.ear.clues import COUNT, STEPS, times_s
from analysis.ear.firstbreak import BreakOdds, judged
from analysis.ear.recording import hear
from analysis.sound import Block

RATE = 48000


def tone_on(edges_s, seconds, pitch_hz=2900.0, noise=0.01, slow_s=0.0):
    """Return a tone that is on between each pair of edges, and follows slowly, in white noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    on = (np.searchsorted(edges_s, t, side="right") % 2).astype(float)
    if slow_s:
        stays = np.exp(-1 / (slow_s * RATE))
        on = lfilter([1 - stays], [1, -stays], on)
    hiss = noise * np.random.default_rng(7).normal(size=len(t))
    return (0.3 * on * np.sin(2 * np.pi * pitch_hz * t) + hiss).astype(np.float32)


def changes_in(sound, piece_s=1.0):
    pieces = list(Block(sound, float(RATE), 0.0).pieces(piece_s))
    return hear(lambda: pieces, "open").changes


@pytest.fixture(scope="module")
def chattering():
    """The first two openings and closings are clean; then 1 ms blips come 30 ms too early."""
    edges = [1.0, 2.2, 3.4, 4.1, 5.0, 5.001, 5.03, 6.2, 7.4, 7.401, 7.43, 8.2, 9.1, 9.9]
    sound = tone_on(edges, 11.0)
    return sound, [1.0, 2.2, 3.4, 4.1, 5.0, 6.2, 7.4, 8.2, 9.1, 9.9]


def test_a_change_is_at_its_first_break(chattering):
    sound, truth = chattering
    changes = changes_in(sound)
    errors = np.array([c.time_s for c in changes]) - truth
    assert np.abs(errors).max() < 0.003
    assert all(c.uncertainty_s > 0 for c in changes)
    assert [c.settled_s - c.time_s > 0.02 for c in changes] == [t in (5.0, 7.4) for t in truth]


@pytest.mark.parametrize("opens", [True, False])
def test_a_change_has_settled_when_the_contact_went_back_last(opens):
    chatter = [5.0, 5.006, 5.015, 5.02, 5.045] if opens else [5.0, 5.004, 5.03, 5.05, 5.056]
    edges = [*([1.0, 2.2, 3.4] if opens else [1.0, 2.2]), *([4.1] if opens else []), *chatter, 7.0]
    changes = changes_in(tone_on(edges, 9.0))
    (change,) = (c for c in changes if 4.9 < c.time_s < 5.2)
    assert change.time_s == pytest.approx(5.0, abs=0.003)
    assert change.settled_s == pytest.approx(chatter[-1], abs=0.004)
    assert all(c.settled_s == c.time_s for c in changes if c is not change)


def test_blocks_of_any_size_give_the_same_first_breaks(chattering):
    sound, _ = chattering
    times = [[c.time_s for c in changes_in(sound, piece_s)] for piece_s in (0.02, 0.37, 4.0)]
    assert np.ptp(times, axis=0).max() < 2e-4


def beeping(trains, period_s=0.16, beep_s=0.07):
    """Return the edges of beeps in each (start, end)."""
    edges = []
    for start_s, end_s in trains:
        for at_s in np.arange(start_s, end_s, period_s):
            edges += [at_s, min(at_s + beep_s, end_s)]
    return edges


def changes_at(edges):
    """Return a sound's changes at its edges."""
    return [
        Change(t, t, 0.001, "starts" if i % 2 == 0 else "stops", None, 20.0)
        for i, t in enumerate(edges)
    ]


@pytest.mark.parametrize("opens", [True, False])
def test_a_slow_buzzer_has_settled_when_it_comes_to_rest(opens):
    # So fast that it is in neither state for as long.
    chatter = (5.0 + np.cumsum([0.0, *[0.006, 0.007, 0.005, 0.008] * 3])).tolist()
    edges = [*([1.0, 2.2, 3.4, 4.1] if opens else [1.0, 2.2, 3.4]), *chatter, 7.0]
    changes = changes_in(tone_on(edges, 9.0, slow_s=0.011))
    (change,) = (c for c in changes if 4.9 < c.time_s < 5.2)
    assert change.time_s == pytest.approx(5.0, abs=0.003)
    assert change.settled_s == pytest.approx(chatter[-1], abs=0.006)
    assert all(c.settled_s == c.time_s for c in changes if c is not change)


def told_live(raw, until_s, **known):
    """Return the changes that are told, and how long after their own moment each is."""
    gatherer, told = BeepGatherer(), []
    for name, value in known.items():
        setattr(gatherer, name, value)
    for now_s in np.arange(0.005, until_s, 0.02):
        fresh = [c for c in raw if now_s - 0.02 < c.time_s <= now_s]
        told += [(c.time_s, now_s - c.time_s) for c in gatherer.take(fresh, now_s)]
    return zip(*told, strict=True)


def test_a_last_beep_that_is_cut_short_ends_the_train():
    trains = [(1.0, 2.83), (4.0, 5.615), (7.0, 8.293), (9.5, 11.108)]
    changes = changes_in(tone_on(beeping(trains), 13.0))
    assert [c.change for c in changes] == ["starts", "stops"] * 4
    assert [c.time_s for c in changes] == pytest.approx(np.ravel(trains), abs=0.004)
    assert all(c.uncertainty_s < 0.01 for c in changes[3::2])


def test_a_train_that_the_recording_cuts_off_goes_on():
    trains = [(1.0, 2.83), (4.0, 5.64), (7.0, 99.0)]
    changes = changes_in(tone_on(beeping(trains), 9.0))
    assert [c.change for c in changes] == ["starts", "stops"] * 2 + ["starts"]


def test_a_train_that_had_begun_before_the_recording_has_no_start():
    changes = changes_in(tone_on(beeping([(0.07, 2.83), (4.0, 5.64)]), 9.0))
    assert [c.change for c in changes] == ["stops", "starts", "stops"]


def test_an_exact_clock_is_known_though_half_the_beeps_are_spoilt():
    rng = np.random.default_rng(1)
    starts = np.cumsum(np.where(rng.random(60) < 0.6, 0.137, rng.uniform(0.09, 0.5, 60)))
    assert beat(starts.tolist()) == pytest.approx(0.137, rel=0.01)
    assert beat(np.cumsum(rng.uniform(0.09, 0.5, 60)).tolist()) is None
    assert clock(np.arange(0, 9, 0.2).tolist()) is None  # beeps that never pause are no trains


def test_gathering_keeps_a_stop_whose_next_beep_was_due():
    edges = beeping([(1.0, 2.83), (4.0, 5.7)])
    raw = changes_at(edges)
    assert [c.change for c in gather_beeps(raw, 6.5)] == ["starts", "stops"] * 2
    assert [c.change for c in gather_beeps(raw, raw[-1].time_s + 0.01)][-1] == "starts"


def test_one_train_alone_is_one_sound():
    edges = beeping([(2.4, 17.6)])
    raw = changes_at(edges)
    assert [c.time_s for c in gather_beeps(raw, 25.0, 0.0)] == [2.4, edges[-1]]
    by_hand = np.random.default_rng(5).normal(0.0, 0.008, len(edges)) + edges
    assert len(gather_beeps(changes_at(np.sort(by_hand).tolist()), 25.0, 0.0)) == len(edges)
    live, _ = told_live(raw, 25.0, pulse_s=(0.05, 0.1))  # so that the first beep is known for one
    assert list(live) == [2.4, edges[-1]]


def test_a_known_beeper_that_beeps_as_the_sound_begins_does_not_stop_there():
    edges = beeping([(1.0, 2.83), (5.0, 6.83)])
    raw = changes_at(edges)[1:]  # of its first beep, the end alone
    live, _ = told_live(raw, 9.0, pulse_s=(0.05, 0.1))
    assert list(live) == [max(edge for edge in edges if edge < 4.0), 5.0, edges[-1]]


def test_a_few_beeps_that_had_begun_before_the_sound_are_a_train_without_a_start():
    edges = beeping([(0.0, 0.83), (2.8, 4.12)], 0.3, 0.14)
    raw = changes_at(edges)[1:]  # of its first beep, the end alone
    assert [c.time_s for c in gather_beeps(raw, 9.0, 0.0)] == [edges[5], 2.8, edges[-1]]
    later = changes_at([0.0, 2.64, *edges[6:]])[1:]  # what sounded for so long was no beep
    assert [c.time_s for c in gather_beeps(later, 9.0, 0.0)] == [2.64, 2.8, edges[-1]]


def test_the_first_beeps_of_a_train_are_waited_with():
    for beeps in (4, 5, 6, 9):
        edges = beeping([(1.0, 1.0 + 0.44 * beeps)], 0.44, 0.2)
        raw = changes_at(edges)
        if beeps < 7:
            assert [c.time_s for c in gather_beeps(raw)] == [1.0, edges[-1]]
        live, _ = told_live(raw, 7.0)
        assert list(live) == [1.0, edges[1], edges[2], edges[-1]]  # the first was told for one
    few = changes_at(beeping([(1.0, 2.3)], 0.44, 0.2))
    assert gather_beeps(few) == few
    live, late_s = told_live(few, 7.0)
    assert list(live) == [c.time_s for c in few] and max(late_s) < 0.8


def test_a_train_is_waited_with_as_those_before_it_beeped():
    three = beeping([(1.0, 2.2)], 0.44, 0.2)  # told for openings
    drawn_out = [4.0, 4.24, *beeping([(4.48, 6.5)], 0.44, 0.2)]  # the first beep, by chatter
    raw = changes_at([*three, *drawn_out])
    live, _ = told_live(raw[: len(three) + 6], 8.0)
    assert list(live) == [*three, 4.0, drawn_out[5]]
    live, _ = told_live(raw, 8.0)
    assert list(live) == [*three, 4.0, drawn_out[-1]]
    lobes = changes_at([*three, 4.0, 4.3, 5.0, 5.1])
    live, late_s = told_live(lobes, 8.0)
    assert list(live) == [c.time_s for c in lobes] and max(late_s) < 0.8
    by_hand = changes_at([1.0, 1.1, 1.36, 1.5, 3.0, 3.15])
    live, late_s = told_live(by_hand, 8.0)
    assert list(live) == [c.time_s for c in by_hand] and max(late_s) < 0.03


def test_what_was_in_the_midst_of_a_train_stays_there():
    edges = beeping([(1.0, 4.0), (6.0, 9.0)])
    hidden = [t for t in edges if not 6.9 < t < 7.05]  # one beep
    gatherer, told = BeepGatherer(), []
    for change in changes_at(hidden):
        told += gatherer.take([change], change.time_s + 0.03)
    gatherer.sounds = lambda begin_s, end_s: -10.0  # as heard with another print
    told += gatherer.take(changes_at([13.0]), 13.03)
    assert [c.time_s for c in told[-3:]] == [6.0, edges[-1], 13.0]


def test_a_clock_that_is_known_is_not_twice_as_quick_where_noise_breaks_beeps_up():
    trains = beeping([(2.1, 2.5), (6.1, 8.7), (11.9, 15.1), (19.0, 21.9)], 0.312, 0.156)
    broken = [24.4, 24.435, 24.712, 24.868, *np.arange(25.024, 26.4, 0.078)]
    gatherer, told = BeepGatherer(), []
    gatherer.pulse_s = 0.156, 0.156
    gatherer.sounds = lambda begin_s, _: 10.0 if (begin_s - 24.4) % 0.312 < 0.15 else -10.0
    for change in changes_at([*trains, *broken]):
        told += gatherer.take([change], change.time_s + 0.03)
    assert [c.time_s for c in told if c.time_s >= 24.0] == [24.4]


def test_a_beeper_that_sounds_as_the_points_rest_is_one_sound():
    edges = beeping([(0.07, 9.0)], 0.41, 0.2)
    assert gather_beeps(changes_at(edges[:-6]), 6.6, 0.0) == []
    live, _ = told_live(changes_at(edges), 11.0)
    assert list(live) == [*edges[:3], edges[-1]]  # the first was told for one
    learnt, gatherer = changes_at(edges[:24]), BeepGatherer()
    assert gatherer.take([], 0.02) == gatherer.take(learnt, edges[24]) == []


@given(st.lists(st.floats(0.06, 0.6), min_size=2, max_size=40), st.integers(0, 99))
def test_what_a_hand_does_is_told_as_it_comes(lasts_s, seed):
    jerks = np.random.default_rng(seed).normal(0.0, 0.03, len(lasts_s))
    edges = (1.0 + np.cumsum(np.maximum(np.array(lasts_s) + jerks, 0.05))).tolist()
    raw = changes_at(edges)
    live, late_s = told_live(raw, edges[-1] + 1.0)
    gathered = [c.time_s for c in gather_beeps(raw)]
    assert set(gathered) <= set(live) <= set(edges) and max(late_s) < 4.0


def test_beeps_that_noise_hides_end_no_train():
    edges = beeping([(1.0, 2.83), (4.0, 6.9)])
    hidden = [t for t in edges if not 4.75 < t < 5.1]  # two beeps
    raw = changes_at(hidden)
    assert [c.time_s for c in gather_beeps(raw)] == [1.0, edges[23], 4.0, edges[-1]]
    live, _ = told_live(raw, 8.0)
    assert list(live)[-2:] == [4.0, edges[-1]]  # once the clock is known


def test_a_beep_that_is_due_and_does_not_come_ends_a_train():
    # Each train begins in step with the one before, two beeps later.
    edges = beeping([(at, at + 0.43) for at in np.arange(1.0, 13.0, 0.6)])
    raw = changes_at(edges)

    def sounds(begin_s, end_s):
        return 10.0 if np.searchsorted(edges, 0.5 * (begin_s + end_s)) % 2 else -10.0

    assert len(gather_beeps(raw, 14.0, 0.0, sounds=sounds)) == 40
    live, _ = told_live(raw, 14.0, pulse_s=(0.07, 0.09), sounds=sounds)
    assert list(live) == [c.time_s for c in gather_beeps(raw, sounds=sounds)]


@pytest.mark.parametrize("rests_open, jerks", [(True, 0.005), (False, 0.03)])
def test_cam_lobes_of_a_crank_that_is_turned_are_no_beeps(rests_open, jerks):
    edges, rng = [1.0], np.random.default_rng(3)
    for _ in range(6):
        for lasts_s in [0.1, 0.26] * 3 + ([1.9, 2.5] if rests_open else [0.1, 4.4]):
            edges.append(edges[-1] + lasts_s * rng.normal(1.0, jerks))
    raw = changes_at(edges)
    assert gather_beeps(raw, edges[-1] + 1.0, 0.0) == raw


def test_it_may_have_sounded_as_listening_began():
    raw = changes_at(np.arange(1.0, 9.0, 0.1).tolist())[1:]  # a motor turns the points
    assert gather_beeps(raw, sounds=lambda begin_s, end_s: -10.0) == raw
    raw = changes_at(beeping([(1.0, 2.83), (4.0, 5.83)]))[1:]
    assert [c.change for c in gather_beeps(raw)] == ["stops", "starts", "stops"]


@pytest.mark.parametrize("every_s", [0.8, 0.72])
def test_trains_that_follow_each_other_quickly_and_evenly_are_told_apart(every_s):
    trains = [(at, at + 0.43) for at in np.arange(1.0, 19.0, every_s)]
    changes = changes_in(tone_on(beeping(trains), 20.0))
    assert [c.change for c in changes] == ["starts", "stops"] * len(trains)
    openings = [c.time_s for c in changes[::2]]
    assert openings == pytest.approx([start for start, _ in trains], abs=0.003)


def test_a_beeper_is_learnt_in_a_room_that_fills_its_gaps():
    trains = [(1.0, 2.83), (4.0, 5.615), (7.0, 8.293), (9.5, 11.108)]
    sound = tone_on(beeping(trains, 0.11, 0.055), 13.0, noise=0.001)
    t = np.arange(RATE // 2) / RATE
    echo = np.random.default_rng(3).normal(size=len(t)) * 10 ** (-3 * t / 0.5)
    echo *= 0.5 / np.sqrt(np.sum(echo**2))
    echo[0] += 1.0
    changes = changes_in(fftconvolve(sound, echo)[: len(sound)].astype(np.float32))
    assert [c.change for c in changes] == ["starts", "stops"] * 4
    openings = [c.time_s for c in changes[::2]]
    assert openings == pytest.approx([start for start, _ in trains], abs=0.003)


def test_the_net_gives_odds():
    seen = np.random.default_rng(2).normal(size=(COUNT, STEPS)).astype(np.float32)
    for odds, count in zip(judged(seen), (STEPS + 1, STEPS), strict=True):
        assert odds.shape == (count,)
        assert odds.sum() == pytest.approx(1.0)
        assert (odds >= 0).all()


def test_the_model_resolves_what_the_net_agrees_with():
    t = times_s(0.2)
    odds = np.exp(-0.5 * ((t - 0.2001) / 0.0007) ** 2)
    sure = BreakOdds(t, odds / odds.sum())
    near, u_s = sure.with_opinion(0.2)
    assert near == pytest.approx(0.2, abs=1e-5)
    assert 0.0003 < u_s < 0.001
    assert sure.with_opinion(0.24)[0] == pytest.approx(0.2001, abs=1e-4)
    doubtful = BreakOdds(t, np.full(len(t), 1 / len(t)))
    assert doubtful.with_opinion(0.2)[1] > 0.005


def test_what_trains_is_not_what_checks_and_the_wider_world_has_its_truth():
    assert not set(TRAINING_SEEDS) & set(VALIDATION_SEEDS)
    assert 11 not in TRAINING_SEEDS
    assert 11 not in VALIDATION_SEEDS
    for world in ("altered", "keyed"):
        scene, moves = draw_scene(1002, world)
        assert moves == sorted(moves)
        assert len(moves) >= 4
        assert all(0 < a <= b < scene.seconds for a, b in moves)
