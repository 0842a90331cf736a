"""Carrying a session, with its sound, from one logbook to another.

The carrier is a ZIP archive: ``session.json`` with the sheet and every event as the journal has
it, and the sound files under ``sound/``.
"""

import json
import math
import re
import shutil
import tomllib
import uuid
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.engine import engine_from
from listen.errors import BadInput
from listen.event import Event
from listen.event_text import event_text
from listen.logbook import Logbook, SessionRow
from listen.session import Session

SCHEMA = "thirdear/session/1"
_SOUND = re.compile(r"sound/([0-9]{1,6}\.flac)")
_LARGEST_JSON = 200_000_000
_SPOILT = (
    zipfile.BadZipFile,
    zlib.error,
    RuntimeError,  # a password is asked for
    ValueError,
    KeyError,
    TypeError,
    EOFError,
    OverflowError,
)
"""What an archive brings about that is damaged, or none of this program's."""


def export_session(book: Logbook, number: int, path: Path) -> None:
    """Write a session into a new archive.

    Raises
    ------
    BadInput
        If there is no such session, or the archive is there already or cannot be written.
    """
    row = book.session(number)
    about = {
        "schema": SCHEMA,
        "session": {key: value for key, value in asdict(row).items() if key != "number"},
        "events": [
            {"written": written, **asdict(event)} for written, event in book.written(number)
        ],
        "record": book.record(number),
    }
    try:
        archive = zipfile.ZipFile(path, "x", zipfile.ZIP_DEFLATED)
    except FileExistsError:
        raise BadInput(f"{path} is there already: name another file") from None
    except OSError as trouble:
        raise BadInput(f"cannot write {path}: {trouble.strerror or trouble}") from None
    try:
        with archive:
            archive.writestr("session.json", json.dumps(about, ensure_ascii=False, indent=1))
            for sound in sorted(book.sound_of(number).glob("*.flac")):
                archive.write(sound, f"sound/{sound.name}", zipfile.ZIP_STORED)
    except BaseException as trouble:
        path.unlink(missing_ok=True)  # half of it is of no use, and in the way of the next try
        if isinstance(trouble, OSError):
            raise BadInput(f"cannot write {path}: {trouble.strerror or trouble}") from None
        raise


def import_session(logbook: Path, path: Path) -> int:
    """Take a session in from an archive; return its number here.

    Parameters
    ----------
    logbook : Path
        Opened, and made where there is none, once the archive was read and is sound.
    path : Path
        The archive.

    Raises
    ------
    BadInput
        If the archive cannot be used, the session is here already, or the logbook cannot be used.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            row, events, record = _read(archive)
            with Logbook(logbook, write=True) as book:
                if any(known.uuid == row.uuid for known in book.sessions()):
                    raise BadInput("this session is in the logbook already")
                # The sound first: a session that is in the logbook is there with all it has.
                with _unpacked(archive, book.sound_folder / row.uuid):
                    return book.take_in(row, events, record)
    except _SPOILT as trouble:
        why = f"it has no {trouble}" if isinstance(trouble, KeyError) else trouble
        raise BadInput(f"{path.name} is not a session that was exported: {why}") from None
    except OSError as trouble:
        raise BadInput(f"cannot import {path}: {trouble.strerror or trouble}") from None


def _read(
    archive: zipfile.ZipFile,
) -> tuple[SessionRow, list[tuple[str, Event]], str | None]:
    if archive.getinfo("session.json").file_size > _LARGEST_JSON:
        raise ValueError("it is too large")
    about = json.loads(archive.read("session.json"))
    if not isinstance(about, Mapping) or about.get("schema") != SCHEMA:
        raise ValueError(f"its schema is not {SCHEMA}")
    told = about["session"]
    events = [_event(entry) for entry in about["events"]]
    row = SessionRow(
        number=0,
        uuid=_uuid(told["uuid"]),
        begun=str(told["begun"]),
        sheet_name=str(told["sheet_name"]),
        sheet=str(told["sheet"]),
        events=len(events),
        last_s=0.0,
        finished=False,
    )
    _ = row.day  # a ValueError tells of a date that is none
    _replayed(row, [event for _, event in events])
    record = about["record"]
    return row, events, None if record is None else str(record)


def _event(entry: Mapping[str, Any]) -> tuple[str, Event]:
    at_s = float(entry["at_s"])
    if not math.isfinite(at_s):
        raise ValueError(f"an event at {at_s} s cannot be")
    event = Event(int(entry["seq"]), at_s, entry["kind"], dict(entry["body"]))
    return str(entry["written"]), event


def _replayed(row: SessionRow, events: list[Event]) -> None:
    """See that the events make a session; a ValueError, KeyError or TypeError says why not."""
    session = Session(engine_from(tomllib.loads(row.sheet)), events)
    for event in events:
        event_text(session, event)


def _uuid(text: str) -> str:
    return str(uuid.UUID(text))


@contextmanager
def _unpacked(archive: zipfile.ZipFile, folder: Path) -> Iterator[None]:
    """Put the sound into a folder; it goes again where the session is then not taken in."""
    there = folder.exists()
    try:
        for name in archive.namelist():
            found = _SOUND.fullmatch(name)
            if found:
                folder.mkdir(parents=True, exist_ok=True)
                with archive.open(name) as packed, (folder / found[1]).open("wb") as file:
                    shutil.copyfileobj(packed, file)
        yield
    except BaseException:
        if not there:
            shutil.rmtree(folder, ignore_errors=True)
        raise
