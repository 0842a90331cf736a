"""What had been lost where nothing was told for long."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.change import Change
from analysis.ear.gaps import LEAST_S, MOST_S, around, long_gaps, lost_in
from analysis.ear.recording import hear
from analysis.sound import Block

RATE = 16_000
MOVES_S = np.arange(1.3, 38.5, 1.3)


def told(*times_s: float, first: str = "starts") -> list[Change]:
    kinds = ["starts", "stops"] if first == "starts" else ["stops", "starts"]
    return [
        Change(t, t, 0.001, kinds[i % 2], None, 20.0)  # type: ignore[arg-type]
        for i, t in enumerate(times_s)
    ]


KNOWN = told(1.0, 2.0, 3.0, 4.0, 15.0, 16.0)
GAP = (4.0, 15.0)


def test_a_gap_is_long_beside_what_is_usual():
    assert long_gaps(KNOWN, 0.0, 18.0) == [GAP]
    assert around(GAP, KNOWN) == (1.5, 17.5)
    assert long_gaps(told(1.0, 10.0, 19.0), 0.0, 30.0) == []
    assert long_gaps(KNOWN[:1], 0.0, 100.0) == []


@given(st.lists(st.floats(0.0, 500.0), min_size=2, max_size=30, unique=True))
def test_no_gap_overlaps_another_or_is_longer_than_can_be_kept(times_s):
    gaps = long_gaps(told(*sorted(times_s)), 0.0, 600.0)
    assert all(LEAST_S < b - a < MOST_S + 1e-6 for a, b in gaps)
    assert all(end <= begin for (_, end), (begin, _) in itertools.pairwise(gaps))


def test_what_was_lost_is_known_by_what_is_beside_it():
    anew = told(3.0, 4.01, 6.0, 7.0, 15.0, 16.02)
    assert lost_in(GAP, KNOWN, anew) == anew[2:4]
    assert lost_in(GAP, KNOWN, anew[:4]) == anew[2:4]  # it was not followed to the end
    assert lost_in(GAP, KNOWN, anew[3:]) == anew[3:4]
    assert lost_in(GAP, KNOWN, [*anew[:3], *anew[4:]]) == []  # it would start twice
    assert lost_in(GAP, KNOWN, told(3.4, 4.5, 6.0, 7.0, 15.0)) == []  # something else
    assert lost_in(GAP, KNOWN, told(3.0, 4.0, 6.0, 7.0, first="stops")) == []
    assert lost_in(GAP, KNOWN, [replace(one, change="shifts") for one in anew]) == []
    assert lost_in(GAP, KNOWN, []) == []


@pytest.mark.parametrize(("sag", "seed"), [(0.02, 1), (0.04, 0)])
def test_a_tone_that_sags_through_the_dips_of_a_room_is_found_again(sag, seed):
    """Two loudnesses; the room makes either louder and fainter by more than they are apart."""
    rng = np.random.default_rng(seed)
    t = np.arange(40 * RATE) / RATE
    loud = np.where(np.searchsorted(MOVES_S, t, side="right") % 2, 0.2, 0.08)
    x = loud * np.sin(2 * np.pi * np.cumsum(rng.uniform(2200, 3300) * (1 - sag * t / 40)) / RATE)
    room = x.copy()
    echoes = rng.uniform(0.004, 0.04, 4), rng.uniform(0.4, 0.95, 4) * rng.choice([-1, 1], 4)
    for later_s, part in zip(*echoes, strict=True):
        later = int(later_s * RATE)
        room[later:] += part * x[:-later]
    room += 0.004 * rng.normal(size=len(t))
    blocks = list(Block((0.5 * room).astype(np.float32), float(RATE), 0.0).pieces(1.0))
    times_s = np.array([change.time_s for change in hear(lambda: blocks, "both").changes])
    found = np.abs(times_s[:, None] - MOVES_S).min(axis=0) < 0.005
    assert found.sum() >= 26 and len(times_s) <= len(MOVES_S) + 1
