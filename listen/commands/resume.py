"""``thirdear resume``: go on with a session that was stopped."""

from pathlib import Path
from typing import Any

import click

from listen.commands.options import at_the_engine
from listen.errors import BadInput


@click.command("resume")
@click.argument("number", type=int, required=False)
@at_the_engine
def command(number: int | None, device: str | None, logbook: Path | None, **how: Any) -> int:
    """Go on with session NUMBER, or the last one that is unfinished, exactly where it was."""
    from listen.logbook import Logbook, default_path
    from listen.microphone import Microphone
    from listen.run_session import run_session
    from listen.sessions import take_up

    path = logbook or default_path()
    if not path.is_file():
        raise BadInput(f"there is no logbook {path}: begin one with thirdear time SHEET")
    with Logbook(path, write=True) as book:
        if number is None:
            unfinished = [row.number for row in book.sessions() if not row.finished]
            if not unfinished:
                raise BadInput("no session is unfinished: begin one with thirdear time SHEET")
            number = unfinished[-1]
        if book.session(number).finished:
            raise BadInput(f"session {number} is closed: thirdear record {number} prints it")
        session, listening, start_s = take_up(book, number)
        microphone = Microphone(device, start_s)
        return run_session(book, number, session, microphone, listening, **how)
