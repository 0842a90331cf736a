"""``thirdear replay``: a recording and its readings become a timing record."""

from pathlib import Path
from typing import Any

import click
from rich.console import Console

from listen.commands.options import about_the_record, about_the_sound, about_the_speech
from listen.record_files import as_json, write_record
from listen.replay import replay
from listen.report import print_budget, print_record
from listen.stretches import stretches

_FILE = click.Path(path_type=Path)


@click.command("replay")
@click.argument("recording", type=_FILE)
@click.option("--engine", "sheet", type=_FILE, required=True, help="The engine's figures, TOML.")
@click.option(
    "--readings",
    type=_FILE,
    required=True,
    metavar="FILE|spoken",
    help="What was read off the wheel, CSV; or the word spoken: it is said in the recording.",
)
@about_the_speech
@about_the_sound
@click.option("--json", "json_", is_flag=True, help="Print the record as JSON.")
@click.option(
    "--out", type=_FILE, metavar="FOLDER", help="Also write it as a page (HTML, PDF), JSON and CSV."
)
@click.option("--budget", is_flag=True, help="Also print the uncertainty budget.")
@about_the_record
def command(
    recording: Path,
    sheet: Path,
    readings: Path,
    json_: bool,
    out: Path | None,
    budget: bool,
    **job: Any,
) -> int:
    """Make the timing record of a recorded job.

    Exit status 1: done, but the record says what wants looking at.
    """
    return run(recording, sheet, readings, json_=json_, out=out, budget=budget, **job)


def run(
    recording: Path,
    sheet: Path,
    readings: Path,
    *,
    json_: bool = False,
    out: Path | None = None,
    budget: bool = False,
    **job: Any,
) -> int:
    """Do the job and show it; return the exit status.

    `job` is what :func:`listen.replay.replay` takes besides the files.
    """
    record = replay(recording, sheet, readings, **job)
    if out:
        openings = [opening for cylinder in record.cylinders for opening in cylinder.openings]
        write_record(record, out, stretches(recording, openings, job.get("distance_m")))
    if json_:
        click.echo(as_json(record))
    else:
        console = Console(highlight=False)
        print_record(record, console)
        if budget:
            print_budget(record, console)
        if out:
            console.print(f"Written to {out}", style="dim", markup=False)
    return 1 if record.look_here else 0
