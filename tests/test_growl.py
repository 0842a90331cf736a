"""A growl beside a tone and hiss: what is told of it, and that hiss alone is no buzzer."""

import numpy as np
import pytest

from analysis.ear.belief import HISS
from analysis.ear.clues import times_s
from analysis.ear.growl import growl_in
from analysis.ear.recording import hear
from analysis.ear.spectrum import FrameGrid
from analysis.ear.stretch import Stretch
from analysis.ear.teaching import teach
from analysis.ear.tell import Tell
from analysis.sound import Block

RATE = 16_000


def growl(seconds, seed=4, hz=120.0, highest_hz=4800.0):
    """Return the harmonics of a pitch that wavers, up to some frequency."""
    rng = np.random.default_rng(seed)
    knots = rng.normal(0.0, 0.015, int(30 * seconds) + 2)
    t = np.arange(round(seconds * RATE)) / RATE
    turns = np.cumsum(hz * (1 + np.interp(t, np.linspace(0, seconds, len(knots)), knots))) / RATE
    phases = rng.uniform(0, 1, 40)
    count = int(highest_hz / hz)
    parts = (np.sin(2 * np.pi * (k * turns + phases[k])) / np.sqrt(k) for k in range(1, count))
    return 0.05 * sum(parts)


def hiss(seconds, size=0.1, seed=5):
    return size * np.random.default_rng(seed).normal(size=round(seconds * RATE))


def tone(seconds):
    return 0.2 * np.sin(2 * np.pi * 2700 * np.arange(round(seconds * RATE)) / RATE)


def stretch_about_its_end(sound, edges_s, seconds=0.4):
    """Return a stretch in which a sound stops at the last edge, and comes and goes before."""
    t = np.arange(round(seconds * RATE)) / RATE
    on = np.searchsorted(edges_s, t, side="right") % 2 == 0
    silence = hiss(seconds, 0.003, 6)
    grid = FrameGrid.at_rate(RATE)
    lesson = teach(
        *(grid.powers(x.astype(np.float32)) for x in (hiss(3, 0.003), sound(3) + hiss(3, 0.003))),
        grid,
    )
    tell = Tell.of(lesson.buzzer, grid, "open")
    return Stretch(on * sound(seconds) + silence, RATE, tell, 1, edges_s[-1])


@pytest.mark.parametrize(("sound", "least", "most"), [(growl, 0.4, 1.0), (hiss, 0.0, HISS)])
def test_a_growl_repeats_itself_and_hiss_does_not(sound, least, most):
    heard = growl_in(stretch_about_its_end(sound, [0.35]))
    assert heard is not None
    assert least < heard.repeats.alike <= most


def test_a_growl_of_which_little_stands_out_is_one():
    def muffled(seconds):
        return growl(seconds, highest_hz=700.0)

    heard = growl_in(stretch_about_its_end(muffled, [0.35]))
    assert heard is not None and heard.repeats.alike > HISS


def test_a_tone_is_no_growl():
    assert growl_in(stretch_about_its_end(tone, [0.35])) is None


def test_a_break_of_three_milliseconds_shows():
    """Its loudness sways by as much within a period; held against the next, it is a dip."""
    breaks_s = 0.320, 0.323
    stretch = stretch_about_its_end(growl, [*breaks_s, 0.350])
    heard = growl_in(stretch)
    assert heard is not None
    t, gone = times_s(stretch.run[-1]), heard.clues[6]
    within = (t > breaks_s[0] + 0.001) & (t < breaks_s[1] - 0.001)
    calm = (t > 0.25) & (t < breaks_s[0] - 0.002)
    assert gone[within].min() > 0.7
    assert np.quantile(np.abs(gone[calm]), 0.95) < 0.2


@pytest.mark.parametrize(("sound", "is_heard"), [(hiss, False), (growl, True)])
def test_hiss_that_comes_and_goes_is_no_buzzer(sound, is_heard):
    """A valve is opened and shut; a growl as loud, switched alike, is heard."""
    t = np.arange(40 * RATE) / RATE
    edges_s = np.cumsum(np.random.default_rng(8).uniform(0.6, 2.0, 26))
    on = np.searchsorted(edges_s, t, side="right") % 2 == 1
    x = (on * sound(40) + hiss(40, 0.01, 9)).astype(np.float32)
    blocks = list(Block(x, float(RATE), 0.0).pieces(1.0))
    assert bool(hear(lambda: blocks, "open").changes) is is_heard


def test_what_swells_at_another_pitch_is_not_the_growl():
    """Five swells, as of a voice."""
    edges_s = [1.5, 3.0, 4.2, 6.1, 7.4, 9.0, 10.3, 12.2, 13.6, 15.1, 16.4, 18.0, 19.2, 21.0]
    t = np.arange(24 * RATE) / RATE
    x = (np.searchsorted(edges_s, t) % 2) * growl(24) + hiss(24, 0.01)
    swell = np.bartlett(round(0.45 * RATE)).clip(0.0, 0.67) / 0.67
    for number, begin_s in enumerate([3.4, 6.5, 9.4, 12.6, 18.4]):
        first = round(begin_s * RATE)
        x[first : first + len(swell)] += swell * growl(0.45, number, 165.0)
    heard = hear(lambda: Block(x.astype(np.float32), RATE, 0.0).pieces(1.0), "open")
    times_s = np.array([change.time_s for change in heard.changes])
    assert all(np.abs(times_s - edge).min() < 0.005 for edge in edges_s)
    assert len(times_s) == len(edges_s)
