"""``thirdear history``: opening angles over the years, from the logbook or kept records."""

import csv
import json
from pathlib import Path
from typing import Any

import click

from analysis.record import Inputs
from analysis.wheel import show
from listen.commands.options import in_logbook, picture_option
from listen.errors import BadInput
from listen.history import (
    CylinderHistory,
    dated,
    each_once,
    histories,
    history_picture,
    read_record,
)
from listen.sheet import read_sheet

_BAR = 41


@click.command("history")
@click.argument("places", nargs=-1, required=True, type=click.Path(path_type=Path))
@in_logbook
@click.option("--cylinder", metavar="NAME", help="Only this one.")
@click.option("--csv", "csv_", type=click.Path(path_type=Path), help="Write it as CSV.")
@picture_option("Draw it: SVG.", ".svg")
@click.option("--json", "json_", is_flag=True, help="Print as JSON Lines.")
def command(
    places: tuple[Path, ...],
    logbook: Path | None,
    cylinder: str | None,
    csv_: Path | None,
    plot: Path | None,
    json_: bool,
) -> int:
    """Show opening angle against date from PLACES.

    A place is an engine's sheet (its sessions in the logbook), a record.json, or a folder of them.

    Exit status 1: a cylinder is drifting out of tolerance.
    """
    sheets = [place for place in places if place.suffix.casefold() == ".toml"]
    others = [place for place in places if place not in sheets]
    records = [read_record(path) for path in _files(others)] if others else []
    for sheet in sheets:
        records += _sessions(sheet, logbook)
    jobs = each_once(records)
    if len(jobs) < len(records):
        click.echo(
            f"thirdear: {len(records) - len(jobs)} of {len(records)} records tell of a job that "
            "another tells of too; each job counts once",
            err=True,
        )
    found = histories(jobs)
    if cylinder is not None:
        found = [one for one in found if one.name.casefold() == cylinder.casefold()]
        if not found:
            raise BadInput(f"no record has a cylinder {cylinder!r} with a known opening angle")
    try:
        if csv_:
            with csv_.open("w", encoding="utf-8", newline="") as file:
                table = csv.DictWriter(file, list(found[0].rows()[0]))
                table.writeheader()
                table.writerows(row for one in found for row in one.rows())
        if plot:
            plot.write_text(history_picture(found).svg_file(), encoding="utf-8")
    except OSError as trouble:
        raise BadInput(f"cannot write: {trouble}") from None
    for one in found:
        if json_:
            click.echo(json.dumps(one.as_dict(), ensure_ascii=False))
        else:
            _show(one)
    return 1 if any(one.drift and one.drift.leaves_day is not None for one in found) else 0


def _sessions(sheet: Path, logbook: Path | None) -> list[dict[str, Any]]:
    """Return the records of an engine's sessions in the logbook."""
    from listen.logbook import Logbook, default_path
    from listen.sessions import read_session

    engine = read_sheet(sheet)
    records = []
    with Logbook(logbook or default_path(), write=False) as book:
        for row in book.sessions():
            session = read_session(book, row.number)
            if session.engine.name == engine.name:
                records.append(dated(session.record(Inputs(when=row.day)).as_dict()))
        if not records:
            raise BadInput(f"the logbook {book.path} has no session of {engine.name}")
    return records


def _files(places: list[Path]) -> list[Path]:
    files = []
    for place in places:
        files += sorted(place.rglob("record*.json")) if place.is_dir() else [place]
    if not files:
        raise BadInput(f"no record.json in {', '.join(map(str, places))}")
    return files


def _show(one: CylinderHistory) -> None:
    figure, tolerance = one.figure_deg, one.tolerance_deg
    click.echo(f"{one.engine}, cylinder {one.name}: {show(figure)} ± {tolerance:g}")
    low = min([figure - tolerance, *(s.angle_deg - s.U_deg for s in one.sessions)])
    high = max([figure + tolerance, *(s.angle_deg + s.U_deg for s in one.sessions)])

    def column(angle: float) -> int:
        return round((high - angle) / (high - low) * (_BAR - 1))

    for date, session in zip(one.dates, one.sessions, strict=True):
        bar = [" "] * _BAR
        for edge in (figure - tolerance, figure + tolerance):
            bar[column(edge)] = "|"
        doubt = session.U_deg
        for place in range(
            column(session.angle_deg + doubt), column(session.angle_deg - doubt) + 1
        ):
            bar[place] = "-"
        bar[column(session.angle_deg)] = "o"
        set_ = "  set" if session.found_deg is not None else ""
        click.echo(f"{date}  {''.join(bar)}  {show(round(session.angle_deg, 1)):>12} "
                   f"± {doubt:.1f}{set_}")  # fmt: skip
    click.echo(one.words() + "\n")
