"""Running a session in the terminal, and what is printed when it ends."""

from pathlib import Path

import click

from listen.live import Live
from listen.logbook import Logbook
from listen.microphone import Microphone
from listen.record_output import output_record
from listen.session import Session
from listen.sessions import Listening, record_of
from listen.terminal import face


def run_session(
    book: Logbook,
    number: int,
    session: Session,
    microphone: Microphone,
    listening: Listening,
    plain: bool,
    sound_kept: bool,
    spoken: bool = False,
    model: Path | None = None,
) -> int:
    """Run a session until it is closed or stopped; return the exit status."""
    sound = book.sound_of(number) if sound_kept else None
    shown = face(plain)
    live = Live(book, number, session, microphone, shown, listening, sound, spoken, model)
    live.run()
    if not session.finished:
        click.echo(f"session {number} is kept; go on with: thirdear resume")
        return 0
    code = output_record(record_of(book, number, session))
    click.echo(f"A page to keep: thirdear record {number} --out FOLDER")
    return code
