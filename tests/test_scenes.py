"""The bench's scenes and scoring: their own small checks."""

import mir_eval
import numpy as np
import pytest
from bench import scenes
from bench.score import Found, score


@pytest.mark.parametrize("buzzer", scenes.BUZZERS)
def test_scene_sounds_only_when_its_truth_says_so(buzzer: str) -> None:
    scene = scenes.make_scene(
        buzzer, "broadband", None, 2, seconds=8, codec="none", agc=False, muffled=False, room=False
    )
    again = scenes.make_scene(
        buzzer, "broadband", None, 2, seconds=8, codec="none", agc=False, muffled=False, room=False
    )
    assert np.array_equal(scene.samples, again.samples)
    assert scene.truth == again.truth
    assert len(scene.truth) >= 2
    for change in scene.truth:
        assert change.time_s <= change.settled_s <= change.time_s + 0.1001
    if scene.sounding == "both":
        assert {change.change for change in scene.truth} == {"shifts"}
        return
    level = np.abs(scene.samples).max()
    for change in scene.truth:
        if change.change == "starts":
            at = round(change.time_s * scene.rate_hz)
            before = scene.samples[at - 1500 : at]
            after = scene.samples[at : at + 6000]
            assert np.abs(before).max() < 0.02 * level < 0.2 * level < np.abs(after).max()


def test_snr_is_the_loud_buzzer_over_the_noise() -> None:
    scene = scenes.make_scene(
        "piezo-closed", "broadband", 6.0, 1, seconds=6, room=False, muffled=False, keep_known=True
    )
    assert scene.known is not None
    noise = np.mean(scene.known.noise**2)
    assert 10 * np.log10(1.0 / noise) == pytest.approx(6.0, abs=0.05)
    assert np.mean(scene.known.main_tone**2) == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("codec", ["aac", "mp3", "opus"])
def test_codecs_keep_the_times(codec: str) -> None:
    plain, coded = (
        scenes.make_scene(
            "piezo-open", "broadband", None, 4, seconds=5, agc=False, codec=name, room=False
        )
        for name in ("none", codec)
    )
    assert len(coded.samples) == len(plain.samples)
    quarter = plain.rate_hz // 4
    match = np.correlate(coded.samples[: 16 * quarter], plain.samples[100 : 16 * quarter - 100])
    assert abs(int(np.argmax(match)) - 100) <= 2


def test_scores_agree_with_mir_eval() -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        true_s = np.sort(rng.uniform(0.0, 1.0, rng.integers(1, 30)))
        found_s = np.sort(
            np.concatenate([true_s + rng.normal(0, 0.005, len(true_s)), rng.uniform(0, 1, 5)])
        )
        found_s = found_s[found_s >= 0.0]
        truth = [scenes.TrueChange(t, t, t, "starts", "open") for t in true_s]
        ours = score(truth, [Found(t) for t in found_s], 1.0)
        theirs = mir_eval.onset.f_measure(true_s, found_s, window=0.005)
        assert (ours.f1, ours.precision, ours.recall) == pytest.approx(theirs)


def test_a_pulsed_stop_between_beeps_may_be_anywhere_in_the_gap() -> None:
    stop = scenes.TrueChange(1.0, 1.0, 1.0, "stops", "closed", last_sound_s=0.9, next_beep_s=1.1)
    for time_s, hits in ((0.894, 0), (0.896, 1), (1.0, 1), (1.104, 1), (1.106, 0)):
        assert score([stop], [Found(time_s)], 2.0).hits == hits
    in_beep = scenes.TrueChange(1.0, 1.0, 1.0, "stops", "closed", last_sound_s=1.0, next_beep_s=1.1)
    assert score([in_beep], [Found(1.05)], 2.0).hits == 0
