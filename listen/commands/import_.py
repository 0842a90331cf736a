"""``thirdear import``: take in a session that was exported."""

from pathlib import Path

import click

from listen.commands.options import in_logbook


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@in_logbook
def command(file: Path, logbook: Path | None) -> int:
    """Take in the session in FILE, with its sound."""
    from listen.carry import import_session
    from listen.logbook import default_path

    number = import_session(logbook or default_path(), file)
    click.echo(f"it is session {number} here: thirdear record {number} prints it")
    return 0
