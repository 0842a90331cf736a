"""``thirdear devices``: the inputs of the sound card."""

import click


@click.command("devices")
def command() -> int:
    """List the inputs there are, for --device of time and resume."""
    from listen.soundcard import choose, inputs

    found, _ = inputs()
    choose(found, None)  # says what to do where there is none
    for one in found:
        mark = "  (the usual one)" if one.default else ""
        click.echo(f"{one.number:3}  {one.name}, {one.rate_hz} Hz{mark}")
    return 0
