"""The record's page: HTML, PDF, JSON against its schema, pictures."""

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import jsonschema
import pypdf
import pytest
from click.testing import CliRunner

from analysis.record import Inputs
from analysis.timing import timing_record
from listen.commands.replay import command
from listen.record_output import output_record
from listen.sheet import read_sheet

ROOT = Path(__file__).parents[1]
READINGS = """time_s,step,cylinder,reading,phase,struck
2.0,zeroed,1,,,
4.5,stop,1,18 1/4 before,,
8.8,stop,1,15 after,,
13.2,stop,2,18 3/4 before,,
16.5,stop,2,16 after,,
53.9,opening,1,92 1/2 before,found,yes
54.6,opening,1,27 1/2 before,found,
65.1,opening,1,29.25 before,,
76.8,opening,1,29 3/4 btdc,,
92.0,opening,2,26 1/2 before,,
102.2,opening,2,26.25 before,,
112.4,opening,2,26 1/2 before,,
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("page")
    (place / "pump.csv").write_text(READINGS, encoding="utf-8")
    samples = ROOT / "samples"
    words = [
        str(samples / "fire-pump.m4a"), "--engine", str(samples / "fire-pump.toml"),
        "--readings", str(place / "pump.csv"), "--sounding", "open", "--out", str(place),
        "--by", "A. <Volunteer>", "--when", "2026-05-03", "--where", "museum", "--guard", "1",
    ]  # fmt: skip
    done = CliRunner().invoke(command, [*words, "--budget"])
    assert done.exit_code == 0, done.output
    assert "together" in done.output
    return place


def test_html_is_valid_and_stands_alone(folder: Path) -> None:
    text = (folder / "record.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert "<script" not in text and "http" not in text and "url(" not in text
    assert "A. &lt;Volunteer&gt;" in text
    pictures = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    assert len(pictures) == 2 + 1 + 6  # wheels, found against left, sounds
    for picture in pictures:
        svg = ElementTree.fromstring(picture)
        assert len(svg.findtext("title") or "") > 5 and len(svg.findtext("desc") or "") > 40
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    named = re.findall(r'aria-labelledby="([^"]+)"', text)
    assert {name for names in named for name in names.split()} <= set(ids)


def test_signs_that_the_pdf_cannot_show_are_said(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    record = timing_record([], [], read_sheet(ROOT / "samples" / "fire-pump.toml"))
    output_record(replace(record, inputs=Inputs(by="船 é 船")), json_=True, out=tmp_path)
    (line,) = capfd.readouterr().err.splitlines()
    assert line.startswith("thirdear: record.pdf: its typeface has no 船, ")


def test_pdf_is_one_page_and_says_the_same(folder: Path) -> None:
    pdf = pypdf.PdfReader(folder / "record.pdf")
    assert len(pdf.pages) == 1
    text = " ".join(pdf.pages[0].extract_text().split())
    record = json.loads((folder / "record.json").read_text("utf-8"))
    for words in ("✗ outside", "Advance 3.0 crank degrees", "92 1/2 before", "struck", "∞",
                  record["inputs"]["sha256"][:20], "thirdear 0", "museum"):  # fmt: skip
        assert words in text


def test_json_keeps_to_its_published_schema(folder: Path) -> None:
    schema = json.loads((ROOT / "docs" / "record.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    record = json.loads((folder / "record.json").read_text("utf-8"))
    jsonschema.validate(record, schema)
    one, two = record["cylinders"]
    assert one["moved"]["value_deg"] == pytest.approx(2.0)
    assert two["chance_outside"] > 0.99 and two["guard_deg"] > 0.2
    assert two["sure_deg"] == pytest.approx(two["correction"]["crank_deg"] - two["guard_deg"])


def test_csv_has_a_row_a_cylinder(folder: Path) -> None:
    with (folder / "cylinders.csv").open(encoding="utf-8", newline="") as file:
        one, two = csv.DictReader(file)
    assert (one["phase"], one["n"], two["verdict"], two["turn"]) == (
        "left",
        "2",
        "outside",
        "advance",
    )


def test_csv_calls_only_those_readings_paired_that_have_a_partner(folder: Path) -> None:
    with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    without = [(row["step"], row["struck"]) for row in rows if not row["paired"]]
    assert without == [("zeroed", "False"), ("opening", "True")]
    assert {row["paired"] for row in rows} == {"", "yes"}


def test_a_date_is_a_date(folder: Path) -> None:
    done = CliRunner().invoke(command, ["a", "--engine", "b", "--readings", "c", "--when", "May"])
    assert done.exit_code == 2 and "not a date" in done.output
