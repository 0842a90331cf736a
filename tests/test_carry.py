"""Sessions listed, printed, exported and imported, through the real commands."""

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from listen.carry import export_session, import_session
from listen.errors import BadInput
from listen.event import Event
from listen.logbook import Logbook
from listen.sessions import read_session
from listen.words import event_from

SHEET = Path(__file__).parents[1] / "samples" / "fire-pump.toml"


def thirdear(*arguments: str | Path) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-c", "from listen.cli import main; main()", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def say(logbook: Logbook, number: int, said: list[str]) -> None:
    """Put words into a session; an opening is heard half a second before its reading."""
    session = read_session(logbook, number)
    first = len(session.events) + 1
    for at_s, words in enumerate(said, first):
        if words.startswith("29"):
            body = {"time_s": at_s - 0.5, "settled_s": at_s - 0.5, "uncertainty_s": 0.001}
            body |= {"change": "starts", "points": "open", "margin_db": 20.0}
            event = Event(len(session.events) + 1, at_s - 0.4, "change", body)
            logbook.append(number, event)
            session.add(event)
        event = event_from(session, words, float(at_s))
        logbook.append(number, event)
        session.add(event)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A logbook with one session: two stops, one opening with its reading, one note."""
    path = tmp_path / "logbook.sqlite"
    with Logbook(path, write=True) as logbook:
        number = logbook.begin("fire-pump.toml", SHEET.read_text())
        said = ["go centre", "18 1/4 before", "15 after", "go check", "29.5 before", "note oily"]
        say(logbook, number, said)
        sound = logbook.sound_of(number)
    sound.mkdir(parents=True)
    (sound / "1.flac").write_bytes(b"not really sound")
    return path


def test_a_session_is_carried_to_another_logbook(book: Path, tmp_path: Path) -> None:
    archive, other = tmp_path / "s.zip", tmp_path / "other" / "logbook.sqlite"
    assert thirdear("export", "1", archive, "--logbook", book).returncode == 0
    again = thirdear("export", "1", archive, "--logbook", book)
    assert (again.returncode, again.stderr.count("\n")) == (2, 1)
    assert "session 1 here" in thirdear("import", archive, "--logbook", other).stdout
    twice = thirdear("import", archive, "--logbook", other)
    assert twice.returncode == 2
    assert "in the logbook already" in twice.stderr
    with Logbook(book, write=False) as one, Logbook(other, write=False) as two:
        assert one.written(1) == two.written(1)
        sound = two.sound_of(1) / "1.flac"
    assert sound.read_bytes() == b"not really sound"
    printed = [
        thirdear("record", "1", "--json", "--logbook", path).stdout for path in (book, other)
    ]
    assert printed[0] == printed[1]
    assert json.loads(printed[0])["cylinders"][0]["opens_at"]["angle_deg"] == 27.875


def test_a_record_is_printed_with_its_notes(book: Path) -> None:
    done = thirdear("record", "1", "--budget", "--logbook", book)
    assert done.returncode == 1  # one reading only
    assert "stops, resolution" in done.stdout
    assert "27.9 before" in done.stdout
    assert "- oily" in done.stdout
    listed = json.loads(thirdear("sessions", "--json", "--logbook", book).stdout)
    assert (listed["number"], listed["events"], listed["finished"]) == (1, 7, False)


def test_archives_that_are_none_are_refused(book: Path, tmp_path: Path) -> None:
    archive = tmp_path / "s.zip"
    thirdear("export", "1", archive, "--logbook", book)
    with zipfile.ZipFile(archive) as whole:
        about = json.loads(whole.read("session.json"))
    whole_zip = archive.read_bytes()
    with zipfile.ZipFile(archive) as known:
        place = known.getinfo("session.json").header_offset + 60
    damaged = [b"no zip", b"", whole_zip[:place] + b"spoilt" * 9 + whole_zip[place + 54 :]]
    encrypted = bytearray(whole_zip)
    for flags in (6, whole_zip.index(b"PK\x01\x02") + 8):
        encrypted[flags] |= 1
    damaged.append(bytes(encrypted))
    session, events = about["session"], about["events"]
    for key, value in (
        ("schema", "other/1"),
        ("events", [{"seq": 1}]),
        ("session", {}),
        ("session", {**session, "begun": "yesterday"}),
        ("events", [{**events[0], "at_s": float("nan")}]),
        ("events", [{**events[0], "seq": float("inf")}]),
    ):
        changed = tmp_path / "changed.zip"
        with zipfile.ZipFile(changed, "w") as file:
            file.writestr("session.json", json.dumps({**about, key: value}))
        damaged.append(changed.read_bytes())
    for data in damaged:
        archive.write_bytes(data)
        done = thirdear("import", archive, "--logbook", tmp_path / "new.sqlite")
        assert done.returncode == 2
        assert "is not a session that was exported" in done.stderr
        assert done.stderr.count("\n") == 1
    assert not (tmp_path / "new.sqlite").exists()


def test_a_failed_import_leaves_no_sound_behind(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, new = tmp_path / "s.zip", tmp_path / "new.sqlite"
    with Logbook(book, write=False) as logbook:
        export_session(logbook, 1, archive)

    def full(*_: object) -> int:
        raise BadInput("the disk is full")

    monkeypatch.setattr(Logbook, "take_in", full)
    with pytest.raises(BadInput, match="full"):
        import_session(new, archive)
    assert list(tmp_path.glob("new.sqlite.sound/*")) == []


def test_a_failed_export_leaves_no_half_of_it(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    archive = tmp_path / "s.zip"
    with Logbook(book, write=False) as logbook:
        with monkeypatch.context() as broken:
            broken.setattr(zipfile.ZipFile, "write", full)
            with pytest.raises(BadInput, match="No space left"):
                export_session(logbook, 1, archive)
        assert not archive.exists()
        export_session(logbook, 1, archive)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("sessions",), "there is no logbook"),
        (("resume",), "there is no logbook"),
        (("import", "nothing.zip"), "cannot import nothing.zip"),
        (("time", "nothing.toml"), "cannot read the sheet nothing.toml"),
    ],
)
def test_what_is_not_there_is_said(tmp_path: Path, arguments: tuple[str, ...], why: str) -> None:
    done = thirdear(*arguments, "--logbook", tmp_path / "logbook.sqlite")
    assert done.returncode == 2
    assert why in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_page_is_written_also_where_no_sound_was_kept(book: Path, tmp_path: Path) -> None:
    done = thirdear("record", "1", "--logbook", book, "--out", tmp_path / "page")
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert (tmp_path / "page" / "record.html").is_file()


def test_a_session_and_its_page_are_one_in_the_history(book: Path, tmp_path: Path) -> None:
    with Logbook(book, write=True) as logbook:
        say(logbook, 1, ["29.5 before", "29.25 before"])
    assert thirdear("record", "1", "--logbook", book, "--out", tmp_path / "page").returncode < 2
    shown = thirdear("history", SHEET, tmp_path / "page", "--logbook", book, "--json")
    (cylinder,) = [json.loads(line) for line in shown.stdout.splitlines()]
    (session,) = cylinder["sessions"]
    record = json.loads((tmp_path / "page" / "record.json").read_text("utf-8"))
    assert session["U_deg"] == pytest.approx(record["cylinders"][0]["opens_at"]["U_deg"], abs=1e-4)
    assert "1 of 2 records" in shown.stderr
