"""Matching words: the probability of a text is the sum over all ways to lay it along the frames."""

import itertools
import math

import numpy as np
import pytest
from bench.spoken_scenes import COMMANDS
from hypothesis import given
from hypothesis import strategies as st

from analysis.spoken.language import tokens_of
from analysis.spoken.matching import OTHER, WORDS, Opinion, likeliest, matcher_of

CLASSES = len(WORDS) + 2
EVEN = np.zeros((CLASSES, CLASSES), np.float32)
SOME = (0, WORDS.index("three") + 1, WORDS.index("thirty") + 1)


def opinion(odds: list[list[float]], follows: np.ndarray = EVEN) -> Opinion:
    """Return an opinion in which only SOME classes can be."""
    log_probs = np.full((len(odds), CLASSES), -60.0, np.float32)
    log_probs[:, SOME] = np.log(np.array(odds) / np.sum(odds, axis=1, keepdims=True))
    return Opinion(log_probs, follows)


def by_definition(log_probs: np.ndarray) -> dict[str, float]:
    """Add up every path, as Graves et al. (2006), equation 3, has it."""
    found: dict[str, float] = {}
    for path in itertools.product(SOME, repeat=len(log_probs)):
        chance = math.exp(sum(row[k] for row, k in zip(log_probs, path, strict=True)))
        text = " ".join(WORDS[k - 1] for k, _ in itertools.groupby(path) if k)
        found[text] = found.get(text, 0.0) + chance
    return found


@given(st.lists(st.lists(st.floats(0.05, 1.0), min_size=3, max_size=3), min_size=1, max_size=5))
def test_texts_have_the_probability_of_all_their_paths(odds: list[list[float]]) -> None:
    one = opinion(odds)
    found = dict(likeliest([one], beam=400))
    known = by_definition(one.log_probs)
    for text in {*found, *known}:
        chance = math.exp(found.get(text, -math.inf))
        assert chance == pytest.approx(known.get(text, 0.0), abs=1e-5)


def test_a_word_said_twice_needs_a_pause() -> None:
    three, silent = [0.01, 0.98, 0.01], [0.98, 0.01, 0.01]
    assert likeliest([opinion([three, three])])[0][0] == "three"
    assert likeliest([opinion([three, silent, three])])[0][0] == "three three"


def test_habit_decides_what_is_in_doubt_and_nothing_else() -> None:
    usual = EVEN.copy()
    usual[SOME[2], SOME[1]] = -2.0
    usual[SOME[2], SOME[2]] = -9.0
    silent, thirty = [0.98, 0.01, 0.01], [0.01, 0.01, 0.98]
    doubted = opinion([thirty, silent, [0.02, 0.48, 0.5]], usual)
    assert likeliest([doubted])[0][0] == "thirty three"
    clear = opinion([thirty, silent, [0.01, 0.01, 0.98], [0.01, 0.01, 0.98]], usual)
    assert likeliest([clear])[0][0] == "thirty thirty"


def test_opinions_are_pooled_by_the_means_of_their_logs() -> None:
    three, thirty = opinion([[0.01, 0.9, 0.09]]), opinion([[0.01, 0.19, 0.8]])
    shares = {text: math.exp(share) for text, share in likeliest([three, thirty, thirty])}
    assert sum(shares.values()) == pytest.approx(1.0)
    ratio = (0.09 / 0.9 * (0.8 / 0.19) ** 2) ** (1 / 3)  # Genest and Zidek (1986), section 3.2
    assert shares["thirty"] / shares["three"] == pytest.approx(ratio, rel=1e-4)
    agreed = {text: math.exp(share) for text, share in likeliest([thirty, thirty])}
    assert agreed["thirty"] == pytest.approx(0.8, abs=1e-4)


def test_a_text_that_one_opinion_has_no_room_for_is_none() -> None:
    three, thirty = [0.01, 0.98, 0.01], [0.01, 0.01, 0.98]
    shares = dict(likeliest([opinion([three, thirty]), opinion([three])]))
    assert shares["three thirty"] < math.log(1e-9)
    assert max(shares, key=lambda text: shares[text]) == "three"


def test_its_words_are_those_of_the_job() -> None:
    for said in COMMANDS:
        assert set(tokens_of(said)) <= set(WORDS)
    assert OTHER not in WORDS and len(set(WORDS)) == len(WORDS)


def test_weights_for_other_words_are_refused() -> None:
    with pytest.raises(ValueError, match="not for"):
        matcher_of({"follows": np.zeros((7, 7))})
