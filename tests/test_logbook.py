"""The logbook: what is written stays, and what goes wrong is said in words."""

import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from listen import doctor
from listen.errors import BadInput
from listen.event import Event
from listen.logbook import MIGRATIONS, Busy, Logbook

SHEET = Path(__file__).parents[1] / "samples" / "fire-pump.toml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "book" / "logbook.sqlite"


def note(seq: int, text: str = "é") -> Event:
    return Event(seq, seq / 3, "note", {"text": text})


def test_events_come_back_as_they_were(path: Path) -> None:
    events = [note(1), Event(2, 0.1 + 0.2, "change", {"time_s": 1 / 3, "points": None})]
    with Logbook(path, write=True) as book:
        number = book.begin("pump.toml", "text")
        for event in events:
            book.append(number, event)
        assert book.events(number) == events
    with Logbook(path, write=False) as book:
        assert book.events(number) == events
        row = book.session(number)
        assert (row.sheet_name, row.sheet, row.events, row.finished) == ("pump.toml", "text", 2, 0)


def test_a_clock_that_is_set_back_changes_no_order(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = iter(["2026-05-03T10:00:00+00:00", "2026-05-03T10:00:05+00:00"] + 3 * ["1970-01-01"])
    monkeypatch.setattr("listen.logbook._utc_now", lambda: next(days))
    with Logbook(path, write=True) as book:
        number = book.begin("pump.toml", "")
        for seq in (1, 2, 3):
            book.append(number, note(seq))
        later = book.begin("pump.toml", "")
        assert [event.seq for event in book.events(number)] == [1, 2, 3]
        assert [row.number for row in book.sessions()] == [number, later]


def test_the_journal_only_grows(path: Path) -> None:
    with Logbook(path, write=True) as book:
        book.append(book.begin("pump.toml", ""), note(1))
        with pytest.raises(BadInput):
            book.append(1, note(1))
    for change in ("DELETE FROM journal", "UPDATE journal SET body = ''"):
        db = sqlite3.connect(path)
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            db.execute(change)
        db.close()


def test_a_second_program_is_told_and_may_only_read(path: Path) -> None:
    with Logbook(path, write=True) as book:
        number = book.begin("pump.toml", "")
        with pytest.raises(Busy, match="another thirdear writes"):
            Logbook(path, write=True)
        with Logbook(path, write=False) as reader:
            book.append(number, note(1))
            assert reader.events(number) == [note(1)]
            with pytest.raises(BadInput, match="cannot be written"):
                reader.append(number, note(2))
    Logbook(path, write=True).close()


def test_an_older_logbook_is_brought_up_to_date(path: Path) -> None:
    with Logbook(path, write=True) as book:
        book.append(book.begin("pump.toml", ""), note(1))
    old = sqlite3.connect(path)
    old.executescript("DROP TABLE record; PRAGMA user_version = 1;")
    old.close()
    with pytest.raises(BadInput, match="older version"):
        Logbook(path, write=False)
    with Logbook(path, write=True) as book:
        assert book.record(1) is None
        assert book.events(1) == [note(1)]


def test_the_doctor_changes_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "will be made" in doctor._logbook(path)
    with Logbook(path, write=True):  # as while a session goes on
        assert "0 session(s)" in doctor._logbook(path)
    old = sqlite3.connect(path)
    old.executescript("DROP TABLE record; PRAGMA user_version = 1;")
    assert "of an older version" in doctor._logbook(path)
    assert old.execute("PRAGMA user_version").fetchone() == (1,)
    old.close()
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(BadInput, match="cannot be written"):
        doctor._logbook(path)


def test_a_newer_logbook_is_refused(path: Path) -> None:
    Logbook(path, write=True).close()
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    for write in (True, False):
        with pytest.raises(BadInput, match="newer version"):
            Logbook(path, write=write)


@pytest.mark.parametrize("write", [True, False])
def test_other_files_are_refused(tmp_path: Path, write: bool) -> None:
    text = tmp_path / "text.sqlite"
    text.write_bytes(b"no database at all " * 400)
    with pytest.raises(BadInput, match="damaged or no logbook"):
        Logbook(text, write=write)
    other = tmp_path / "other.sqlite"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE birds (name)")
    db.close()
    with pytest.raises(BadInput, match="not a logbook of this program"):
        Logbook(other, write=write)


def test_damage_is_said(path: Path) -> None:
    with Logbook(path, write=True) as book:
        number = book.begin("pump.toml", "")
        for seq in range(1, 400):
            book.append(number, note(seq, "x" * 100))
    data = bytearray(path.read_bytes())
    random.Random(1).shuffle(half := data[8192:])
    path.write_bytes(data[:8192] + half)
    with pytest.raises(BadInput, match="damaged"):
        Logbook(path, write=True)


def test_a_full_disk_is_said_and_loses_nothing(small_disk: Path) -> None:
    path = small_disk / "logbook.sqlite"
    written = 0
    with Logbook(path, write=True) as book:
        number = book.begin("pump.toml", "")
        with pytest.raises(BadInput, match="disk is full"):
            for seq in range(1, 10_000):
                book.append(number, note(seq, "x" * 20_000))
                written = seq
    assert written > 100
    with Logbook(path, write=False) as book:
        assert len(book.events(number)) == written


def test_a_disk_that_cannot_be_written_is_said(small_disk: Path) -> None:
    path = small_disk / "logbook.sqlite"
    Logbook(path, write=True).close()
    remount = ["mount", "-o", "remount,ro", str(small_disk)]
    subprocess.run(remount, check=True)
    with pytest.raises(BadInput, match=r"logbook\.sqlite"):
        Logbook(path, write=True)


WRITER = """
import sys
from listen.logbook import Logbook
from listen.event import Event
book = Logbook(sys.argv[1], write=True)
number = book.begin("pump.toml", "")
for seq in range(1, 100000):
    book.append(number, Event(seq, 0.1 * seq, "note", {"text": "x" * 200}))
    print(number, seq, flush=True)
"""


def test_what_was_shown_is_there_after_a_kill(path: Path) -> None:
    chance = random.Random(5)
    for _ in range(3):
        command = [sys.executable, "-c", WRITER, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            shown = writer.stdout.readline()
            time.sleep(chance.uniform(0.0, 0.1))
            writer.send_signal(signal.SIGKILL)
            lines = [shown, *writer.stdout]
        number, seq = map(int, [line for line in lines if line.endswith("\n")][-1].split())
        with Logbook(path, write=True) as book:
            events = book.events(number)
        assert [event.seq for event in events] == list(range(1, len(events) + 1))
        assert len(events) >= seq
        assert json.dumps(events[-1].body)
