"""``thirdear replay`` through its real entry point: recording, sheet and readings to a record."""

import csv
import json
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest

RATE = 16_000
OPENINGS_S = (6.0, 12.0, 18.0, 24.0, 30.0, 36.0)
BACK_S = 3.0
END_S = 42.0

SHEET = """
name = "Museum fire pump"
[ignition]
opens_at = "28 before"
tolerance_deg = 1.0
cam_speed = "half"
[wheel]
marks = "before-after"
graduation_deg = 1.0
[[cylinder]]
name = "1"
fires_at = 0
[[cylinder]]
name = "2"
fires_at = 360
"""
STOPS = "1,stop,1,18 before\n2,stop,1,15 after\n3,stop,2,18 before\n4,stop,2,15 after\n"
ONE = "8,opening,1,29 1/2\n14,opening,1,29.5 before\n20,opening,1,29½ btdc\n"
TWO = "26,opening,2,25.5\n32,opening,2,25.5\n38,opening,2,25.5\n"
READINGS = "time_s,step,cylinder,reading\n" + STOPS + ONE + TWO


def sound() -> bytes:
    """Give a buzzer that sounds while the points are closed, with 5 ms of rise and fall."""
    t = np.arange(int(END_S * RATE)) / RATE
    closed = np.ones_like(t)
    for opening in OPENINGS_S:
        closed[(t >= opening) & (t < opening + BACK_S)] = 0.0
    rise = int(0.005 * RATE)
    envelope = np.convolve(closed, np.ones(rise) / rise)[: len(t)]
    tone = np.sin(2 * np.pi * 2900 * t) + 0.4 * np.sin(2 * np.pi * 5800 * t)
    noise = np.random.default_rng(7).normal(0.0, 0.003, len(t))
    return ((0.2 * envelope * tone + noise) * 32767).astype("<i2").tobytes()


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("job")
    with wave.open(str(folder / "pump.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(sound())
    (folder / "pump.toml").write_text(SHEET, encoding="utf-8")
    (folder / "pump.csv").write_text(READINGS, encoding="utf-8")
    return folder


def thirdear(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from listen.cli import main; main()", *words],
        cwd=folder,
        env={"PYTHONPATH": str(Path(__file__).parents[1]), "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def replay(folder: Path, *words: str, readings: str = "pump.csv", sheet: str = "pump.toml"):
    return thirdear(folder, "replay", "pump.wav", "--engine", sheet, "--readings", readings, *words)


def test_json_is_the_contracts_record(job: Path) -> None:
    done = replay(job, "--sounding", "closed", "--json")
    assert done.returncode == 0, done.stderr + done.stdout
    record = json.loads(done.stdout)
    assert record["schema"] == "thirdear/record/1"
    assert record["engine"]["name"] == "Museum fire pump"
    one, two = record["cylinders"]
    for cylinder, times in ((one, OPENINGS_S[:3]), (two, OPENINGS_S[3:])):
        assert cylinder["dead_centre"]["wheel_error_deg"] == 1.5
        assert [o["time_s"] for o in cylinder["openings"]] == pytest.approx(times, abs=0.01)
    assert one["opens_at"]["angle_deg"] == 28.0 and one["verdict"] == "within"
    assert one["correction"] == {"crank_deg": 0.0, "cam_deg": 0.0, "turn": "none"}
    assert two["opens_at"]["angle_deg"] == 24.0 and two["verdict"] == "outside"
    assert two["correction"] == {"crank_deg": 4.0, "cam_deg": 2.0, "turn": "advance"}
    assert [c["points"] for c in record["unpaired"]["changes"]] == ["closed"] * 6
    assert record["unpaired"]["readings"] == record["warnings"] == []
    assert record["cautions"]
    assert record["inputs"]["recording"] == "pump.wav" and len(record["inputs"]["sha256"]) == 64


def test_the_screen_says_what_to_do(job: Path) -> None:
    done = replay(job, "--sounding", "closed")
    assert done.returncode == 0, done.stderr
    assert "Advance 4.0 crank degrees = 2.0 at the cam" in done.stdout
    assert "28.0 before" in done.stdout and "24.0 before" in done.stdout
    assert "4.0 late" in done.stdout
    assert "✓ within" in done.stdout and "✗ outside" in done.stdout
    lines = done.stdout.splitlines()
    assert len(lines) <= 24 and max(map(len, lines)) <= 80


def test_without_sounding_the_readings_tell(job: Path) -> None:
    done = replay(job, "--json")
    assert done.returncode == 1
    record = json.loads(done.stdout)
    assert [c["opens_at"]["angle_deg"] for c in record["cylinders"]] == [28.0, 24.0]
    assert any("--sounding" in warning for warning in record["warnings"])


def test_out_writes_json_and_csv(job: Path) -> None:
    done = replay(job, "--sounding", "closed", "--json", "--out", "kept/2026")
    assert done.returncode == 0, done.stderr
    folder = job / "kept" / "2026"
    assert json.loads((folder / "record.json").read_text("utf-8")) == json.loads(done.stdout)
    with (folder / "openings.csv").open(encoding="utf-8", newline="") as file:
        openings = list(csv.DictReader(file))
    with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        readings = list(csv.DictReader(file))
    assert [float(row["angle_deg"]) for row in openings] == [28.0] * 3 + [24.0] * 3
    assert len(readings) == 10 and {row["paired"] for row in readings} == {"yes"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("2,stop,1,15 after\n", "", "no partner on the other side"),
        ("2,stop,1,15 after\n", "2,stop,1,15 before\n", "on the same side"),
        ("14,opening,1,29.5 before\n", "", "no reading was given for"),
        ("38,opening,2,25.5\n", "38,opening,2,25.5\n50,opening,2,25.5\n", "past the end"),
    ],
)
def test_the_rest_of_the_record_when_the_rest_is_sound(
    job: Path, old: str, new: str, words: str
) -> None:
    (job / "odd.csv").write_text(READINGS.replace(old, new), encoding="utf-8")
    done = replay(job, "--sounding", "closed", "--json", readings="odd.csv")
    assert done.returncode == 1, done.stderr
    record = json.loads(done.stdout)
    assert any(words in warning for warning in record["warnings"])
    assert record["cylinders"][1]["opens_at"]["angle_deg"] == 24.0


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("pump.csv", "time_s,step", "time,step", "no column time_s"),
        ("pump.csv", "29 1/2", "29 and a bit", "odd.csv row 6: '29 and a bit'"),
        ("pump.csv", "14,opening", "7,opening", "odd.csv row 7: time 7 s is earlier"),
        ("pump.csv", "26,opening,2", "26,opening,3", "odd.csv row 9: cylinder '3'"),
        ("pump.toml", "tolerance_deg", "tolerance_mm", "odd.toml: tolerance_mm is not known"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(
    job: Path, name: str, old: str, new: str, words: str
) -> None:
    odd = "odd" + name[name.index(".") :]
    (job / odd).write_text((job / name).read_text("utf-8").replace(old, new), encoding="utf-8")
    files = {"readings": odd} if odd.endswith("csv") else {"sheet": odd}
    done = replay(job, "--json", **files)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1 and words in done.stderr


def test_files_that_are_not_there(job: Path) -> None:
    for done in (
        replay(job, readings="no.csv"),
        replay(job, sheet="no.toml"),
        thirdear(job, "replay", "no.wav", "--engine", "pump.toml", "--readings", "pump.csv"),
        replay(job, "--sounding", "closed", "--out", "pump.csv"),
        thirdear(job, "replay", "pump.wav", "--readings", "pump.csv"),
    ):
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1, done.stderr


def test_a_recording_with_no_buzzer_still_lists_every_reading(job: Path) -> None:
    with wave.open(str(job / "quiet.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        hiss = np.random.default_rng(8).normal(0.0, 100.0, int(END_S * RATE))
        file.writeframes(hiss.astype("<i2").tobytes())
    files = ("--engine", "pump.toml", "--readings", "pump.csv", "--json")
    done = thirdear(job, "replay", "quiet.wav", *files)
    assert done.returncode == 1, done.stderr
    record = json.loads(done.stdout)
    assert "no change of the buzzer was heard" in record["warnings"]
    assert len(record["unpaired"]["readings"]) == 6
    assert [c["opens_at"] for c in record["cylinders"]] == [None, None]
