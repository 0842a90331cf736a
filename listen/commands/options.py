"""Options that more than one command takes, so that they read and behave alike."""

from collections.abc import Callable
from typing import Any

import click

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
        type=click.FloatRange(0, 100),
        metavar="METRES",
        help="From the buzzer to the phone: takes away the time its sound was under way.",
    ),
)


def about_the_sound(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what the buzzer is and where it was."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


_RECORD = (
    click.option(
        "--guard",
        type=click.FloatRange(min=0.0),
        default=0.0,
        metavar="SHARE",
        help="Guard band of the verdict, by the uncertainty: 0 none, 1 its whole width.",
    ),
    click.option("--by", metavar="NAME", help="Who did the job."),
    click.option("--when", metavar="DATE", help="On what day, as you want it in the record."),
    click.option("--where", metavar="PLACE", help="At what place."),
)


def about_the_record(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that the record needs and no file tells."""
    for option in reversed(_RECORD):
        command = option(command)
    return command
