"""``thirdear record``: print a session's record again."""

from pathlib import Path
from typing import Any

import click

from listen.commands.options import about_the_record, in_logbook


@click.command("record")
@click.argument("number", type=int)
@in_logbook
@about_the_record
def command(
    number: int, logbook: Path | None, json_: bool, out: Path | None, budget: bool, **job: Any
) -> int:
    """Print the timing record of session NUMBER, closed or not.

    Exit status 1: done, but the record says what wants looking at.
    """
    from listen.logbook import Logbook, default_path
    from listen.record_output import output_record
    from listen.sessions import read_session, record_of, sounds_of

    with Logbook(logbook or default_path(), write=False) as book:
        session = read_session(book, number)
        record = record_of(book, number, session, **job)
        sounds = sounds_of(book, number, session)
    return output_record(record, sounds, json_=json_, out=out, budget=budget)
