"""A finished record is shown, written, and told as an exit status."""

from collections.abc import Sequence
from pathlib import Path

import click

from analysis.record import TimingRecord
from listen import output
from listen.excerpts import SoundFile, excerpts
from listen.record_files import as_json, write_record
from listen.report import print_budget, print_record


def output_record(
    record: TimingRecord,
    sounds: Sequence[SoundFile] = (),
    *,
    json_: bool = False,
    out: Path | None = None,
    budget: bool = False,
) -> int:
    """Show a record and write it; return 1 when it wants looking at.

    Parameters
    ----------
    record : TimingRecord
        What to show.
    sounds : sequence of SoundFile
        What it was made from, for the pictures on the page.
    json_ : bool
        Print JSON instead.
    out : Path or None
        Folder to write it to as well.
    budget : bool
        Print the uncertainty budget as well.
    """
    if out:
        missing = write_record(record, out, excerpts(record, sounds))
        if missing:
            click.echo(
                f"thirdear: record.pdf: its typeface has no {missing}, and shows a box there; "
                "record.html shows all",
                err=True,
            )
    if json_:
        click.echo(as_json(record))
    else:
        console = output.console()
        print_record(record, console)
        if budget:
            print_budget(record, console)
        if out:
            console.print(f"Written to {out}", style="dim", markup=False)
    return 1 if record.look_here else 0
