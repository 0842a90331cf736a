"""``thirdear demo``: the whole job, hands free, on the shipped sample."""

from pathlib import Path

import click

from analysis.change import Sounding
from listen.clock import clock
from listen.errors import BadInput
from listen.excerpts import SoundFile
from listen.record_output import output_record
from listen.replay import SPOKEN, replay
from listen.spoken import Spoken

_NAME = "fire-pump"
_SOUNDING: Sounding = "open"
_WIDTH = 80


@click.command("demo")
@click.option("--json", "json_", is_flag=True, help="Print the record as JSON.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Also write it as HTML, PDF, JSON and CSV.",
)
@click.option("--budget", is_flag=True, help="Also print the uncertainty budget.")
def command(json_: bool, out: Path | None, budget: bool) -> int:
    """Make the timing record of the shipped sample: the engine of a museum's fire pump.

    Nothing is typed: the openings, and the readings that the volunteer says, are in the sound.
    """
    folder = sample_folder()
    recording, sheet, readings = (folder / f"{_NAME}.{end}" for end in ("m4a", "toml", "csv"))
    if not json_:
        click.echo(f"thirdear replay {_NAME}.m4a --engine {_NAME}.toml --readings spoken "
                   f"--sounding {_SOUNDING}")  # fmt: skip
        click.echo(f"in {folder}\n")
    tell = (lambda spoken: None) if json_ else _Flow("Said in it:").add
    try:
        record = replay(recording, sheet, SPOKEN, _SOUNDING, tell=tell)
    except BadInput as trouble:
        click.echo(f"thirdear: {trouble}; here they come from {readings.name}\n", err=True)
        record = replay(recording, sheet, readings, _SOUNDING)
    else:
        if not json_:
            click.echo("\n")
    return output_record(record, [SoundFile(recording)], json_=json_, out=out, budget=budget)


class _Flow:
    """What is said, in lines that fill as it is understood."""

    def __init__(self, opening: str) -> None:
        self._opening, self._column = opening, 0

    def add(self, spoken: Spoken) -> None:
        """Show an utterance and when it was said."""
        piece = f"{self._opening} [{clock(spoken.start_s)[2:]}] {spoken.shown}."
        self._opening = ""
        if self._column + len(piece) > _WIDTH:
            click.echo()
            self._column, piece = 0, piece.strip()
        click.echo(piece, nl=False)
        self._column += len(piece)


def sample_folder() -> Path:
    """Return the folder of the shipped sample: in the installed package, or in a clone.

    Raises
    ------
    BadInput
        If it is in neither.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sample", package.parent / "samples"):
        if (folder / f"{_NAME}.m4a").is_file():
            return folder
    raise BadInput(f"the sample {_NAME}.m4a is not there; install the program again")
