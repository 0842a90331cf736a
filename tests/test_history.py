"""Opening angle over the years."""

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.history import DAYS_A_YEAR, DatedAngle, drift, since_setting
from listen.commands.history import command
from listen.errors import BadInput

YEARS = [0.0, 2.0, 4.0, 6.0, 8.0]


def sessions(slope: float, noise: list[float], u: float = 0.15) -> list[DatedAngle]:
    return [
        DatedAngle(DAYS_A_YEAR * year, 28.5 + slope * year + off, u, 1.96 * u)
        for year, off in zip(YEARS, noise, strict=True)
    ]


@given(st.floats(-0.5, 0.5), st.lists(st.floats(-0.2, 0.2), min_size=5, max_size=5))
def test_slope_against_scipy(slope: float, noise: list[float]) -> None:
    given_sessions = sessions(slope, noise)
    found = drift(given_sessions, 28.0, 1.0)
    fit = stats.linregress(YEARS, [session.angle_deg for session in given_sessions])
    assert found is not None
    assert found.per_year_deg == pytest.approx(fit.slope, abs=1e-9)
    # The stated uncertainty, or the seen one where that is more and not by chance.
    stated = 0.15 / np.sqrt(np.sum((np.array(YEARS) - 4.0) ** 2))
    if (fit.stderr / stated) ** 2 * 3 > stats.chi2.isf(0.05, 3):
        assert found.u_per_year_deg == pytest.approx(fit.stderr, rel=1e-6)
        assert found.U_per_year_deg == pytest.approx(stats.t.isf(0.025, 3) * fit.stderr, rel=1e-6)
    else:
        assert found.u_per_year_deg == pytest.approx(stated, rel=1e-6)
        assert found.U_per_year_deg == pytest.approx(1.96 * stated, rel=1e-4)


def test_few_readings_widen_the_bar_that_decides() -> None:
    pair = [DatedAngle(0.0, 28.0, 0.2, 0.86, 2.0), DatedAngle(DAYS_A_YEAR, 27.3, 0.2, 0.86, 2.0)]
    found = drift(pair, 28.0, 1.0)
    assert found is not None and not found.beyond_chance
    assert found.U_per_year_deg == pytest.approx(stats.t.isf(0.025, 4) * 0.2 * np.sqrt(2))
    sure = drift([replace(session, dof=np.inf) for session in pair], 28.0, 1.0)
    assert sure is not None and sure.beyond_chance


def test_a_line_against_the_guides_example() -> None:
    # JCGM 100:2008, H.3, calibration of a thermometer: slope 0.00218, s = 0.00067 (from memory).
    at = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    off = [-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]
    line = drift(
        [DatedAngle(DAYS_A_YEAR * t, b / 1000, 1e-6, 2e-6) for t, b in zip(at, off, strict=True)],
        0.0,
        1.0,
    )
    assert line is not None
    assert line.per_year_deg == pytest.approx(0.00218, abs=5e-6)
    assert line.u_per_year_deg == pytest.approx(0.00067, abs=5e-6)


def test_wear_leaves_the_tolerance() -> None:
    found = drift(sessions(-0.15, [0.0] * 5), 28.0, 1.0)
    assert found and found.beyond_chance and found.leaves_day
    assert found.leaves_day / DAYS_A_YEAR == pytest.approx(10.0)
    level = drift(sessions(0.0, [0.1, -0.1, 0.0, 0.1, -0.1]), 28.0, 1.0)
    assert level and not level.beyond_chance and level.leaves_day is None
    assert drift(sessions(0.0, [0.0] * 5)[:1], 28.0, 1.0) is None


def test_a_new_setting_begins_anew() -> None:
    worn = [
        DatedAngle(0.0, 28.0, 0.1, 0.2),
        DatedAngle(900.0, 28.5, 0.1, 0.2, found_deg=26.0),
        DatedAngle(1800.0, 28.4, 0.1, 0.2),
    ]
    assert [session.day for session in since_setting(worn[::-1])] == [900.0, 1800.0]


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    angle = {"angle_deg": 28.0, "u_deg": 0.15, "U_deg": 0.31, "dof": 40.0}
    cylinder = {"name": "1", "opens_at": angle, "phases": {"left": angle}, "spec_deg": 28.0,
                "tolerance_deg": 1.0}  # fmt: skip
    record = {"schema": "thirdear/record/1", "engine": {"name": "pump"},
              "cylinders": [cylinder], "inputs": {"when": None}}  # fmt: skip
    for year in (2018, 2020, 2022, 2024):
        one = copy.deepcopy(record)
        one["inputs"]["when"] = f"{year}-05-03"  # type: ignore[index]
        one["cylinders"][0]["opens_at"]["angle_deg"] = 28.6 - 0.2 * (year - 2018)  # type: ignore
        (tmp_path / f"record-{year}.json").write_text(json.dumps(one), encoding="utf-8")
    (tmp_path / "undated.json").write_text(json.dumps(record), encoding="utf-8")
    return tmp_path


def test_history_as_text_csv_picture_and_json(kept: Path) -> None:
    files = [str(kept / "h.csv"), str(kept / "h.svg")]
    done = CliRunner().invoke(
        command, [str(kept), "--csv", files[0], "--plot", files[1]], standalone_mode=False
    )
    assert done.return_value == 1
    assert "retards 0.20" in done.output and "about 2026-05" in done.output
    assert "± 0.3" in done.output  # the record's own bar
    assert len(Path(files[0]).read_text("utf-8").splitlines()) == 5
    assert "<desc" in Path(files[1]).read_text("utf-8")
    done = CliRunner().invoke(command, [str(kept), "--json"], standalone_mode=False)
    assert json.loads(done.output)["drift"]["beyond_chance"]


@pytest.mark.parametrize(
    ("name", "words"),
    [("undated.json", "does not tell its date"), ("no.json", "cannot read"), ("h.txt", "not JSON")],
)
def test_what_is_no_record_is_told(kept: Path, name: str, words: str) -> None:
    (kept / "h.txt").write_text("hm")
    done = CliRunner().invoke(command, [str(kept / name)], standalone_mode=False)
    assert isinstance(done.exception, BadInput) and words in str(done.exception)


def test_a_record_given_twice_counts_once(kept: Path) -> None:
    once, twice = (
        CliRunner().invoke(command, [*places, "--json"], standalone_mode=False)
        for places in ([str(kept)], [str(kept), str(kept / "record-2020.json")])
    )
    assert twice.stdout == once.stdout and once.stderr == ""
    assert "1 of 5 records" in twice.stderr and len(twice.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda record: record.pop("cylinders"), "it has no 'cylinders'"),
        (lambda record: record.update(cylinders=[{}]), "it has no 'opens_at'"),
        (lambda record: record.update(cylinders=3), "spoilt"),
        (lambda record: record["cylinders"][0]["opens_at"].update(u_deg=float("nan")), "nan"),
        (lambda record: record["cylinders"][0]["opens_at"].update(u_deg=-1), "more than 0"),
        (lambda record: record["cylinders"][0].update(spec_deg="28"), "'28' is not a number"),
        (lambda record: record["cylinders"][0].update(opens_at="28"), "spoilt"),
    ],
)
def test_a_spoilt_record_is_told(
    kept: Path, spoil: Callable[[dict[str, Any]], object], words: str
) -> None:
    path = kept / "record-2020.json"
    record = json.loads(path.read_text("utf-8"))
    spoil(record)
    path.write_text(json.dumps(record), encoding="utf-8")
    done = CliRunner().invoke(command, [str(path)], standalone_mode=False)
    assert isinstance(done.exception, BadInput)
    assert "record-2020.json" in str(done.exception) and words in str(done.exception)
