"""The language of spoken readings, what is made of them, and the job they steer."""

import num2words
import pytest
from bench.spoken_scenes import WORDINGS, words_for
from hypothesis import given
from hypothesis import strategies as st

from analysis.engine import engine_from
from analysis.spoken.commands import Command, take_apart
from analysis.spoken.dialogue import ANSWER_S, Dialogue
from analysis.spoken.job import SpokenJob
from analysis.spoken.judge import (
    COST_WRONG,
    LEAST_PLAUSIBLE,
    SAME_NUMBER_S,
    Candidate,
    Expected,
    Hypothesis,
    Judged,
    Meaning,
    Source,
    decide,
    judge,
    plausibility,
)
from analysis.spoken.language import (
    cardinal,
    in_figures,
    say,
    sound_alike,
    tokens_of,
    understand,
)
from analysis.spoken.matching import OTHER, WORDS
from analysis.timing import timing_record
from analysis.wheel import Mark, Wheel, parse

quarters = st.integers(0, 240).map(lambda n: n / 4)
marks = st.builds(
    lambda number, side: Mark(number, side if number else None),
    quarters,
    st.sampled_from([None, "before", "after"]),
)
ICAO = {
    "ZE-RO": 0, "WUN": 1, "TOO": 2, "TREE": 3, "FOW-er": 4, "FIFE": 5, "SIX": 6, "SEV-en": 7,
    "AIT": 8, "NIN-er": 9,
}  # fmt: skip
"""Digits as ICAO Doc 9432 spells their sound (2.3.1)."""


def only(text: str) -> Mark:
    best = understand(text)[0]
    assert best.odds > 0.7
    return best.mark


@given(marks, st.sampled_from(WORDINGS))
def test_every_wording_of_every_reading_is_understood(mark: Mark, wording: str) -> None:
    assert understand(words_for(mark, wording))[0].mark == mark


@given(marks)
def test_what_is_spoken_back_is_what_was_meant(mark: Mark) -> None:
    assert only(say(mark)) == mark
    assert parse(in_figures(mark)) == mark


@given(st.integers(0, 360), st.sampled_from(["", "before", "after"]))
def test_every_whole_number_as_a_published_library_words_it(number: int, side: str) -> None:
    theirs = num2words.num2words(number)
    assert only(f"{theirs} {side}").number == number
    assert cardinal(number) == theirs


@given(st.integers(0, 3600).map(lambda n: n / 10))
def test_tenths_as_a_published_library_words_them(number: float) -> None:
    assert only(num2words.num2words(number)).number == number


@given(st.text())
def test_any_text_is_taken_without_a_fuss(text: str) -> None:
    senses = understand(text)
    assert sum(sense.odds for sense in senses) <= 1.0 + 1e-9
    take_apart(text)


@pytest.mark.parametrize(("spelt", "digit"), ICAO.items())
def test_radio_digits_as_icao_spells_them(spelt: str, digit: int) -> None:
    assert only(spelt).number == digit
    assert only(f"TREE {spelt} DAY-SEE-MAL FIFE").number == 30.5 + digit


@pytest.mark.parametrize(
    ("words", "reading"),
    [
        ("34 1/2", "34.5"), ("34½ before", "34.5 before"), ("34.5.", "34.5"), ("-2", "2 after"),
        ("3, 4.5", "34.5"), ("a quarter after", "0.25 after"), ("Top dead centre.", "0"),
        ("one hundred and eighty", "180"), ("thirty to", "32"), ("twenty for be for", "24 before"),
        ("eighteen before. eighteen before. eighteen", "18 before"),
        ("two. one.", "21"), ("seven. seven. seven. seven.", "7"),
        ("um, it reads thirty degrees before top dead centre", "30 before"),
    ],
)  # fmt: skip
def test_words_as_recognisers_write_them(words: str, reading: str) -> None:
    assert only(words) == parse(reading)


@pytest.mark.parametrize(
    "words",
    ["thirty-four fifty", "37. 37.", "point five", "three four five", "fifteen three"],
)
def test_what_can_be_read_in_two_ways_is_doubted(words: str) -> None:
    assert 0.0 < understand(words)[0].odds < 0.8


@pytest.mark.parametrize(
    "words",
    ["", "and a half before", "400", "thirty-four washers", "at half past ten", "damn", "1934"],
)
def test_what_is_no_reading_is_none(words: str) -> None:
    assert understand(words) == ()


@given(marks)
def test_sound_alikes_come_in_pairs(mark: Mark) -> None:
    other = sound_alike(mark)
    assert other is None or sound_alike(other) == mark


@pytest.mark.parametrize(
    ("words", "commands"),
    [
        ("Strike.", ["strike"]), ("What now?", ["what now"]), ("on the stop", ["stop"]),
        ("stop listening", ["stop listening"]),
        ("Cylinder to. Opening.", ["cylinder 2", "opening"]),
        ("say again", ["again"]), ("strike. strike.", ["strike"]),
        ("note the plug was loose", ["note"]),
    ],
)  # fmt: skip
def test_commands(words: str, commands: list[str]) -> None:
    said = take_apart(words, ("1", "2"))
    assert said is not None and said.senses == ()
    assert [f"{c.word} {c.argument}".strip() for c in said.commands] == commands


@given(marks, st.sampled_from(WORDINGS))
def test_no_number_is_a_command(mark: Mark, wording: str) -> None:
    said = take_apart(words_for(mark, wording))
    assert said is not None and said.commands == ()


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5))
def test_nothing_is_accepted_that_costs_more_than_asking(chances: list[float]) -> None:
    whole = max(1.0, sum(chances))
    made = [Candidate(Meaning(mark=Mark(float(i))), c / whole) for i, c in enumerate(chances)]
    judged = decide(made)
    if judged.act == "accept":
        assert COST_WRONG * (1.0 - judged.confidence) <= 1.0 + 1e-9


@given(marks, st.floats(-180.0, 180.0))
def test_plausibility_never_overrules_what_was_clearly_said(mark: Mark, near: float) -> None:
    said = (Hypothesis(f"{say(mark)}.", -0.3),)
    expected = Expected(Wheel(), (near,))
    judged = judge(said, 2.0, expected)
    assert judged.best == Meaning(mark=mark)
    assert plausibility(Meaning(mark=mark), expected) >= LEAST_PLAUSIBLE


def test_a_teen_and_a_ten_are_both_offered() -> None:
    alike = (Hypothesis("thirteen before.", -1.0), Hypothesis("thirty before.", -1.2))
    judged = judge(alike, 1.0)
    assert judged.act == "offer"
    assert judged.question() == "thirteen, before or thirty, before?"


def test_a_teen_is_asked_when_the_ten_was_heard_as_well() -> None:
    teen = (
        Hypothesis("fifteen dot two five", -0.01, Source.MATCHED),
        Hypothesis("fifteen dot two five.", -0.2),
    )
    assert judge(teen, 2.0).act == "accept"
    ten = Hypothesis("fifty dot two five.", -2.2)
    assert judge((*teen, ten), 2.0).act in ("offer", "ask")
    assert judge((*teen, Hypothesis("fifteen too fine.", -2.2)), 2.0).act == "accept"


def test_zeroed_is_known_from_zero_by_whether_it_is_time_for_it() -> None:
    zeroed = (
        Hypothesis("zeroed", -0.05, Source.MATCHED),
        Hypothesis("zero", -3.0, Source.MATCHED),
        Hypothesis("zero.", -0.8),
        Hypothesis("zeroed.", -2.6),
    )
    assert judge(zeroed, 0.7).doubted
    due = follow("stop, eighteen before", "fifteen after").expected()
    judged = judge(zeroed, 0.7, due)
    assert judged.act == "accept" and judged.best == Meaning((Command("zeroed"),))
    for said in ("stop, eighteen before", "twenty-eight before"):
        early = judge(zeroed, 0.7, follow(said).expected())
        assert early.act != "accept"
    assert follow("stop, eighteen before", "fifteen after", "zeroed").expected().zeroing is False


def test_matched_words_say_which_reading_and_free_ones_whether_it_was_one() -> None:
    held = (
        Hypothesis("four one decimal two five.", -1.0, Source.MATCHED),
        Hypothesis("one decimal two five.", -2.5, Source.MATCHED),
    )
    misspelt = Hypothesis("power one decimal two five.", -0.9)
    meant = judge((misspelt, *held), 2.0)
    assert meant.best == Meaning(mark=Mark(41.25))
    assert meant.heard == misspelt.text
    other = (Hypothesis("for one they are too fine.", -0.9), Hypothesis("fine.", -6.0))
    talk = judge((*other, *held), 2.0)
    plain = judge((Hypothesis("four one decimal two five.", -0.9), *held), 2.0)
    assert talk.act != "accept"
    assert talk.confidence < plain.confidence


@given(marks, st.sampled_from(["fraction", "point", "digits"]))
def test_every_reading_can_be_written_in_the_matched_words(mark: Mark, wording: str) -> None:
    assert set(tokens_of(words_for(mark, wording))) <= set(WORDS)
    assert set(tokens_of(say(mark))) <= set(WORDS)


def test_a_reading_off_the_wheel_is_no_candidate() -> None:
    judged = judge((Hypothesis("two hundred before", -0.2),), 1.0, Expected(Wheel()))
    assert judged.act != "accept"


def test_other_talk_is_ignored() -> None:
    talk = (Hypothesis("pass me the half inch socket, would you?", -3.0),)
    assert judge(talk, 2.0).act == "ignore"


@pytest.mark.parametrize(
    ("words", "act"), [("ten point two", "accept"), ("ten point two two one", "ask")]
)
def test_a_number_that_nobody_reads_off_a_wheel_is_asked(words: str, act: str) -> None:
    assert judge((Hypothesis(f"{words}.", -0.1),), 1.6).act == act


def test_an_old_doubt_says_nothing_of_a_new_reading() -> None:
    alike = (Hypothesis("thirteen before.", -1.0), Hypothesis("thirty before.", -1.2))
    doubt = judge(alike, 1.0)
    talk = Dialogue()
    assert talk.take(doubt, 1.0).question == doubt.question()
    assert talk.take(doubt, 1.0 + 2 * ANSWER_S).question == doubt.question()
    assert talk.take(doubt, 2.0 + 2 * ANSWER_S).question != doubt.question()
    talk.settle()
    assert talk.take(doubt, 3.0 + 2 * ANSWER_S).question == doubt.question()


def test_a_number_beside_which_something_was_said_is_asked() -> None:
    bare = Hypothesis("ten point two.", -0.1)
    more = Hypothesis("ten point two off her.", -2.5)
    assert judge((bare,), 1.6).act == "accept"
    assert judge((bare, more), 1.6).act == "ask"
    bare, more = (Hypothesis(f"stop, {h.text}", h.log_prob) for h in (bare, more))
    assert judge((bare, more), 2.4).act == "ask"
    lost = (
        Hypothesis("two dot seven five", -0.01, Source.MATCHED),
        Hypothesis("two eight dot seven five", -7.5, Source.MATCHED),
        Hypothesis("two dot seven five.", -2.3),
    )
    assert judge(lost, 2.0).act == "accept"
    judged = judge((*lost, Hypothesis("four two dot seven five.", -2.6)), 2.0)
    assert judged.best == Meaning(mark=Mark(2.75))
    assert judged.act == "ask"


def test_what_is_made_up_where_words_are_written_freely_is_not_asked() -> None:
    number = tuple(Hypothesis("two six", -0.01, source) for source in Source)
    more = tuple(Hypothesis("four two six", -0.5, source) for source in Source)
    assert judge((*number, more[Source.WRITTEN]), 1.3).act == "accept"
    assert judge((*number, *more), 1.3).act == "ask"
    page = Hypothesis(f"{OTHER} two six", -2.0, Source.MATCHED)
    assert judge((*number, page), 1.3).act == "ask"
    teen = tuple(Hypothesis("fifteen", -0.1, source) for source in Source)
    assert judge((*teen, Hypothesis("fifty", -3.8, Source.MATCHED)), 0.8).act == "accept"
    assert judge((*teen, Hypothesis("fifty", -3.3, Source.MATCHED)), 0.8).act != "accept"


def test_a_number_right_after_something_doubted_may_be_its_rest() -> None:
    number = (
        Hypothesis("four point two five", -0.02),
        Hypothesis("four point two five", -0.02, Source.MATCHED),
    )
    assert judge(number, 1.9).act == "accept"
    assert judge(number, 1.9, since_doubt_s=SAME_NUMBER_S - 0.1).act == "ask"
    assert judge(number, 1.9, since_doubt_s=SAME_NUMBER_S + 0.1).act == "accept"


def test_words_said_over_and_over_are_logged_once() -> None:
    assert judge((Hypothesis("strike. strike. strike. stri", -0.2),), 1.0).heard == "strike."
    assert judge((Hypothesis("five five before", -0.2),), 1.0).heard == "five five before"


ENGINE = engine_from(
    {
        "name": "Fire pump",
        "ignition": {"opens_at": "28 before", "tolerance_deg": 1.0, "cam_speed": "half"},
        "wheel": {"marks": "before-after", "graduation_deg": 1.0},
        "cylinder": [{"name": "1", "fires_at": 0}, {"name": "2", "fires_at": 360}],
    }
)


def follow(*lines: str) -> SpokenJob:
    job = SpokenJob(ENGINE)
    for place, line in enumerate(lines):
        said = take_apart(line, ("1", "2"))
        assert said is not None, line
        meaning = Meaning(said.commands, said.senses[0].mark if said.senses else None)
        job.take(float(place), decide([Candidate(meaning, 1.0)], line))
    return job


def test_a_job_is_steered_by_its_words() -> None:
    job = follow(
        "stop, eighteen before", "fifteen after", "cylinder two", "opening", "next",
        "twenty-eight before", "strike", "twenty-seven and a half before", "note stiff",
        "stop listening", "thirty", "start listening", "zeroed",
    )  # fmt: skip
    kept = [(r.step, r.cylinder, r.written) for r in job.readings if not r.struck]
    assert kept == [
        ("stop", "1", "18 before"), ("stop", "1", "15 after"),
        ("opening", "2", "27.5 before"), ("zeroed", None, ""),
    ]  # fmt: skip
    assert [r.written for r in job.readings if r.struck] == ["28 before"]
    assert job.notes == [(8.0, "stiff")]


def test_a_stop_said_without_its_side_is_a_doubt_and_the_rest_stands() -> None:
    job = follow("stop, eighteen", "cylinder two", "stop, eighteen before", "fifteen after")
    record = timing_record([], job.readings, ENGINE)
    assert [reading.written for reading in record.unpaired_readings] == ["18"]
    assert any("stop 18 (0.0 s) does not tell its side" in words for words in record.warnings)
    assert record.cylinders[1].dead_centre.wheel_error_deg == 1.5


def test_what_is_not_sure_is_a_question_and_no_reading() -> None:
    job = SpokenJob(ENGINE)
    unsure = [Candidate(Meaning(mark=Mark(13.0)), 0.6), Candidate(Meaning(mark=Mark(30.0)), 0.3)]
    job.take(1.0, decide(unsure, "thirteen"))
    assert job.readings == []
    assert "thirteen or thirty?" in job.questions[0]
    job.take(2.0, Judged("accept", (Candidate(Meaning((Command("strike"),)), 1.0),), "strike"))
    assert "no reading to strike" in job.questions[1]
