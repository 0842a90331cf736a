"""``thirdear record``: print a session's record again."""

from pathlib import Path

import click

from listen.commands.options import in_logbook


@click.command("record")
@click.argument("number", type=int)
@in_logbook
@click.option("--json", "json_", is_flag=True, help="Print the record as JSON.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Also write it as JSON and CSV.",
)
def command(number: int, logbook: Path | None, json_: bool, out: Path | None) -> int:
    """Print the timing record of session NUMBER, closed or not.

    Exit status 1: done, but the record says what wants looking at.
    """
    from listen.logbook import Logbook, default_path
    from listen.record_files import as_json, write_record
    from listen.running import show_record
    from listen.sessions import read_session, record_of

    with Logbook(logbook or default_path(), write=False) as book:
        session = read_session(book, number)
    record = record_of(session, number)
    if out:
        write_record(record, out)
    if json_:
        click.echo(as_json(record))
        return 1 if record.look_here else 0
    return show_record(session, number)
