"""What any command does with bad use, and with an output that is not as it should be."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PUMP = str(ROOT / "samples" / "fire-pump.toml")
RUN = [sys.executable, "-c", "from listen.cli import main; main()"]
HEAR = ["hear", str(ROOT / "samples" / "fire-pump.m4a")]


def bad(words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture) -> str:
    """Run the command line here; see that it ends in one clear line and exit 2."""
    from listen.cli import main

    monkeypatch.setattr(sys, "argv", ["thirdear", *words])
    with pytest.raises(SystemExit) as end:
        main()
    said = capsys.readouterr().err
    assert end.value.code == 2, said
    assert said.startswith("thirdear: ") and said.count("\n") == 1
    assert "fault of this program" not in said
    return said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([*HEAR, "--distance", "nan"], "not a number"),
        ([*HEAR, "--distance", "inf"], "100"),
        (["record", "1", "--guard", "nan"], "not a number"),
        (["record", "1", "--guard", "inf"], "not a number"),
        ([*HEAR, "--plot", "."], "'.' should end in .png or .svg or .pdf"),
        ([*HEAR, "--plot", "nodir/x.png"], "see its folder"),
        (["history", PUMP, "--plot", "h.png"], "should end in .svg"),
        (["sheet", "new", "nodir/x.toml"], "cannot write nodir/x.toml"),
        (
            ["learn", "a/b", "nothing.m4a", "--closed-at", "0-1", "--open-at", "2-3"],
            "buzzer's name",
        ),
        (["sessions", "--logbook", "."], ". is a folder"),
        (["import", "nothing.zip", "--logbook", "."], "cannot import nothing.zip"),
        (["export", "1", "s.zip", "--logbook", "/"], "/ is a folder"),
    ],
)
def test_bad_use_is_one_clear_line(
    words: list[str],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture,
) -> None:
    assert told in bad(words, monkeypatch, capsys)


def test_what_nothing_foresaw_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    from listen import cli

    def broken(**_: object) -> None:
        raise LookupError("no\nsuch luck")

    monkeypatch.setattr(cli.thirdear, "main", broken)
    monkeypatch.setattr(sys, "argv", ["thirdear"])
    monkeypatch.delenv("THIRDEAR_DEBUG", raising=False)
    with pytest.raises(SystemExit) as end:
        cli.main()
    said = capsys.readouterr().err
    assert end.value.code == 2 and said.count("\n") == 1 and "LookupError: no such luck" in said
    monkeypatch.setenv("THIRDEAR_DEBUG", "1")
    with pytest.raises(LookupError):
        cli.main()


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "ascii"])
def test_a_record_is_printed_in_any_encoding(encoding: str, tmp_path: Path) -> None:
    words = ["replay", *HEAR[1:], "--engine", PUMP, "--sounding", "open", "--readings"]
    done = subprocess.run(
        [*RUN, *words, str(ROOT / "samples" / "fire-pump.csv")],
        env={**os.environ, "PYTHONIOENCODING": encoding}, capture_output=True, check=False,
    )  # fmt: skip
    shown = done.stdout.decode(encoding)
    assert done.returncode == 0, done.stderr
    assert "x outside" in shown and "+ within" in shown


TABLE = [*RUN, "travel", "--table", "--stroke", "84", "--rod", "160"]


@pytest.mark.parametrize("words", [TABLE, [*RUN, *HEAR]], ids=["lines", "table"])
def test_a_reader_that_goes_away_is_no_fault(words: list[str]) -> None:
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
        assert program.stdout and program.stderr
        program.stdout.close()
        assert program.stderr.read() == b""
    assert program.returncode == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_one_line() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(TABLE, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == "thirdear: cannot go on: No space left on device\n"
