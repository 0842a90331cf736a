"""``thirdear readings``: find spoken readings in a recording."""

import json
from pathlib import Path

import click

from listen.commands.options import about_the_speech
from listen.spoken import spoken_in


@click.command("readings")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object an utterance.")
@about_the_speech
def command(recording: Path, as_json: bool, model: Path | None) -> int:
    """Find the readings spoken in RECORDING.

    Exit status 1: done, but no reading was accepted.
    """
    accepted = 0
    for spoken in spoken_in(recording, model):
        accepted += spoken.accepted
        if as_json:
            click.echo(json.dumps(spoken.as_dict()))
        else:
            sure = min(99.0, 100 * spoken.judged.confidence)  # nothing is quite certain
            click.echo(
                f'{spoken.start_s:7.2f} s {sure:4.0f} %  {spoken.shown:<40} "{spoken.judged.heard}"'
            )
    if not accepted:
        click.echo(f"thirdear: {recording.name}: no reading was understood for sure", err=True)
    return 0 if accepted else 1
