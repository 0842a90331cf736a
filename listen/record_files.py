"""The timing record as files in a folder: JSON for programs, CSV for spreadsheets."""

import csv
import json
import os
from pathlib import Path

from analysis.record import TimingRecord
from listen.errors import BadInput


def as_json(record: TimingRecord) -> str:
    """Return the record as JSON text."""
    return json.dumps(record.as_dict(), indent=1, ensure_ascii=False, allow_nan=False)


def write_record(record: TimingRecord, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
    """Write ``record.json``, ``openings.csv`` and ``readings.csv``.

    Parameters
    ----------
    record : TimingRecord
        What to write.
    folder : str or path
        Made if it is not there; files of the same names in it are replaced.

    Returns
    -------
    tuple of Path

    Raises
    ------
    BadInput
        If the folder cannot be written.
    """
    folder = Path(folder)
    paths = tuple(folder / name for name in ("record.json", "openings.csv", "readings.csv"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths[0].write_text(as_json(record) + "\n", encoding="utf-8")
        _write_table(paths[1], _opening_rows(record))
        _write_table(paths[2], _reading_rows(record))
    except OSError as trouble:
        raise BadInput(f"cannot write to {folder}: {trouble.strerror or trouble}") from None
    return paths


def _write_table(path: Path, rows: list[dict[str, object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]) if rows else ["cylinder"])
        table.writeheader()
        table.writerows(rows)


def _opening_rows(record: TimingRecord) -> list[dict[str, object]]:
    return [
        {"cylinder": cylinder.figure.name, **opening.as_opening()}
        for cylinder in record.cylinders
        for opening in cylinder.openings
    ]


def _reading_rows(record: TimingRecord) -> list[dict[str, object]]:
    """Return every reading and whether it found its partner."""
    alone = {id(reading) for reading in record.unpaired_readings}
    return [
        {**reading.as_dict(), "paired": "no" if id(reading) in alone else "yes"}
        for reading in record.readings
    ]
