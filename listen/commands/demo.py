"""``thirdear demo``: the whole job on the shipped sample."""

from pathlib import Path

import click

from analysis.change import Sounding
from listen.deliver import deliver
from listen.errors import BadInput
from listen.replay import replay
from listen.stretches import Sound

_NAME = "fire-pump"
_SOUNDING: Sounding = "open"


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
    """Make the timing record of the shipped sample: the engine of a museum's fire pump."""
    folder = sample_folder()
    recording, sheet, readings = (folder / f"{_NAME}.{end}" for end in ("m4a", "toml", "csv"))
    if not json_:
        click.echo(f"thirdear replay {_NAME}.m4a --engine {_NAME}.toml --readings {_NAME}.csv "
                   f"--sounding {_SOUNDING}")  # fmt: skip
        click.echo(f"in {folder}\n")
    record = replay(recording, sheet, readings, _SOUNDING)
    return deliver(record, [Sound(recording)], json_=json_, out=out, budget=budget)


def sample_folder() -> Path:
    """Return the folder of the shipped sample: in the installed package, or in a clone."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sample", package.parent / "samples"):
        if (folder / f"{_NAME}.m4a").is_file():
            return folder
    raise BadInput(f"the sample {_NAME}.m4a is not there; install the program again")
