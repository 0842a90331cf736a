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
    """Run a session until it is closed or stopped; return the exit status.

    Parameters
    ----------
    book : Logbook
        Open for writing.
    number : int
        Of the session in it.
    session : Session
        What it holds so far.
    microphone : Microphone
        What is listened to.
    listening : Listening
        How it is listened to.
    plain : bool
        Lines instead of the screen.
    sound_kept : bool
        Keep the sound beside the logbook.
    spoken : bool
        Take what is said, too, and answer aloud.
    model : Path or None
        Folder of another speech model.

    Raises
    ------
    BadInput
        As `Live.run` does.
    """
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
