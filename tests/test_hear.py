"""``thirdear hear`` and ``thirdear demo``, through the entry point a user types."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench.scenes import make_scene

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "samples" / "fire-pump.m4a"
RUN = "import sys; from listen.cli import main; sys.argv[0] = 'thirdear'; main()"


def thirdear(*words):
    return subprocess.run(
        [sys.executable, "-c", RUN, *map(str, words)], capture_output=True, text=True, cwd=ROOT
    )


def test_hear_finds_the_changes_of_the_sample():
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text())["changes"]
    done = thirdear("hear", SAMPLE, "--sounding", "open", "--json")
    assert done.returncode == 0, done.stderr
    heard = [json.loads(line) for line in done.stdout.splitlines()]
    assert list(heard[0]) == [
        "time_s", "settled_s", "uncertainty_s", "change", "points", "margin_db",
    ]  # fmt: skip
    assert [h["points"] for h in heard] == [t["points"] for t in truth]
    assert [h["change"] for h in heard] == [t["change"] for t in truth]
    errors = [abs(h["time_s"] - t["time_s"]) for h, t in zip(heard, truth, strict=True)]
    assert np.median(errors) < 0.0005
    assert max(errors) < 0.006


def test_hear_prints_a_table_and_draws_a_picture(tmp_path):
    picture = tmp_path / "tone.png"
    done = thirdear("hear", SAMPLE, "--plot", picture)
    assert done.returncode == 0, done.stderr
    assert "not told" in done.stdout
    assert picture.read_bytes().startswith(b"\x89PNG")
    lost = thirdear("hear", SAMPLE, "--plot", tmp_path / "nowhere" / "tone.png")
    assert lost.returncode == 2
    assert len(lost.stderr.splitlines()) == 1


def test_hear_says_when_there_is_no_buzzer(tmp_path):
    quiet = tmp_path / "quiet.wav"
    soundfile.write(quiet, np.zeros(48000 * 3), 48000)
    done = thirdear("hear", quiet)
    assert done.returncode == 1
    assert "no buzzer heard" in done.stderr
    assert done.stdout.count("\n") <= 1


def test_hear_says_that_it_doubts_a_growl_it_would_believe_if_it_was_taught(tmp_path):
    faint = tmp_path / "faint.wav"
    scene = make_scene("growl", "radio", 0.0, 61)
    soundfile.write(faint, scene.samples, int(scene.rate_hz), subtype="FLOAT")
    done = thirdear("hear", faint)
    assert done.returncode == 1
    assert re.search("no buzzer heard: something in it changes 1[0-9] times", done.stderr)
    assert "thirdear learn" in done.stderr


@pytest.mark.parametrize("content", [None, b"", b"not sound at all\n" * 40])
def test_hear_refuses_what_is_not_sound(tmp_path, content):
    path = tmp_path / "page.wav"
    if content is not None:
        path.write_bytes(content)
    done = thirdear("hear", path)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "page.wav" in done.stderr


def test_demo_shows_one_cylinder_within_and_one_outside(tmp_path):
    done = thirdear("demo", "--json", "--out", tmp_path)
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text())
    assert [c["verdict"] for c in record["cylinders"]] == ["within", "outside"]
    for cylinder in record["cylinders"]:
        opens = cylinder["opens_at"]
        assert abs(opens["angle_deg"] - truth["opens_at_deg"][cylinder["name"]]) < opens["U_deg"]
    assert {p.suffix for p in tmp_path.iterdir()} == {".json", ".csv", ".html", ".pdf"}


@pytest.mark.parametrize("words", [("demo",), ("hear", SAMPLE, "--sounding", "open")])
def test_the_readme_shows_what_is_printed(words):
    blocks = (ROOT / "README.md").read_text().split("```\n")
    shown = {"demo": blocks[5], "hear": blocks[-2]}[words[0]]
    done = thirdear(*words)
    assert done.returncode == 0, done.stderr
    printed = iter([line.rstrip() for line in done.stdout.splitlines()])
    wanted = [line for line in shown.splitlines() if line and line[0] not in "$…"]
    assert len(wanted) > 4
    for line in wanted:
        assert line.strip() == "…" or line in printed, line


def test_bare_command_shows_the_help():
    done = thirdear()
    assert "replay" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
