"""``thirdear replay``: a recording and its readings become a timing record."""

from pathlib import Path
from typing import Any

import click

from listen.commands.options import about_the_record, about_the_sound, about_the_speech
from listen.excerpts import SoundFile
from listen.record_output import output_record
from listen.replay import replay

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
    record = replay(recording, sheet, readings, **job)
    return output_record(record, [SoundFile(recording)], json_=json_, out=out, budget=budget)
