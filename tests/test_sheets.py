"""Writing and checking sheets, the example sheets, and the two calculators."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.engine import CylinderFigure, Engine
from analysis.sheetcheck import questions
from analysis.wheel import Wheel
from listen.commands import sheet, stop, travel
from listen.errors import BadInput
from listen.sheet import read_sheet

SAMPLES = Path(__file__).parents[1] / "samples"
PUMP = str(SAMPLES / "fire-pump.toml")


@pytest.mark.parametrize("path", sorted((SAMPLES / "sheets").glob("*.toml")), ids=lambda p: p.stem)
def test_example_sheets_have_no_contradictions(path: Path) -> None:
    engine = read_sheet(path)
    assert questions(engine) == () and engine.assumed == ()
    assert sum(engine.firing_intervals_deg) == 720.0


FOUR = Engine(
    "four", 28.0, 1.0, "half", Wheel(),
    tuple(CylinderFigure(n, at) for n, at in zip("1342", (0.0, 180.0, 360.0, 540.0), strict=True)),
    lobes=4, firing_order=tuple("1342"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"firing_order": tuple("1243")}, "fires_at gives 1, 3, 4, 2"),
        ({"lobes": 3}, "3 even lobes opens every 240"),
        ({"cylinders": (*FOUR.cylinders[:3], CylinderFigure("2", 360.0))}, "the same moment"),
        ({"tolerance_deg": 0.2}, "finer than this wheel can show"),
        ({"static_opens_at_deg": 35.0}, "earlier than opens_at"),
        ({"opens_at_deg": 90.0}, "unusual"),
        ({"stroke_mm": 84.0, "rod_mm": 400.0}, "4.8 times the stroke"),
        ({"wheel": Wheel(read_to=2.0), "tolerance_deg": 3.0}, "coarser than"),
    ],
)
def test_contradictions_are_found(change: dict[str, object], words: str) -> None:
    assert questions(FOUR) == ()
    assert any(words in question for question in questions(replace(FOUR, **change)))  # type: ignore


def test_a_sheet_is_written_by_answering(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    answers = 'The "old" pump\nsoon\n28 btdc\n1\nhandbook\ny\n0-360\ny\n1\nvee\n50\n\ny\n84\n160\n'
    done = CliRunner().invoke(sheet.command, ["new", str(path)], input=answers)
    assert done.exit_code == 0, done.output
    assert "not a wheel reading" in done.output
    engine = read_sheet(path)
    assert (engine.name, engine.opens_at_deg) == ('The "old" pump', 28.0)
    assert [c.fires_at_deg for c in engine.cylinders] == [0.0, 410.0] and engine.wheel.rising
    again = CliRunner().invoke(sheet.command, ["new", str(path)], standalone_mode=False)
    assert isinstance(again.exception, BadInput) and "there already" in str(again.exception)


def test_an_answer_that_cannot_be_is_asked_for_again(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    answers = (
        " \npump\x1b[A\n28\nnan\n0\n1\n\n\nquarters\n-1\n1\nfour\n1 2 3\n1 1 3 4\n1 3 4 2\ny\n"
        "84\n40\n1e9\n84\n160\n"
    )
    done = CliRunner().invoke(sheet.command, ["new", str(path)], input=answers)
    assert done.exit_code == 0, done.output
    for words in (
        "not nan", "tolerance_deg = 0", "graduation_deg = -1", "3 names for 4",
        "longer than half the stroke", "stroke_mm = 1e+09",
    ):  # fmt: skip
        assert words in done.output
    engine = read_sheet(path)
    assert (engine.tolerance_deg, engine.stroke_mm, engine.rod_mm) == (1.0, 84.0, 160.0)
    assert [c.name for c in engine.cylinders] == list("1342")


def test_travel_both_ways() -> None:
    done = CliRunner().invoke(travel.command, ["28 btdc", "--stroke", "84", "--rod", "160"])
    assert done.output.split() == ["28", "before", "6.136", "mm", "0.2416", "in"]
    done = CliRunner().invoke(travel.command, ["--engine", PUMP, "--down", '0.24157"', "--json"])
    assert json.loads(done.output)[0]["angle_deg"] == pytest.approx(28.0, abs=0.01)
    done = CliRunner().invoke(travel.command, ["--engine", PUMP, "--table"])
    assert len(done.output.splitlines()) == 31


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["28", "--stroke", "84", "--rod", "40"], "longer than half the stroke"),
        (["400", "--stroke", "84", "--rod", "160"], "not on the wheel"),
        (["28"], "give --stroke and --rod"),
        (["28", "--stroke", "1e-300", "--rod", "1e300"], "rod of 1e+300 mm"),
        (["28", "--engine", PUMP, "--offset", "9"], "not both"),
        (["28", "--engine", PUMP, "--down", "5"], "only one of"),
        (["--engine", PUMP, "--down", "90"], "never 90 mm down"),
        (["--engine", PUMP, "--down", "a bit"], "not a length"),
    ],
)
def test_travel_that_cannot_be(words: list[str], told: str) -> None:
    done = CliRunner().invoke(travel.command, words, standalone_mode=False)
    assert isinstance(done.exception, BadInput) and told in str(done.exception)


def test_readings_may_have_a_sign() -> None:
    done = CliRunner().invoke(travel.command, ["-28", "--stroke", "84", "--rod", "160"])
    assert "28 after" in done.output
    for words in (["18", "-15"], ["--json", "18", "-15"], ["18", "-15", "--engine", PUMP]):
        done = CliRunner().invoke(stop.command, words)
        assert done.exit_code == 0 and "16.5" in done.output
    done = CliRunner().invoke(stop.command, ["18", "15", "--engin", PUMP])
    assert done.exit_code == 2 and "No such option '--engin'" in done.output


@pytest.mark.parametrize("words", [[], ["--json"]])
def test_pairs_that_do_not_fit_want_looking_at(words: list[str]) -> None:
    done = CliRunner().invoke(stop.command, ["18", "15", "20", "16", *words], standalone_mode=False)
    assert done.return_value == 1
    done = CliRunner().invoke(stop.command, ["18", "15", "18", "15", *words], standalone_mode=False)
    assert done.return_value == 0


def test_stop() -> None:
    done = CliRunner().invoke(stop.command, ["18", "15", "--engine", PUMP, "--json"])
    found = json.loads(done.output)
    assert (found["wheel_error_deg"], found["each_side_deg"]) == (1.5, [16.5])
    assert found["depth_mm"] == pytest.approx(2.17, abs=0.01)
    assert "and 0 after" in CliRunner().invoke(stop.command, ["18", "0"]).output
    for words, told in (
        (["18"], "in pairs"),
        (["100", "95"], "less than 180"),
        (["0", "0", "--engine", PUMP], "both stops are at 0"),
    ):
        done = CliRunner().invoke(stop.command, words, standalone_mode=False)
        assert isinstance(done.exception, BadInput) and told in str(done.exception)
