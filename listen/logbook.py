"""The logbook: one SQLite file that forgets nothing.

What is in it
-------------
The sheets, the sessions timed by them, each session's journal, and its record once it is closed.
The journal is append-only: the file itself refuses to change or delete a line of it.

Durability
----------
`Logbook.append` returns when the event is on the disk (write-ahead log, ``synchronous = FULL``:
one flush an event), so that what was shown is never missing, whatever happens next.

One writer
----------
A lock on a file beside the logbook, which the operating system gives back when its holder dies,
lets one program write. Others open it to read.

Versions
--------
``user_version`` counts the migrations a file has been through. An older file is brought up to
date when it is opened for writing; a newer one is refused.
"""

import json
import os
import sqlite3
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import IO, Any

from listen.errors import BadInput
from listen.event import Event
from listen.paths import StrPath, home

APPLICATION_ID = 0x74683365  # "th3e"

MIGRATIONS = (
    """
    CREATE TABLE sheet (
        sha256 TEXT PRIMARY KEY, name TEXT NOT NULL, toml TEXT NOT NULL
    ) STRICT;
    CREATE TABLE session (
        number INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, begun TEXT NOT NULL,
        sheet TEXT NOT NULL REFERENCES sheet
    ) STRICT;
    CREATE TABLE journal (
        session INTEGER NOT NULL REFERENCES session, seq INTEGER NOT NULL, written TEXT NOT NULL,
        at_s REAL NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
        PRIMARY KEY (session, seq)
    ) STRICT, WITHOUT ROWID;
    CREATE TRIGGER journal_keeps BEFORE UPDATE ON journal
        BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
    CREATE TRIGGER journal_holds BEFORE DELETE ON journal
        BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
    """,
    """
    CREATE TABLE record (
        session INTEGER PRIMARY KEY REFERENCES session, json TEXT NOT NULL
    ) STRICT;
    """,
)


class Busy(BadInput):
    """Another program writes in the logbook."""


class Older(BadInput):
    """The logbook is of an older version, and is only read."""


@dataclass(frozen=True)
class SessionRow:
    """A session, as a list shows it.

    Attributes
    ----------
    number : int
    uuid : str
        The same on every machine it is carried to.
    begun : str
        Date and time, ISO 8601, UTC.
    sheet_name, sheet : str
        File name and text of the engine's sheet.
    events : int
    last_s : float
        Time of the last event, in seconds since listening began.
    finished : bool
    """

    number: int
    uuid: str
    begun: str
    sheet_name: str
    sheet: str
    events: int
    last_s: float
    finished: bool

    @property
    def day(self) -> str:
        """The day it was begun, by the clock of this machine."""
        return datetime.fromisoformat(self.begun).astimezone().date().isoformat()


def default_path() -> Path:
    """Return where the user's logbook is, or would be."""
    return home() / "logbook.sqlite"


class Logbook:
    """An open logbook.

    Parameters
    ----------
    path : path
        Made, with its folder, when it is opened for writing and not there.
    write : bool
        Otherwise it is only read, also while another program writes.

    Raises
    ------
    Busy
        If another program writes in it.
    Older
        If it is only read, and must be brought up to date first.
    BadInput
        If it cannot be opened, is damaged, is no logbook, or is of a newer version.
    """

    def __init__(self, path: StrPath, *, write: bool) -> None:
        self.path = Path(path)
        self._lock: IO[bytes] | None = None
        if self.path.is_dir():
            raise BadInput(f"{self.path} is a folder and no logbook: name a file in it")
        if not write and not self.path.is_file():
            raise BadInput(f"there is no logbook {self.path}: begin one with thirdear time SHEET")
        with self._plainly():
            if write:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._lock = _take_lock(self.path)
            try:
                self._db = self._connect(write)
            except BaseException:
                self._give_back_lock()
                raise
            try:
                self._bring_up_to_date(write)
            except BaseException:
                self.close()
                raise

    def __enter__(self) -> "Logbook":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close it and let others write."""
        self._db.close()
        self._give_back_lock()

    def _give_back_lock(self) -> None:
        if self._lock is not None:
            self._lock.close()

    @property
    def sound_folder(self) -> Path:
        """Where the sound heard is kept, beside the logbook."""
        return self.path.with_name(self.path.name + ".sound")

    def sound_of(self, number: int) -> Path:
        """Return the folder of a session's sound; it need not be there."""
        return self.sound_folder / self.session(number).uuid

    def begin(self, sheet_name: str, sheet: str) -> int:
        """Begin a session by a sheet and return its number.

        Parameters
        ----------
        sheet_name : str
            The file's name.
        sheet : str
            The whole text of the sheet.

        Raises
        ------
        BadInput
            If the logbook cannot be written.
        """
        return self._insert(str(uuid.uuid4()), _utc_now(), sheet_name, sheet)

    def append(self, session: int, event: Event) -> None:
        """Write an event; on return it is on the disk.

        Raises
        ------
        BadInput
            If it cannot be written; the event is then not in the logbook.
        """
        with self._plainly(), self._db:
            self._write_event(session, event, _utc_now())

    def keep_record(self, session: int, text: str) -> None:
        """Keep a session's closed record, as JSON text, in place of an older one.

        Raises
        ------
        BadInput
            If the logbook cannot be written.
        """
        with self._plainly(), self._db:
            self._db.execute("INSERT OR REPLACE INTO record VALUES (?, ?)", (session, text))

    def record(self, session: int) -> str | None:
        """Return a session's closed record, as JSON text."""
        with self._plainly():
            row = self._db.execute("SELECT json FROM record WHERE session = ?", (session,))
            found = row.fetchone()
        return str(found[0]) if found else None

    def sessions(self) -> list[SessionRow]:
        """Return every session, in the order they were begun.

        Raises
        ------
        BadInput
            If the logbook cannot be read.
        """
        with self._plainly():
            rows = self._db.execute(
                """SELECT number, uuid, begun, sheet.name, toml, count(seq),
                    coalesce(max(at_s), 0.0), coalesce(max(kind = 'finished'), 0)
                FROM session JOIN sheet ON sheet = sha256 LEFT JOIN journal ON session = number
                GROUP BY number ORDER BY number"""
            ).fetchall()
        return [SessionRow(r[0], r[1], r[2], r[3], r[4], r[5], r[6], bool(r[7])) for r in rows]

    def session(self, number: int) -> SessionRow:
        """Return one session.

        Raises
        ------
        BadInput
            If there is none of that number.
        """
        rows = self.sessions()
        for row in rows:
            if row.number == number:
                return row
        known = f"1 to {rows[-1].number}" if rows else "none yet"
        raise BadInput(f"there is no session {number} in {self.path}: it has {known}")

    def events(self, session: int) -> list[Event]:
        """Return a session's events, in order.

        Raises
        ------
        BadInput
            If the logbook cannot be read.
        """
        return [Event(*rest) for _, *rest in self._journal(session)]

    def written(self, session: int) -> list[tuple[str, Event]]:
        """Return a session's events, each with the date and time at which it was written.

        Raises
        ------
        BadInput
            If the logbook cannot be read.
        """
        return [(written, Event(*rest)) for written, *rest in self._journal(session)]

    def take_in(
        self,
        row: SessionRow,
        events: Sequence[tuple[str, Event]],
        record: str | None,
    ) -> int:
        """Take in a session that was carried from another logbook; return its number here.

        Parameters
        ----------
        row : SessionRow
            As the other logbook had it; its number there is not kept.
        events : sequence of (str, Event)
            Each with the date and time at which it was written.
        record : str or None
            The closed record, as JSON text.

        Raises
        ------
        BadInput
            If the logbook cannot be written, or it has this session.
        """
        number = self._insert(row.uuid, row.begun, row.sheet_name, row.sheet, events)
        if record is not None:
            self.keep_record(number, record)
        return number

    def _insert(
        self,
        uuid_: str,
        begun: str,
        sheet_name: str,
        sheet: str,
        events: Sequence[tuple[str, Event]] = (),
    ) -> int:
        key = sha256(sheet.encode()).hexdigest()
        with self._plainly(), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute(
                "INSERT OR IGNORE INTO sheet VALUES (?, ?, ?)", (key, sheet_name, sheet)
            )
            cursor = self._db.execute(
                "INSERT INTO session (uuid, begun, sheet) VALUES (?, ?, ?)", (uuid_, begun, key)
            )
            number = int(cursor.lastrowid or 0)
            for written, event in events:
                self._write_event(number, event, written)
        return number

    def _write_event(self, session: int, event: Event, written: str) -> None:
        body = json.dumps(event.body, ensure_ascii=False, allow_nan=False)
        self._db.execute(
            "INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?)",
            (session, event.seq, written, event.at_s, event.kind, body),
        )

    def _journal(self, session: int) -> list[tuple[Any, ...]]:
        with self._plainly():
            rows = self._db.execute(
                "SELECT written, seq, at_s, kind, body FROM journal WHERE session = ? ORDER BY seq",
                (session,),
            ).fetchall()
        return [(*row[:-1], json.loads(row[-1])) for row in rows]

    def _connect(self, write: bool) -> sqlite3.Connection:
        mode = "rwc" if write else "ro"
        uri = f"{self.path.absolute().as_uri()}?mode={mode}"
        return sqlite3.connect(uri, uri=True, timeout=5.0, check_same_thread=False)

    def _bring_up_to_date(self, write: bool) -> None:
        if write:
            for setting in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
                self._db.execute(f"PRAGMA {setting}")
        version = self._pragma("user_version")
        mark = self._pragma("application_id")
        if version == 0 and self._pragma("schema_version") == 0 and write:
            self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        elif mark != APPLICATION_ID:
            raise BadInput(f"{self.path} is not a logbook of this program: name another one")
        if version > len(MIGRATIONS):
            raise BadInput(
                f"the logbook {self.path} is of a newer version ({version}) than this program "
                f"knows ({len(MIGRATIONS)}): bring the program up to date"
            )
        if write:
            for number in range(version, len(MIGRATIONS)):
                self._db.executescript(
                    f"BEGIN; {MIGRATIONS[number]} PRAGMA user_version = {number + 1}; COMMIT;"
                )
            self.check()
        elif version < len(MIGRATIONS):
            raise Older(
                f"the logbook {self.path} is of an older version: thirdear resume or time brings "
                "it up to date"
            )

    def check(self) -> None:
        """Raise BadInput where the file is damaged."""
        with self._plainly():
            damage = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if damage != "ok":
                raise sqlite3.DatabaseError(damage)

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        """Say in plain words what SQLite or the file system refuses."""
        try:
            yield
        except sqlite3.Error as trouble:
            raise BadInput(self._why(trouble)) from trouble
        except OSError as trouble:
            reason = trouble.strerror or trouble
            raise BadInput(f"cannot use the logbook {self.path}: {reason}") from trouble

    def _why(self, trouble: sqlite3.Error) -> str:
        code = getattr(trouble, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            return (
                f"the disk is full: nothing more can be written in the logbook {self.path}. "
                "Everything shown so far is in it. Make room, then: thirdear resume"
            )
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return (
                f"the logbook {self.path} cannot be written: change its rights or its folder's, "
                "or name another with --logbook"
            )
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or not code:
            return (
                f"the logbook {self.path} is damaged or no logbook ({trouble}): move it away and "
                "begin a new one; the sound kept beside it is not touched"
            )
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return f"another program holds the logbook {self.path}: close it and try again"
        return (
            f"the logbook {self.path} cannot be used ({trouble}): see that the disk is there and "
            "has room"
        )


def _take_lock(path: Path) -> IO[bytes]:
    lock = path.with_name(path.name + ".lock").open("ab")
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise Busy(
            f"another thirdear writes in the logbook {path}: close it first. Until then only "
            "sessions, record, history and export work"
        ) from None
    return lock


def _utc_now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
