"""``thirdear devices``: the inputs of the sound card."""

import click

from listen.errors import BadInput


@click.command("devices")
def command() -> int:
    """List the inputs there are, for --device of time and resume."""
    from listen.soundcard import inputs

    found = inputs()
    if not found:
        raise BadInput(
            "no sound input was found: plug a microphone in, and allow this program to use it"
        )
    for one in found:
        mark = "  (the usual one)" if one.default else ""
        click.echo(f"{one.number:3}  {one.name}, {one.rate_hz} Hz{mark}")
    return 0
