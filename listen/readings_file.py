"""The readings file: a CSV of what was read off the wheel, and when.

Columns, in any order: ``time_s``, ``step``, ``cylinder``, ``reading``, and if wanted ``phase``
(left, found), ``advance`` (full, static), ``sweep`` (forward, backward), ``struck`` (no, yes);
an empty field means the first.
What spreadsheets make of such a file is taken too: a byte-order mark, Windows line ends, spaces,
semicolons or tabs between columns (then with a decimal comma), a Windows or UTF-16 alphabet.
Blank lines and lines that begin with ``#`` are skipped. Every other row is read or refused with
its number; none is dropped.
"""

import csv
import io
import math
from collections.abc import Iterator
from pathlib import Path
from typing import cast, get_args

from analysis.engine import Engine
from analysis.reading import STEPS, Advance, Phase, Reading, ReadingStep, Sweep
from analysis.wheel import Mark, meanings, parse
from analysis.wheelhistory import WheelHistory
from listen.errors import BadInput
from listen.paths import StrPath

COLUMNS = ("time_s", "step", "cylinder", "reading")
CHOICES = {
    "phase": ("left", "found"),
    "advance": ("full", "static"),
    "sweep": ("forward", "backward"),
    "struck": ("no", "yes"),
}
"""Columns that may be left out and the words each takes; an empty field means the first."""
LARGEST_BYTES = 5_000_000


def read_readings(path: StrPath, engine: Engine) -> tuple[Reading, ...]:
    """Read a readings file.

    Parameters
    ----------
    path : str or path
        A CSV file.
    engine : Engine
        Whose wheel the readings were read off, and whose cylinders they name.

    Returns
    -------
    tuple of Reading
        In the order of the file, which is the order of time.

    Raises
    ------
    BadInput
        Naming the file, the row and what would be accepted.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as trouble:
        raise BadInput(f"cannot read the readings {path}: {trouble.strerror or trouble}") from None
    if len(data) > LARGEST_BYTES:
        raise BadInput(f"{path.name} is too large to be a file of readings")
    return parse_readings(data, engine, path.name)


def parse_readings(data: bytes, engine: Engine, name: str = "readings") -> tuple[Reading, ...]:
    """Read the contents of a readings file; see `read_readings`.

    Parameters
    ----------
    data : bytes
        As they stand in the file.
    engine : Engine
        As `read_readings` takes it.
    name : str
        What messages call the file.

    Raises
    ------
    BadInput
        As `read_readings` does.
    """
    readings: list[Reading] = []
    try:
        for row, fields in _rows(_text(data, name), name):
            reading = _reading(row, fields, engine, name)
            if readings and reading.time_s < readings[-1].time_s:
                raise BadInput(
                    f"{name} row {row}: time {reading.time_s:g} s is earlier than the row before, "
                    f"{readings[-1].time_s:g} s; put the rows in the order they were given"
                )
            readings.append(reading)
    except csv.Error as trouble:
        raise BadInput(f"{name} is not a CSV file: {trouble}") from None
    if not readings:
        raise BadInput(f"{name} has no readings in it")
    for stop in WheelHistory([r for r in readings if not r.struck], engine).sideless:
        raise BadInput(
            f"{name}: {stop.where()} does not tell its side; write {stop.written} before or "
            f"{stop.written} after"
        )
    return tuple(readings)


def _text(data: bytes, name: str) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise BadInput(f"{name} is not a text file; save it as CSV, in UTF-8")


def _rows(text: str, name: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Give each row's number in the file and its fields by column."""
    heading: list[str] = []
    delimiter = _delimiter(text)
    reader = csv.reader(_lines(text), delimiter=delimiter, skipinitialspace=True, strict=True)
    for raw in reader:
        row = reader.line_num
        if any("\n" in cell or "\r" in cell for cell in raw):
            raise BadInput(f"{name}: a quote that was opened is not closed before row {row}")
        cells = [" ".join(cell.split()) for cell in raw]
        if not any(cells):
            continue
        if not heading:
            heading = _heading(cells, name)
            continue
        while len(cells) > len(heading) and not cells[-1]:
            cells.pop()
        if len(cells) > len(heading):
            raise BadInput(
                f"{name} row {row} has {len(cells)} fields, its heading {len(heading)}; a reading "
                'with a decimal comma goes in quotes, "34,5"'
            )
        cells += [""] * (len(heading) - len(cells))
        yield row, dict(zip(heading, cells, strict=True))
    if not heading:
        raise BadInput(f"{name} is empty; it needs the columns {', '.join(COLUMNS)}")


def _lines(text: str) -> Iterator[str]:
    """Give the lines of the file, comments emptied: a quote in one must not swallow rows."""
    for line in io.StringIO(text, newline=""):
        yield "\n" if line.lstrip().startswith("#") else line


def _delimiter(text: str) -> str:
    for line in _lines(text):
        if line.strip():
            return next((mark for mark in ",;\t" if mark in line), ",")
    return ","


def _heading(cells: list[str], name: str) -> list[str]:
    heading = [cell.casefold() for cell in cells]
    while heading and not heading[-1]:
        heading.pop()
    missing = [column for column in COLUMNS if column not in heading]
    if missing:
        raise BadInput(
            f"{name} has no column {', '.join(missing)}; its first row should be "
            f"{','.join(COLUMNS)}, with {', '.join(CHOICES)} if wanted"
        )
    unknown = [column for column in heading if column not in (*COLUMNS, *CHOICES)]
    if unknown or len(set(heading)) < len(heading):
        odd = unknown[0] if unknown else next(c for c in heading if heading.count(c) > 1)
        raise BadInput(
            f"{name}: the column {odd!r} is {'not known' if unknown else 'there twice'}; the "
            f"columns are {', '.join((*COLUMNS, *CHOICES))}"
        )
    return heading


def _reading(row: int, fields: dict[str, str], engine: Engine, name: str) -> Reading:
    where = f"{name} row {row}"
    step = _step(fields["step"], where)
    chosen = {column: _choice(fields.get(column, ""), column, where) for column in CHOICES}
    return Reading(
        time_s=_time(fields["time_s"], where),
        step=step,
        cylinder=_cylinder(fields["cylinder"], step, engine, where),
        mark=_mark(fields["reading"], step, engine, where),
        written=fields["reading"],
        phase=cast(Phase, chosen["phase"]),
        row=row,
        advance=cast(Advance, chosen["advance"]),
        sweep=cast(Sweep, chosen["sweep"]),
        struck=chosen["struck"] == "yes",
    )


def _time(text: str, where: str) -> float:
    try:
        time_s = float(text.replace(",", "."))
    except ValueError:
        time_s = math.nan
    if not 0.0 <= time_s < math.inf:
        raise BadInput(f"{where}: time_s {text!r} should be seconds from the start, such as 83.4")
    return time_s


def _step(text: str, where: str) -> ReadingStep:
    for step in STEPS:
        if text.casefold() == step:
            return step
    raise BadInput(
        f"{where}: step {text!r} is not known; it should be {', '.join(get_args(ReadingStep))}"
    )


def _choice(text: str, column: str, where: str) -> str:
    words = CHOICES[column]
    word = text.casefold() or words[0]
    if word not in words:
        raise BadInput(
            f"{where}: {column} {text!r} is not known; it should be {' or '.join(words)}, or empty"
        )
    return word


def _cylinder(text: str, step: ReadingStep, engine: Engine, where: str) -> str | None:
    if not text and step == "zeroed":
        return None
    if not text and len(engine.cylinders) == 1:
        return engine.cylinders[0].name
    for cylinder in engine.cylinders:
        if text.casefold() == cylinder.name.casefold():
            return cylinder.name
    names = ", ".join(cylinder.name for cylinder in engine.cylinders)
    raise BadInput(f"{where}: cylinder {text!r} is not on the sheet, which has {names}")


def _mark(text: str, step: ReadingStep, engine: Engine, where: str) -> Mark | None:
    if step == "zeroed":
        if text and not _is_zero(text):
            raise BadInput(f"{where}: a zeroed step has no reading, but {text!r} stands there")
        return None
    try:
        mark = parse(text)
        meanings(mark, engine.wheel)
    except ValueError as trouble:
        raise BadInput(f"{where}: {trouble}") from None
    return mark


def _is_zero(text: str) -> bool:
    try:
        return parse(text).number == 0.0
    except ValueError:
        return False
