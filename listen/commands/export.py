"""``thirdear export``: put a session with its sound into one file."""

from pathlib import Path

import click

from listen.commands.options import in_logbook


@click.command("export")
@click.argument("number", type=int)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@in_logbook
def command(number: int, file: Path | None, logbook: Path | None) -> int:
    """Put session NUMBER, with its sound, into FILE, to be imported on another machine."""
    from listen.carry import export_session
    from listen.logbook import Logbook, default_path

    file = file or Path(f"session-{number}.thirdear.zip")
    with Logbook(logbook or default_path(), write=False) as book:
        export_session(book, number, file)
    click.echo(f"session {number} is in {file}, {file.stat().st_size / 1e6:.1f} MB")
    return 0
