"""``thirdear time``: a timing session with the microphone."""

from pathlib import Path
from typing import Any

import click

from analysis.change import Sounding
from listen.commands.options import (
    about_the_sound,
    at_the_engine,
    by_and_where,
)
from listen.sheet import read_sheet


@click.command("time")
@click.argument("sheet", type=click.Path(path_type=Path))
@about_the_sound
@at_the_engine
@by_and_where
def command(
    sheet: Path,
    sounding: Sounding | None,
    buzzer: str | None,
    distance_m: float | None,
    device: str | None,
    logbook: Path | None,
    by: str | None,
    where: str | None,
    **how: Any,
) -> int:
    """Time the engine of SHEET with this computer's microphone.

    Readings are typed; with --spoken they may be said aloud, too. Everything is kept in the
    logbook; thirdear resume goes on with a session that was stopped.
    """
    engine = read_sheet(sheet)
    from listen.logbook import Logbook, default_path
    from listen.microphone import Microphone
    from listen.run_session import run_session
    from listen.sessions import begin_session

    options = {
        "sounding": sounding,
        "buzzer": buzzer,
        "distance_m": distance_m,
        "by": by,
        "where": where,
    }
    with Logbook(logbook or default_path(), write=True) as book:
        microphone = Microphone(device)
        number, session, listening = begin_session(book, sheet, engine, options)
        return run_session(book, number, session, microphone, listening, **how)
