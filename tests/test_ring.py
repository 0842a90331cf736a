"""What rings beside the buzzer's pitch: it is taken out, and the buzzer is not."""

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.ear.recording import hear
from analysis.ear.ring import NOTCH_HZ, Ring, Rings, notched
from analysis.ear.spectrum import FrameGrid
from analysis.ear.teaching import teach
from analysis.sound import Block

RATE = 16_000
PITCH_HZ = 2700.0
BEEPS = [(k + 0.02, k + 0.07 + 0.125 * 11, 0.125) for k in range(1, 28, 3)]
"""Trains of beeps: when they begin and end, and their period, in s."""


def times(seconds):
    return np.arange(round(seconds * RATE)) / RATE


def tone(seconds):
    return 0.05 * np.sin(2 * np.pi * PITCH_HZ * times(seconds))


def hiss(seconds):
    return 0.0005 * np.random.default_rng(3).normal(size=round(seconds * RATE))


def rings(seconds, at_s, hz, size=0.2, dies_s=0.3):
    """Return what rings from each of some moments on."""
    sound = np.zeros(round(seconds * RATE))
    for moment_s in at_s:
        t = times(seconds) - moment_s
        sound += size * np.sin(2 * np.pi * hz * t) * np.exp(-t.clip(0) / dies_s) * (t > 0)
    return sound


def beeper(seconds):
    """Return a buzzer that beeps eight times a second, each for 50 ms."""
    t = times(seconds)
    on = np.zeros(len(t), dtype=bool)
    for begin_s, end_s, period_s in BEEPS:
        on |= (t >= begin_s) & (t < end_s) & ((t - begin_s) % period_s < 0.05)
    return on * tone(seconds)


def listening(heard_from_s=-1.0):
    """Return what takes rings out beside a buzzer that has been taught, and heard."""
    grid = FrameGrid.at_rate(RATE)
    sounds = hiss(3), hiss(3) + tone(3)
    cleared = Rings(grid)
    cleared.listen_for(teach(*(grid.powers(x.astype(np.float32)) for x in sounds), grid).buzzer)
    cleared.heard_at(PITCH_HZ, round(heard_from_s * RATE))
    return grid, cleared


def test_a_ring_is_taken_out_and_a_tone_beside_it_is_not():
    # Against the direct form of the same filter, by scipy.
    ring = Ring(PITCH_HZ * 1.03, 3.0)
    sound = rings(1.0, [0.0], ring.hz, dies_s=1 / 3) + tone(1.0)
    zero, pole = (np.exp(-(ring.decay + more) / RATE) for more in (0.0, np.pi * NOTCH_HZ))
    taps = ([1, -2 * r * np.cos(2 * np.pi * ring.hz / RATE), r**2] for r in (zero, pole))
    cleared = notched(sound, ring, RATE)
    np.testing.assert_allclose(cleared, lfilter(*taps, sound), atol=1e-9)
    late = times(1.0) > 0.3
    assert np.std((cleared - tone(1.0))[late]) < 0.1 * np.std(tone(1.0)[late])


def test_what_is_cleared_does_not_depend_on_blocks():
    sound = (rings(3.0, [0.3, 1.6], PITCH_HZ * 0.97) + hiss(3.0)).astype(np.float32)

    def heard(size):
        _, cleared = listening()
        kept, powers, frame = np.zeros(0, dtype=np.float32), [], 0
        for k in range(0, len(sound), size):
            kept = np.concatenate([kept, sound[k : k + size]])
            powers.append(cleared.clear(kept, 0, frame))
            frame += len(powers[-1])
        return np.concatenate(powers)

    whole = heard(len(sound))
    assert (whole.max(axis=1) < 0.1 * FrameGrid.at_rate(RATE).powers(sound).max(axis=1)).sum() > 100
    for size in (160, 1234):
        np.testing.assert_allclose(heard(size), whole, rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize("off", [0.0, 0.01])
def test_a_louder_tone_at_the_buzzers_pitch_is_left_in(off):
    grid, cleared = listening()
    sound = (rings(2.0, [0.5], PITCH_HZ * (1 + off)) + hiss(2.0)).astype(np.float32)
    plain = grid.powers(sound)
    np.testing.assert_array_equal(cleared.clear(sound, 0, 0), plain)


def test_a_louder_tone_that_does_not_die_away_is_left_in():
    """Nor is it taken for the ring beside which it begins."""
    whistle = 0.3 * (times(3.0) > 0.9) * np.sin(2 * np.pi * PITCH_HZ * 1.05 * times(3.0))
    for ring in (0.0, rings(3.0, [0.5], PITCH_HZ * 0.96)):
        grid, cleared = listening()
        sound = (ring + whistle + hiss(3.0)).astype(np.float32)
        late = slice(round(2.0 / grid.hop_s), None)
        plain = grid.powers(sound)[late].max(axis=1)
        np.testing.assert_allclose(cleared.clear(sound, 0, 0)[late].max(axis=1), plain, rtol=0.01)


def test_a_ring_is_left_in_until_the_buzzer_has_been_heard():
    grid, cleared = listening(heard_from_s=1.0)
    sound = (rings(4.0, [0.5, 2.2], PITCH_HZ * 0.97) + hiss(4.0)).astype(np.float32)
    plain = grid.powers(sound)
    taken_out = np.flatnonzero((plain - cleared.clear(sound, 0, 0)).max(axis=1) > 0.001)
    assert len(taken_out) > 10
    assert grid.middle_s(int(taken_out[0])) > 2.2


def test_a_beeper_is_heard_through_what_rings():
    seconds = 29.0
    at_s = [end_s - 0.36 for _, end_s, _ in BEEPS[1::4]]
    sound = beeper(seconds) + rings(seconds, at_s, PITCH_HZ * 1.025) + hiss(seconds)
    pieces = list(Block(sound.astype(np.float32), RATE, 0.0).pieces(1.0))
    changes = hear(lambda: pieces, "open").changes
    starts_s, stops_s = (
        [c.time_s for c in changes if c.change == way] for way in ("starts", "stops")
    )
    last_beeps_s = [begin_s + 11 * period_s + 0.05 for begin_s, _, period_s in BEEPS]
    np.testing.assert_allclose(starts_s, [begin_s for begin_s, _, _ in BEEPS], atol=0.005)
    np.testing.assert_allclose(stops_s, last_beeps_s, atol=0.005)
