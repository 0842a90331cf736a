"""The level of a buzzer goes up and down while its state lasts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.ear.live import LiveEar
from analysis.ear.recording import hear
from analysis.ear.sway import FOLLOWS, MOST_DB, MOST_OFF_DB, TOGETHER, Sway
from analysis.sound import Block

RATE = 16_000
MOVES_S = np.cumsum([6.0, 3.1, 4.3, 6.2, 2.4, 5.3, 3.2, 6.7, 2.9, 5.5])
USUAL_DB = np.array([[-40.0, -50.0], [-32.0, -42.0]])


def swaying(sway_db: float, period_s: float) -> Block:
    """A tone 8 dB louder every other time, in a hiss, that goes up and down as well."""
    t = np.arange(50 * RATE) / RATE
    louder = np.searchsorted(MOVES_S, t, side="right") % 2
    level_db = -30.0 + 8.0 * louder + sway_db * np.sin(2 * np.pi * t / period_s)
    hiss = 0.001 * np.random.default_rng(1).normal(size=len(t))
    sound = 10 ** (level_db / 20) * np.sin(2 * np.pi * 2700.0 * t) + hiss
    return Block(sound.astype(np.float32), float(RATE), 0.0)


@pytest.mark.parametrize(("sway_db", "period_s"), [(0.0, 1.0), (4.0, 17.0), (5.0, 30.0)])
def test_two_loudnesses_are_told_though_both_go_up_and_down(sway_db, period_s):
    sound = swaying(sway_db, period_s)
    heard = hear(lambda: [sound], "both")
    assert heard.buzzer is not None and heard.buzzer.sounds_in_both()
    assert [c.time_s for c in heard.changes] == pytest.approx(MOVES_S, abs=0.002)


@pytest.mark.parametrize(("sway_db", "period_s"), [(4.0, 17.0), (6.0, 40.0)])
def test_live_as_well_and_what_goes_astray_is_found_again(sway_db, period_s):
    """By 6 dB in 40 s a print goes astray; what it had missed is told once another is learnt."""
    sound = swaying(sway_db, period_s)
    ear = LiveEar(sound.rate_hz, "both")
    told = [change for piece in sound.pieces(0.02) for change in ear.hear(piece)] + ear.finish()
    assert [c.time_s for c in told] == pytest.approx(MOVES_S, abs=0.002)


def fading(db: float, *about_s: float) -> Block:
    """A tone that comes and goes in a restless noise, and fades by so much about some moments."""
    rng = np.random.default_rng(1)
    t = np.arange(50 * RATE) / RATE
    sounds = np.searchsorted(MOVES_S, t, side="right") % 2
    fade = sum(np.clip(2.0 - np.abs(t - at) / 0.4, 0, 1) for at in about_s)
    noise_db = -60 + np.interp(t, np.arange(0, 51, 0.25), rng.normal(0, 8, 204))
    noise = 10 ** (noise_db / 20) * rng.normal(size=len(t))
    tone = 0.2 * sounds * 10 ** (-db * fade / 20) * np.sin(2 * np.pi * 2700.0 * t)
    return Block((tone + noise).astype(np.float32), float(RATE), 0.0)


@pytest.mark.parametrize(
    ("db", "about_s"), [(8.0, (18.3, 42.8)), (12.0, (18.3, 42.8)), (5.0, MOVES_S[3:8])]
)
def test_a_tone_that_fades_for_a_while_has_not_stopped(db, about_s):
    """As when somebody walks between it and the phone."""
    sound, ear = fading(db, *about_s), LiveEar(float(RATE), "open")
    live = [change for piece in sound.pieces(0.02) for change in ear.hear(piece)] + ear.finish()
    for told in hear(lambda: [sound], "open").changes, live:
        assert [c.time_s for c in told] == pytest.approx(MOVES_S, abs=0.002)


def test_a_sound_that_comes_and_goes_does_not_sound_in_both():
    t = np.arange(50 * RATE) / RATE
    on = np.searchsorted(MOVES_S, t, side="right") % 2
    hiss = 0.01 * np.random.default_rng(1).normal(size=len(t))
    hum = 0.2 * np.sin(2 * np.pi * 150.0 * t)
    sound = (0.03 * on * np.sin(2 * np.pi * 2700.0 * t) + hum + hiss).astype(np.float32)
    heard = hear(lambda: [Block(sound, float(RATE), 0.0)], "open")
    assert heard.buzzer is not None and not heard.buzzer.sounds_in_both()


@given(
    st.lists(st.tuples(st.floats(-30, 30), st.integers(1, TOGETHER), st.booleans()), max_size=60)
)
def test_a_level_is_followed_slowly_and_not_far(heard):
    sway = Sway(USUAL_DB.astype(np.float32))
    at = np.zeros((1, 2), dtype=np.float32)
    for off_db, count, is_sure in heard:
        count = min(count, sway.left)
        before = sway.steadied(at)
        levels = np.full((count, 2), USUAL_DB[1] + off_db, dtype=np.float32)
        sway.hear(levels, np.full(count, 20.0 if is_sure else 1.0))
        after = sway.steadied(at)
        assert np.all(np.abs(after - before) <= FOLLOWS * MOST_OFF_DB + 1e-6)
        assert np.all(np.abs(after) <= MOST_DB) and 0 < sway.left <= TOGETHER


def test_it_begins_as_it_was_but_no_further_than_half_way_to_the_other_state():
    sway = Sway(USUAL_DB.astype(np.float32))
    for off_db, wanted_db in ((2.0, 2.0), (7.0, 4.0), (-9.0, -4.0)):
        sway.begin_at(np.full((5, 2), USUAL_DB[0] + off_db, dtype=np.float32), 0)
        assert -sway.steadied(np.zeros((1, 2), np.float32))[0] == pytest.approx([wanted_db] * 2)
