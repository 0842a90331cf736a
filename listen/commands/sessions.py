"""``thirdear sessions``: what is in the logbook."""

import json
from dataclasses import asdict
from pathlib import Path

import click
from rich.table import Table

from listen import output
from listen.clock import clock
from listen.commands.options import in_logbook
from listen.logbook import Logbook, SessionRow, default_path


@click.command("sessions")
@in_logbook
@click.option("--json", "as_json", is_flag=True, help="One JSON object a session.")
def command(logbook: Path | None, as_json: bool) -> int:
    """List the sessions in the logbook."""
    path = logbook or default_path()
    with Logbook(path, write=False) as book:
        rows = book.sessions()
    if as_json:
        for row in rows:
            about = asdict(row)
            del about["sheet"]
            click.echo(json.dumps(about, ensure_ascii=False))
        return 0
    output.console().print(_table(rows) if rows else "no sessions yet: thirdear time SHEET")
    return 0


def _table(rows: list[SessionRow]) -> Table:
    table = Table(box=None, header_style="")
    for heading in ("", "begun (UTC)", "sheet", "events", "length", "state"):
        table.add_column(heading, justify="right" if heading in ("", "events") else "left")
    for row in rows:
        table.add_row(
            str(row.number),
            row.begun[:16].replace("T", " "),
            row.sheet_name,
            str(row.events),
            clock(row.last_s),
            "closed" if row.finished else "unfinished",
        )
    return table
