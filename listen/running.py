"""Running a session in the terminal, and what is printed when it ends."""

import click
from rich.console import Console

from listen.live import Live
from listen.logbook import Logbook
from listen.microphone import Microphone
from listen.report import print_record
from listen.session import Session
from listen.sessions import Listening, record_of
from listen.terminal import face


def run(
    book: Logbook,
    number: int,
    session: Session,
    microphone: Microphone,
    listening: Listening,
    plain: bool,
    sound_kept: bool,
) -> int:
    """Run a session until it is closed or stopped; return the exit status."""
    sound = book.sound_of(number) if sound_kept else None
    live = Live(book, number, session, microphone, face(plain), listening, sound)
    live.run()
    if not session.finished:
        click.echo(f"session {number} is kept; go on with: thirdear resume")
        return 0
    return show_record(session, number)


def show_record(session: Session, number: int) -> int:
    """Print a session's record; return 1 when it wants looking at."""
    record = record_of(session, number)
    console = Console(highlight=False)
    print_record(record, console)
    if session.notes:
        console.print("Noted at the engine", style="bold")
    for note in session.notes:
        console.print(f" - {note}", markup=False)
    return 1 if record.look_here else 0
