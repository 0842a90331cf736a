"""``thirdear sessions``: what is in the logbook."""

import json
from dataclasses import asdict
from pathlib import Path

import click
from rich.console import Console

from listen.commands.options import in_logbook


@click.command("sessions")
@in_logbook
@click.option("--json", "as_json", is_flag=True, help="One JSON object a session.")
def command(logbook: Path | None, as_json: bool) -> int:
    """List the sessions in the logbook."""
    from listen.logbook import Logbook, default_path
    from listen.terminal import session_table

    path = logbook or default_path()
    with Logbook(path, write=False) as book:
        rows = book.sessions()
    if as_json:
        for row in rows:
            about = asdict(row)
            del about["sheet"]
            click.echo(json.dumps(about, ensure_ascii=False))
        return 0
    console = Console(highlight=False)
    console.print(session_table(rows) if rows else "no sessions yet: thirdear time SHEET")
    return 0
