"""The timing record on one screen. Drawing only: every figure comes from the record."""

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from analysis.record import TimingRecord
from analysis.wheel import show
from listen.wording import (
    VERDICTS,
    action,
    comparisons,
    dead_centre,
    look_here,
    off_by,
    put_aside,
    side,
)

# Words and shapes carry the meaning; colour only helps.
_STYLES = {"within": "bold green", "outside": "bold red", "undecided": "bold yellow"}


def print_record(record: TimingRecord, console: Console) -> None:
    """Print a timing record.

    Parameters
    ----------
    record : TimingRecord
        What to show.
    console : rich.console.Console
        Where to show it.
    """
    console.print(_title(record))
    console.print(_openings(record))
    console.print(_what_to_do(record))
    for name, items, style in (
        ("Look here", look_here(record), "yellow"),
        ("Noted at the engine", list(record.noted), ""),
        ("Openings and closings put aside", put_aside(record), ""),
        ("Found besides", comparisons(record), ""),
        ("Note", [*record.notes, *_closings(record)], "dim"),
        ("Cautions", list(record.cautions), ""),
    ):
        if items:
            console.print(_section(name, items, style))


def print_budget(record: TimingRecord, console: Console) -> None:
    """Print the uncertainty budget of every cylinder, line by line."""
    from listen.page import budget_table

    budget = budget_table(record)
    table = Table(title=budget.title, title_justify="left", title_style="bold", box=None,
                  padding=(0, 2, 0, 0), header_style="dim")  # fmt: skip
    # The notes are for the page; a terminal has no room for them.
    for place, heading in enumerate(budget.headings[:-1]):
        table.add_column(heading, justify="right" if place in budget.numbers else "left")
    sums = []
    for row in budget.rows:
        table.add_row(*row[:-1])
        if row[1] == "together":
            sums.append(f"Cylinder {row[0]}: {row[-1]}")
    console.print(Group(table, *(Text(line) for line in sums)))


def _title(record: TimingRecord) -> Group:
    engine, inputs = record.engine, record.inputs
    figure = f"Figure: {show(engine.opens_at_deg)} ± {engine.tolerance_deg:g} degrees."
    wheel = f"Wheel: {engine.wheel.marks}, every {engine.wheel.graduation_deg:g}."
    heard = f"{inputs.recording or 'Sound'}: {record.changes_heard} changes heard."
    return Group(
        Text(f"Timing record: {engine.name}", style="bold"),
        Text(f"{figure} {wheel}", style="dim"),
        Text(heard, style="dim"),
    )


def _openings(record: TimingRecord) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("Cylinder")
    for heading in ("Opens at", "± 95 %", "n", "Spread", "Off by"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    for cylinder in record.cylinders:
        for phase, angle in cylinder.phases.items():
            judged = phase == cylinder.phase
            budget = angle.budget
            verdict = cylinder.verdict.verdict
            name = cylinder.figure.name
            table.add_row(
                f"{name}, as found" if phase == "found" else name,
                side(angle.angle_deg, "before", "after"),
                f"{budget.U_deg:.1f}" if budget else "?",
                str(angle.n),
                f"{angle.sd_deg:.2f}" if angle.sd_deg is not None else "-",
                off_by(angle.angle_deg, record.engine) if budget else "?",
                Text(VERDICTS[verdict], style=_STYLES[verdict]) if judged else "",
                style="" if judged else "dim",
            )
        if not cylinder.phases:
            table.add_row(cylinder.figure.name, "-", "?", "0", "-", "?", VERDICTS["undecided"])
    return table


def _what_to_do(record: TimingRecord) -> Table:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for cylinder in record.cylinders:
        name = f"Cylinder {cylinder.figure.name}"
        table.add_row(name, f"{action(cylinder, record.engine)} {dead_centre(cylinder)}")
    return table


def _closings(record: TimingRecord) -> list[str]:
    count = sum(change.points == "closed" for change in record.unpaired_changes)
    return [f"{count} closing(s) heard that have no reading, as is usual"] if count else []


def _section(name: str, items: list[str], style: str) -> Group:
    table = Table.grid(padding=(0, 1))
    for item in items:
        table.add_row(" -", Text(item, style=style))
    return Group(Text(name, style="bold"), table)
