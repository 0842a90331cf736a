"""Options that more than one command takes, so that they read and behave alike."""

import datetime
import math
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click


class FiniteRange(click.FloatRange):
    """A number in a range; nan and inf are in none."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a number", param, ctx)
        return number


def picture_option(words: str, *endings: str) -> Callable[..., Any]:
    """Return the option that names a picture's file; it is looked at before any work is done."""

    def look(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
        if value is None:
            return None
        if value.suffix.casefold() not in endings:
            raise click.BadParameter(f"{str(value)!r} should end in {' or '.join(endings)}")
        if value.is_dir() or not os.access(value.parent, os.W_OK):
            raise click.BadParameter(f"nothing can be written as {str(value)!r}; see its folder")
        return value

    return click.option(
        "--plot", type=click.Path(path_type=Path), metavar="FILE", callback=look, help=words
    )


_OPTIONS = (
    click.option(
        "--sounding",
        type=click.Choice(["open", "closed", "both"]),
        help="When the buzzer sounds: while the points are open, closed, or both (its sound "
        "differs).",
    ),
    click.option("--buzzer", metavar="NAME", help="A buzzer that was taught with thirdear learn."),
    click.option(
        "--distance",
        "distance_m",
        type=FiniteRange(0, 100),
        metavar="METRES",
        help="From the buzzer to the phone: takes away the time its sound was under way.",
    ),
)


SIGNED = {"ignore_unknown_options": True}
"""For a command whose readings may have a sign: -15 is 15 after, and no option."""


def no_option(ctx: click.Context, param: click.Parameter, value: Any) -> Any:
    """See that no mistyped option is among such a command's readings."""
    for word in value if isinstance(value, tuple) else [value or ""]:
        if re.match(r"-[^0-9]", word):
            raise click.NoSuchOption(word, ctx=ctx)
    return value


def about_the_sound(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what the buzzer is and where it was."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def about_the_speech(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the option that says what recognises speech."""
    return click.option(
        "--model",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Another speech model for faster-whisper than the packaged one.",
    )(command)


def _a_date(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    try:
        if value is not None:
            datetime.datetime.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a date such as 2026-05-03") from None
    return value


_BY_AND_WHERE = (
    click.option("--by", metavar="NAME", help="Who does the job, for the record."),
    click.option("--where", metavar="PLACE", help="At what place."),
)
_RECORD = (
    click.option("--json", "json_", is_flag=True, help="Print the record as JSON."),
    click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Also write it as a page (HTML, PDF), JSON and CSV.",
    ),
    click.option("--budget", is_flag=True, help="Also print the uncertainty budget."),
    click.option(
        "--guard",
        type=FiniteRange(min=0.0),
        default=0.0,
        metavar="SHARE",
        help="Guard band of the verdict, by the uncertainty: 0 none, 1 its whole width.",
    ),
    *_BY_AND_WHERE,
    click.option(
        "--when",
        callback=_a_date,
        metavar="DATE",
        help="On what day, such as 2026-05-03; thirdear history goes by it.",
    ),
)


def about_the_record(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of how a record is judged, named, shown and written."""
    for option in reversed(_RECORD):
        command = option(command)
    return command


def by_and_where(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say who does the job and at what place."""
    for option in reversed(_BY_AND_WHERE):
        command = option(command)
    return command


_LOGBOOK = click.option(
    "--logbook",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another logbook than the usual one in your data folder.",
)
_AT_THE_ENGINE = (
    click.option("--device", metavar="INPUT", help="Name, part of it, or number of the input."),
    _LOGBOOK,
    click.option("--spoken", is_flag=True, help="Also take what is said aloud, and answer aloud."),
    click.option("--plain", is_flag=True, help="Lines only, no screen."),
    click.option(
        "--no-sound-kept",
        "sound_kept",
        is_flag=True,
        default=True,
        flag_value=False,
        help="Do not keep the sound beside the logbook.",
    ),
)


def in_logbook(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the option that names the logbook."""
    return _LOGBOOK(command)


def at_the_engine(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a session that is listened to."""
    command = about_the_speech(command)
    for option in reversed(_AT_THE_ENGINE):
        command = option(command)
    return command
