"""The command line: a thin skin over the library.

Each command lives in a module of its own under :mod:`listen.commands` and is imported only when
it is called, so that start-up stays quick. One line on stderr for every error; exit 2 for bad
use or bad input, 1 for "done, but look here". THIRDEAR_DEBUG set shows where an error that
nothing foresaw came from.
"""

import importlib
import keyword
import os
import sys

import click

from listen import __version__, output
from listen.errors import BadInput

COMMANDS = {
    "demo": "the whole job on the shipped sample",
    "devices": "the inputs of the sound card",
    "doctor": "see that this machine has what a session needs",
    "export": "put a session with its sound into one file",
    "hear": "find the changes of the buzzer in a recording",
    "history": "opening angle over the years, from the logbook or kept records",
    "import": "take in a session that was exported",
    "learn": "teach it the sound of your buzzer",
    "readings": "find the readings spoken in a recording",
    "record": "a session's record again, as a page to keep too",
    "replay": "a recording and its readings become a timing record",
    "resume": "go on with a session that was stopped",
    "sessions": "what is in the logbook",
    "sheet": "write an engine sheet, or check one",
    "stop": "true dead centre from piston-stop readings",
    "time": "time an engine with this computer's microphone",
    "travel": "crank degrees to piston travel and back",
}
"""Command name, as it is typed, and its one-line help. The module has the same name, with a
line behind it where Python keeps the word for itself."""


class _Unread(Exception):
    """Whoever read the output has closed it."""


class _LateCommands(click.Group):
    """A group that imports a command's module when the command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in alphabetical order."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        name = f"{cmd_name}_" if keyword.iskeyword(cmd_name) else cmd_name
        module = importlib.import_module(f"listen.commands.{name}")
        command: click.Command = module.command
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a closed output is told before click makes a failure of it."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as closed:
            raise _Unread from closed

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))


@click.group(cls=_LateCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="thirdear")
def thirdear() -> None:
    """Hear the points open, and know where: ignition timing for one pair of hands."""


def main() -> None:
    """Run the command line; the entry point of the console script."""
    # Before numpy is loaded: threads of array arithmetic cost more in waiting than they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    output.write_plainly()
    try:
        code = thirdear.main(standalone_mode=False)
        if sys.stdout:
            sys.stdout.flush()
    except BadInput as trouble:
        _fail(str(trouble))
    except click.exceptions.NoArgsIsHelpError as help_wanted:
        click.echo(help_wanted.format_message())
        sys.exit(2)
    except click.ClickException as trouble:
        _fail(trouble.format_message())
    except (click.Abort, KeyboardInterrupt):
        click.echo("thirdear: stopped", err=True)
        sys.exit(130)
    except (_Unread, BrokenPipeError):
        output.let_go()
        sys.exit(0)
    except Exception as trouble:
        if os.environ.get("THIRDEAR_DEBUG"):
            raise
        output.let_go()
        _fail(_unforeseen(trouble))
    sys.exit(code if isinstance(code, int) else 0)


def _unforeseen(trouble: Exception) -> str:
    if isinstance(trouble, OSError):
        where = f"{trouble.filename}: " if trouble.filename else ""
        return f"cannot go on: {where}{trouble.strerror or trouble}"
    return (
        f"a fault of this program, not yours: {type(trouble).__name__}: {trouble}. Please report "
        "it; the same with THIRDEAR_DEBUG=1 set shows where it is"
    )


def _fail(message: str) -> None:
    click.echo(f"thirdear: {' '.join(message.split())}", err=True)
    sys.exit(2)
