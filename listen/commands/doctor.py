"""``thirdear doctor``: see that this machine has what a session needs."""

from pathlib import Path

import click

from listen.commands.options import in_logbook


@click.command("doctor")
@click.option("--device", metavar="INPUT", help="Name, part of it, or number of the input.")
@in_logbook
def command(device: str | None, logbook: Path | None) -> int:
    """Look at sound library, inputs, level, speech, disk and logbook, and say what to do.

    Exit status 1: something a session needs is not there.
    """
    from listen.doctor import examine
    from listen.logbook import default_path

    missing = False
    for finding in examine(logbook or default_path(), device):
        mark = "ok  " if finding.good else "BAD " if finding.needed else "note"
        click.echo(f"{mark} {finding.what:14} {finding.words}")
        missing |= finding.needed and not finding.good
    return 1 if missing else 0
