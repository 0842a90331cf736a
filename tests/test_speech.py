"""Speech in sound: utterances, recognition, the command line, and what happens when it fails."""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench.scenes import SENTENCES
from bench.spoken_scenes import HUMAN, RATE, draw, human, in_place, say, speakers
from bench.spoken_table import by_regex, judged, outcome, recognised, table

from analysis.ear.buzzer import BuzzerPrint
from analysis.sound import Block, Samples
from analysis.spoken.judge import Hypothesis, Meaning, Source, judge
from analysis.spoken.lines import LineRemover, lines_of
from analysis.wheel import Mark
from listen import moonshine, speech
from listen.child import Child, Gone
from listen.errors import BadInput
from listen.listener import Listener
from listen.speech import Recogniser, utterances_in
from listen.spoken import Spoken
from listen.voice import Spoke, Voice, tones

SAMPLES = Path(__file__).parents[1] / "samples"
no_model = any(importlib.util.find_spec(name) is None for name in speech.MODEL_PACKAGES)
needs_model = pytest.mark.skipif(no_model, reason="the speech model is not installed")
needs_second = pytest.mark.skipif(
    not moonshine.installed(), reason="the second speech model is not made for this machine"
)
needs_voice = pytest.mark.skipif(
    shutil.which("espeak-ng") is None, reason="espeak-ng is not installed"
)
VOICE = "espeak-ng en-us"


@pytest.fixture(scope="module")
def recogniser() -> Recogniser:
    return Recogniser()


def thirdear(*words: object) -> subprocess.CompletedProcess[str]:
    main = "from listen.cli import main; main()"
    command = [sys.executable, "-c", main, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def said(words: str, condition: str = "quiet", voice: str = VOICE, seed: int = 0) -> Samples:
    return in_place(say(words, voice), condition, np.random.default_rng(seed))


# The buzzer's lines


def test_a_steady_line_goes_and_a_voice_stays() -> None:
    rng = np.random.default_rng(0)
    t = np.arange(3 * RATE) / RATE
    voice = np.sin(2 * np.pi * 160.0 * t * (1 + 0.02 * np.sin(2 * np.pi * 3 * t)))
    voice *= np.sin(2 * np.pi * 2 * t) > 0
    drifting = np.sin(2 * np.pi * np.cumsum(2900.0 * (1 - 0.01 * t / 3)) / RATE)
    hiss = 0.003 * rng.normal(size=len(t))

    def through(x: Samples, size: int) -> Samples:
        remover = LineRemover(RATE)
        pieces = [remover.take(x[at : at + size]) for at in range(0, len(x), size)]
        return np.concatenate([*pieces, remover.finish()])[: len(x)]

    both = (voice + drifting + hiss).astype(np.float32)
    rest = through(both, 700) - voice
    assert np.std(rest[RATE:]) < 0.15 * np.std(drifting)
    np.testing.assert_array_equal(through(both, 700), through(both, 4096))
    alone = (voice + hiss).astype(np.float32)
    assert np.std(through(alone, 700) - alone) < 0.05 * np.std(alone)


def test_lines_of_a_print_are_where_it_sings() -> None:
    hz = np.arange(90.0, 8000.0, 46.9)
    spectrum = np.full((2, len(hz)), 1e-8)
    spectrum[1, [40, 80]] = 1e-3
    sings = BuzzerPrint(np.zeros((1, 2)), np.zeros((1, 150)), hz, spectrum, 0, 40.0, 9.0)
    assert lines_of(sings) == pytest.approx(hz[[40, 80]])


# Utterances and recognition


def test_silence_and_hiss_hold_no_utterance() -> None:
    rng = np.random.default_rng(0)
    for x in (np.zeros(5 * RATE), 0.01 * rng.normal(size=5 * RATE)):
        assert list(utterances_in([Block(x.astype(np.float32), RATE, 0.0)])) == []


@needs_voice
def test_an_utterance_is_cut_where_the_voice_is_whatever_the_blocks() -> None:
    x = np.concatenate([np.zeros(RATE, np.float32), said("thirty-four and a half before")])
    whole = list(utterances_in([Block(x, RATE, 100.0)]))
    size = 3001
    pieces = [Block(x[i : i + size], RATE, 100.0 + i / RATE) for i in range(0, len(x), size)]
    assert len(whole) == 1
    assert whole[0].start_s == pytest.approx(101.8, abs=0.25)
    assert whole[0].end_s == pytest.approx(100.0 + len(x) / RATE - 0.95, abs=0.25)
    (in_pieces,) = utterances_in(pieces)
    assert in_pieces.start_s == pytest.approx(whole[0].start_s, abs=0.04)


@needs_voice
def test_first_words_that_the_detector_misses_belong_to_the_utterance() -> None:
    hidden, heard = 0.003 * say("forty", VOICE), 0.1 * say("nine point five", VOICE)
    room = 0.001 * np.random.default_rng(0).normal(size=4 * RATE)
    x = np.concatenate([room, hidden, np.zeros(RATE), heard, np.zeros(RATE)]).astype(np.float32)
    (utterance,) = utterances_in([Block(x, RATE, 0.0)])
    assert utterance.start_s > len(room) / RATE + 1.0
    lead_s = utterance.start_s - (utterance.end_s + speech.TAIL_S - len(utterance.samples) / RATE)
    assert lead_s == pytest.approx(speech.LEAD_S, abs=0.05)


@needs_voice
def test_a_monologue_is_cut_off_and_is_no_reading() -> None:
    room = 0.001 * np.random.default_rng(0).normal(size=3 * RATE)
    talk = say("and so " + " ".join(SENTENCES).replace(".", "").replace(",", ""), VOICE)[
        : 30 * RATE
    ]
    found = list(utterances_in([Block(np.r_[room, 0.1 * talk].astype(np.float32), RATE, 0.0)]))
    assert found and found[0].too_long
    assert len(found[0].samples) == speech.WINDOW_S * RATE


@needs_voice
def test_a_near_voice_is_cut_out_of_talk_that_never_ends() -> None:
    talkers = ["espeak-ng en-us+f2", "espeak-ng en-gb+m3", "espeak-ng en-029", "espeak-ng en-us+m2"]
    crowd = np.zeros(24 * RATE)
    for i, voice in enumerate(talkers):
        talk = say("and so " + " ".join(SENTENCES[i:] + SENTENCES[:i]).replace(".", ""), voice)
        crowd += talk[: len(crowd)]
    x = 0.3 * crowd / np.sqrt(np.mean(crowd**2))  # some 10 dB below the one who is near
    near = say("thirty-four and a half before", VOICE)
    for at in (6 * RATE, 16 * RATE):
        x[at : at + len(near)] += near
    found = list(utterances_in([Block(0.1 * x.astype(np.float32), RATE, 0.0)]))
    for at_s in (6.0, 16.0):
        (one,) = (u for u in found if u.start_s < at_s + 1.0 and u.end_s > at_s)
        assert not one.too_long
        assert one.start_s == pytest.approx(at_s, abs=0.6)
        assert one.end_s == pytest.approx(at_s + len(near) / RATE, abs=0.9)


@needs_model
@needs_voice
def test_a_seeded_part_of_the_bench(recogniser: Recogniser) -> None:
    voices = [v for v in speakers() if v == HUMAN or v in (VOICE, "espeak-ng en-gb", "flite slt")]
    items = [
        {
            "kind": "r", "number": u.truth.number, "side": u.truth.side, "voice": u.voice,
            "wording": u.wording, "condition": u.condition, "rival": "thirty 30.",
            **recognised(u.sound, recogniser),
        }
        for u in draw(5, 14, voices, ("quiet", "buzzer"))
        if u.truth is not None
    ]  # fmt: skip
    outcomes = [outcome(item) for item in items]
    people = [o for item, o in zip(items, outcomes, strict=True) if item["voice"] == HUMAN]
    assert people.count("right") >= 0.8 * len(people) and "wrong" not in people
    assert outcomes.count("wrong") == 0
    assert outcomes.count("right") >= 0.7 * len(items)
    said_best = [judged(item)[0].best for item in items]
    truths = [Mark(item["number"], item["side"]) for item in items]
    hits = [b is not None and b.mark == t for b, t in zip(said_best, truths, strict=True)]
    assert sum(hits) >= 0.75 * len(items)
    assert "stated confidence" in table(items)
    for talk in SENTENCES[:4]:
        heard = {"kind": "n", **recognised(said(talk), recogniser)}
        assert not [j for j in judged(heard) if j.act == "accept" and j.best and j.best.mark]


def test_the_rival_reads_figures() -> None:
    assert by_regex("It's 34 1/2 before.") == Mark(34.5, "before")
    assert by_regex("nothing") is None


# The command line


@needs_model
@needs_voice
def test_readings_as_json(tmp_path: Path) -> None:
    path = tmp_path / "said.wav"
    parts = [said("twenty-eight point five before"), said("mind your fingers, would you")]
    soundfile.write(path, np.concatenate(parts), RATE)
    done = thirdear("readings", path, "--json")
    assert done.returncode == 0, done.stderr
    first, second = (json.loads(line) for line in done.stdout.splitlines())
    assert list(first) == ["start_s", "end_s", "words", "reading", "confidence", "accepted"]
    assert (first["reading"], first["accepted"]) == ("28.5 before", True)
    assert (second["reading"], second["accepted"]) == (None, False)


@needs_model
def test_readings_of_silence(tmp_path: Path) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(RATE), RATE)
    done = thirdear("readings", path)
    assert done.returncode == 1
    assert "no reading was understood" in done.stderr


def test_a_model_that_is_none_is_one_line_and_exit_2(tmp_path: Path) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(RATE), RATE)
    (tmp_path / "model.bin").write_bytes(b"no model")
    for folder in (tmp_path / "nowhere", tmp_path):
        done = thirdear("readings", path, "--model", folder)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1 and "can still be typed" in done.stderr


@needs_model
def test_a_model_that_was_changed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(speech.MODEL_SHA256, "config.json", "0" * 64)
    with pytest.raises(BadInput, match=r"config.json has SHA-256"):
        speech.packaged_model()


@needs_second
def test_a_second_encoder_that_was_changed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moonshine, "ENCODER_SHA256", "0" * 64)
    with pytest.raises(BadInput, match=r"encoder_model.ort has SHA-256 .*, or uninstall it"):
        moonshine.Encoder()


@needs_second
def test_the_second_encoder_hears_the_shortest_sound() -> None:
    encoder = moonshine.Encoder()
    assert len(encoder.features(np.zeros(1, np.float32))) > 10
    longer = encoder.features(np.zeros(3 * RATE, np.float32))
    assert len(longer) / 3.0 == pytest.approx(1 / 0.024, rel=0.02)


@needs_model
@needs_voice
def test_readings_are_understood_without_the_second_encoder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(moonshine, "installed", lambda: False)
    (heard,) = recognised(said("twenty-eight point five before"), Recogniser())["res"]
    assert {source for _, _, source in heard["h"]} == {Source.WRITTEN, Source.MATCHED}
    found = judge([Hypothesis(*one) for one in heard["h"]], heard["end"] - heard["start"])
    assert (found.act, found.best) == ("accept", Meaning(mark=Mark(28.5, "before")))


@needs_model
def test_words_that_begin_with_a_t_are_one_token(recogniser: Recogniser) -> None:
    tokens = recogniser._tokenizer
    for word in ("two", "three", "ten", "twelve", "thirty", "twenty", "top"):
        assert len(tokens.encode(f" {word}")) == 1
    whole = speech.mended(speech.packaged_model()[speech.TOKENIZER])
    assert speech.mended(whole) == whole


@needs_model
def test_a_whole_job_from_the_sound_alone() -> None:
    given = ("--engine", SAMPLES / "fire-pump.toml", "--sounding", "open", "--json", "--readings")
    sound = SAMPLES / "fire-pump.m4a"
    spoken, written = (
        json.loads(thirdear("replay", sound, *given, how).stdout)
        for how in ("spoken", SAMPLES / "fire-pump.csv")
    )
    assert spoken["warnings"] == [] and spoken["unpaired"] == written["unpaired"]
    for ours, theirs in zip(spoken["cylinders"], written["cylinders"], strict=True):
        for key in ("opens_at", "verdict", "correction"):
            assert ours[key] == theirs[key]
        assert ours["dead_centre"]["wheel_error_deg"] == theirs["dead_centre"]["wheel_error_deg"]


@needs_model
@needs_voice
def test_a_note_said_in_a_recording_stands_in_the_record(tmp_path: Path) -> None:
    said_in_turn = ("note, the plate is cracked", "twenty-eight and a half before")
    sound = np.concatenate([said(words) for words in said_in_turn])
    recording = tmp_path / "shed.wav"
    soundfile.write(recording, sound, RATE)
    given = ("--engine", SAMPLES / "fire-pump.toml", "--readings", "spoken", "--json")
    record = json.loads(thirdear("replay", recording, *given).stdout)
    assert [words.strip(" .") for words in record["noted"]] == ["the plate is cracked"]
    assert [reading["reading"] for reading in record["readings"]] == ["28.5 before"]


# The listener and the voice


class Slow:
    """Stands in for a recogniser."""

    def __init__(self, does: str) -> None:
        self.does = does

    def write_down(self, samples: Samples) -> tuple[Hypothesis, ...]:
        if self.does == "crash":
            raise RuntimeError("out of memory")
        if self.does == "hang":
            time.sleep(3.0)
        words = "thirty-four and a half before"
        return Hypothesis(words, -0.1, Source.MATCHED), Hypothesis(f"{words}.", -0.3)


def listen_to(does: str, sound: Samples, spoke: Spoke | None = None) -> tuple[list[Spoken], str]:
    heard: list[Spoken] = []
    listener = Listener(heard.append, spoke or Spoke(), lambda: Slow(does))  # type: ignore
    for at in range(0, len(sound), 1600):
        began = time.perf_counter()
        listener.hear(Block(sound[at : at + 1600], RATE, at / RATE))
        assert time.perf_counter() - began < 0.05
    listener.close(wait_s=2.0)
    return heard, listener.trouble or ""


@needs_voice
def test_the_listener_reports_what_is_spoken() -> None:
    heard, trouble = listen_to("work", said("thirty-four and a half before"))
    assert [spoken.reading for spoken in heard] == ["34.5 before"]
    assert trouble == ""


@needs_voice
@pytest.mark.parametrize(("does", "why"), [("crash", "out of memory"), ("hang", "hangs")])
def test_a_failing_engine_is_said_and_the_session_goes_on(
    does: str, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listen.listener.HANGS_S", 0.5)
    heard, trouble = listen_to(does, said("thirty-four and a half before"))
    assert heard == [] and why in trouble and "can still be typed" in trouble


def test_a_process_that_hangs_is_said_to_hang_even_before_it_took_the_question_in() -> None:
    child = Child("listen.recogniser", "no such model")
    assert "error" in child.answer(60.0)
    os.kill(child._process.pid, signal.SIGSTOP)
    with pytest.raises(Gone, match="hangs"):
        child.ask(bytes(1_000_000), 0.3)
    assert child.gone == "hangs"


@needs_voice
def test_what_the_program_says_is_no_reading() -> None:
    spoke = Spoke()
    spoke.begins(0.5)
    spoke.ends(4.0)
    heard, _ = listen_to("work", said("thirty-four and a half before"), spoke)
    assert heard == []


def test_the_voice_says_when_it_speaks() -> None:
    now = [10.0]
    spoke, played = Spoke(), threading.Event()

    def play(samples: Samples, rate: int) -> None:
        assert spoke.covers(10.0, 10.1)
        now[0] += len(samples) / rate
        played.set()

    voice = Voice(lambda: now[0], spoke, play, "tones")
    voice.say("thirty-four and a half, before")
    voice.wait()
    voice.close()
    assert played.is_set()
    assert spoke.covers(now[0], now[0] + 0.1)
    assert not spoke.covers(now[0] + 1.0, now[0] + 2.0) and not spoke.covers(9.0, 9.9)


def test_no_loudspeaker_is_no_disaster() -> None:
    def play(samples: Samples, rate: int) -> None:
        raise OSError("no device")

    voice = Voice(lambda: 0.0, Spoke(), play, "tones")
    voice.say("twenty-eight")
    voice.close()
    assert "no device" in (voice.trouble or "")


def test_a_question_sounds_unlike_an_answer() -> None:
    assert not np.allclose(tones("thirty")[0], tones("thirty?")[0])


@needs_voice
def test_human_recordings_where_they_are_installed() -> None:
    if HUMAN not in speakers():
        pytest.skip("the recorded digits are not installed")
    assert len(human(Mark(34.5), "point", np.random.default_rng(0))) > RATE
