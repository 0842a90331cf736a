"""The timing record on one screen. Drawing only: every figure comes from the record."""

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from analysis.engine import Engine
from analysis.record import CylinderRecord, TimingRecord
from analysis.wheel import show

# Words and shapes carry the meaning; colour only helps.
_VERDICTS = {
    "within": ("✓ within", "bold green"),
    "outside": ("✗ outside", "bold red"),
    "undecided": ("? undecided", "bold yellow"),
}


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
        ("Look here", [*record.warnings, *_unpaired(record)], "yellow"),
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
            word, style = _VERDICTS[cylinder.verdict.verdict]
            name = cylinder.figure.name
            table.add_row(
                f"{name}, as found" if phase == "found" else name,
                side(angle.angle_deg, "before", "after"),
                f"{budget.U_deg:.1f}" if budget else "?",
                str(angle.n),
                f"{angle.sd_deg:.2f}" if angle.sd_deg is not None else "-",
                side(angle.angle_deg - record.engine.opens_at_deg, "early", "late")
                if budget
                else "?",
                Text(word, style=style) if judged else Text("", style="dim"),
                style="" if judged else "dim",
            )
        if not cylinder.phases:
            table.add_row(cylinder.figure.name, "-", "?", "0", "-", "?", "? undecided")
    return table


def side(angle_deg: float, positive: str, negative: str) -> str:
    """Write an angle to a tenth, with a word for its sign."""
    tenths = round(angle_deg, 1)
    word = positive if tenths > 0 else negative if tenths < 0 else ""
    return f"{abs(tenths):.1f} {word}".rstrip()


def _what_to_do(record: TimingRecord) -> Table:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for cylinder in record.cylinders:
        name = f"Cylinder {cylinder.figure.name}"
        table.add_row(name, f"{action(cylinder, record.engine)} {dead_centre(cylinder)}")
    return table


def action(cylinder: CylinderRecord, engine: Engine) -> str:
    """Say in words what is to be done."""
    move, verdict = cylinder.correction, cylinder.verdict.verdict
    if move.crank_deg is None or move.cam_deg is None:
        return "No verdict: too little is known."
    if verdict == "within":
        return "Leave it."
    if move.turn == "none":
        return "On the figure, but readings differ too much to be sure; take more sweeps."
    words = f"{move.turn.capitalize()} {move.crank_deg:.1f} crank degrees"
    if engine.cam_speed == "half":
        words += f" = {move.cam_deg:.1f} at the cam"
    if move.plate_mm is not None:
        words += f" = {move.plate_mm:.1f} mm at the plate"
    if verdict == "outside":
        way = "against" if move.turn == "advance" else "with"
        return f"{words}: the plate {way} the cam's turning."
    chance = cylinder.verdict.chance_within or 0.0
    return (
        f"Chance within: {chance:.0%}; more sweeps may tell. Best estimate: "
        f"{words[0].lower()}{words[1:]}."
    )


def dead_centre(cylinder: CylinderRecord) -> str:
    """Say in words how the wheel stood, and by what that is known."""
    used = cylinder.dead_centre
    if used.source == "unknown" or used.wheel_error_deg is None:
        return "Dead centre: not known, angles are as read."
    error = used.wheel_error_deg
    way = "before" if error > 0 else "after"
    amount = f"{abs(error):.2f}".rstrip("0").rstrip(".")
    state = "true" if amount == "0" else f"{amount} deg too far {way}"
    doubt = f" (u {used.u_deg:.2f})" if used.u_deg is not None else ""
    if used.source == "carried":
        return f"Wheel {state}{doubt}, by cylinder {used.from_cylinder}'s stops."
    if used.source == "zeroed":
        was = f", was {state}" if amount != "0" else ""
        return f"Wheel set to true dead centre{was}{doubt}."
    stops = " and ".join(stop.reading.written for stop in used.stops[:2])
    if len(used.stops) > 2:
        stops = f"{len(used.stops)} stops"
    sides = used.measured.pairs[0].each_side_deg if used.measured else None
    each = f", so {sides:g} each side" if sides is not None and len(used.stops) == 2 else ""
    return f"Wheel {state}{doubt}: stops {stops}{each}."


def comparisons(record: TimingRecord) -> list[str]:
    """Say in words what the readings tell of lash, advance, dwell and the cylinders' spread."""
    engine = record.engine
    found = []
    for cylinder in record.cylinders:
        name = f"cylinder {cylinder.figure.name}"
        for kind, estimate in cylinder.comparisons.items():
            value, doubt = estimate.value_deg, f"± {estimate.budget.U_deg:.1f}"
            if kind == "lash":
                found.append(f"{name}: lash {value:.1f} {doubt} crank degrees")
            elif kind == "moved":
                found.append(f"{name}: moved {side(value, 'earlier', 'later')} {doubt} since found")
            elif kind == "advance":
                static = engine.static_opens_at_deg
                asked = (
                    "" if static is None else f"; the sheet says {engine.opens_at_deg - static:g}"
                )
                found.append(
                    f"{name}: advance range {value:.1f} {doubt} crank degrees = "
                    f"{value * engine.cam_ratio:.1f} at its shaft{asked}"
                )
            else:
                asked = f"; the sheet says {engine.dwell_deg:g}" if engine.dwell_deg else ""
                share = value * engine.lobes / 3.6
                found.append(
                    f"{name}: dwell {value:.1f} {doubt} degrees of the cam = {share:.0f} %{asked}"
                )
    if record.spread:
        spread = record.spread
        limit = "" if engine.spread_limit_deg is None else f"; limit {engine.spread_limit_deg:g}"
        found.append(
            f"between cylinders: {spread.value_deg:.1f} ± {spread.budget.U_deg:.1f} crank "
            f"degrees{limit}"
        )
    return found


def put_aside(record: TimingRecord) -> list[str]:
    """Say which changes the mechanic said need no reading, and why."""
    return [f"at {one.change.time_s:.1f} s: {one.reason}" for one in record.ignored]


def _unpaired(record: TimingRecord) -> list[str]:
    if not record.unpaired_readings:
        return []
    shown = ", ".join(reading.where() for reading in record.unpaired_readings)
    return [f"without a partner: {shown}"]


def _closings(record: TimingRecord) -> list[str]:
    count = sum(change.points == "closed" for change in record.unpaired_changes)
    return [f"{count} closing(s) heard that have no reading, as is usual"] if count else []


def _section(name: str, items: list[str], style: str) -> Group:
    table = Table.grid(padding=(0, 1))
    for item in items:
        table.add_row(" -", Text(item, style=style))
    return Group(Text(name, style="bold"), table)
