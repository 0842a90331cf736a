"""The timing record as files in a folder: a page to read and to print, JSON, CSV."""

import csv
import json
from collections.abc import Sequence
from pathlib import Path

from analysis.reading import Reading
from analysis.record import TimingRecord
from listen.errors import BadInput
from listen.excerpts import Excerpt
from listen.paths import StrPath


def as_json(record: TimingRecord) -> str:
    """Return the record as JSON text."""
    return json.dumps(record.as_dict(), indent=1, ensure_ascii=False, allow_nan=False)


def write_record(record: TimingRecord, folder: StrPath, sounds: Sequence[Excerpt] = ()) -> str:
    """Write ``record.html``, ``.pdf`` and ``.json``, and tables as CSV.

    Parameters
    ----------
    record : TimingRecord
        What to write.
    folder : str or path
        Made if it is not there; files of the same names in it are replaced.
    sounds : sequence of Excerpt
        The sound around the openings, for the page; see :func:`listen.excerpts.excerpts`.

    Returns
    -------
    str
        Signs that the PDF cannot show, set off by spaces; its typeface lacks them.

    Raises
    ------
    BadInput
        If the folder cannot be written.
    """
    from listen.page import page_of
    from listen.page_html import as_html
    from listen.page_pdf import write_pdf

    folder = Path(folder)
    names = (
        "record.json", "record.html", "record.pdf",
        "cylinders.csv", "openings.csv", "readings.csv",
    )  # fmt: skip
    paths = tuple(folder / name for name in names)
    page = page_of(record, sounds)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths[0].write_text(as_json(record) + "\n", encoding="utf-8")
        paths[1].write_text(as_html(page), encoding="utf-8")
        missing = write_pdf(page, paths[2])
        for path, rows in zip(
            paths[3:], (_cylinder_rows, _opening_rows, _reading_rows), strict=True
        ):
            _write_table(path, rows(record))
    except OSError as trouble:
        raise BadInput(f"cannot write to {folder}: {trouble.strerror or trouble}") from None
    return missing


def _write_table(path: Path, rows: list[dict[str, object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]) if rows else ["cylinder"])
        table.writeheader()
        for row in rows:
            table.writerow({k: round(v, 6) if isinstance(v, float) else v for k, v in row.items()})


def _cylinder_rows(record: TimingRecord) -> list[dict[str, object]]:
    """Return what was found for each cylinder."""
    rows: list[dict[str, object]] = []
    for cylinder in record.cylinders:
        angle, verdict, move = cylinder.opens_at, cylinder.verdict, cylinder.correction
        budget = angle.budget if angle else None
        rows.append({
            "cylinder": cylinder.figure.name, "phase": cylinder.phase,
            "angle_deg": angle.angle_deg if angle else None, "n": angle.n if angle else 0,
            "u_deg": budget.u_deg if budget else None, "U_deg": budget.U_deg if budget else None,
            "spec_deg": record.engine.opens_at_deg, "tolerance_deg": record.engine.tolerance_deg,
            "verdict": verdict.verdict, "chance_within": verdict.chance_within,
            "turn": move.turn, "crank_deg": move.crank_deg, "cam_deg": move.cam_deg,
            "plate_mm": move.plate_mm,
        })  # fmt: skip
    return rows


def _opening_rows(record: TimingRecord) -> list[dict[str, object]]:
    return [
        {"cylinder": cylinder.figure.name, **opening.as_opening()}
        for cylinder in record.cylinders
        for opening in cylinder.openings
    ]


def _reading_rows(record: TimingRecord) -> list[dict[str, object]]:
    """Return every reading and whether it found its partner, where it is one that seeks one."""
    alone = {id(reading) for reading in record.unpaired_readings}

    def paired(reading: Reading) -> str:
        if reading.struck or reading.step == "zeroed":
            return ""
        return "no" if id(reading) in alone else "yes"

    return [{**reading.as_dict(), "paired": paired(reading)} for reading in record.readings]
