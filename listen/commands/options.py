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
