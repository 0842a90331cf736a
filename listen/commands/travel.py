"""``thirdear travel``: crank degrees and piston travel, one from the other, or as a table."""

import json
from pathlib import Path

import click

from analysis.crank import MM_PER_INCH, Crank
from analysis.wheel import Side, Wheel, meanings, parse, show
from listen.commands.options import SIGNED, no_option
from listen.errors import BadInput
from listen.sheet import read_sheet

_TABLE_DEG = range(0, 62, 2)


@click.command("travel", context_settings=SIGNED)
@click.argument("angle", required=False, callback=no_option)
@click.option("--engine", "sheet", type=click.Path(path_type=Path), help="Take stroke and rod, "
              "and an offset, from this sheet.")  # fmt: skip
@click.option("--stroke", metavar="MM", type=float)
@click.option("--rod", metavar="MM", type=float, help="From centre to centre.")
@click.option("--offset", metavar="MM", type=float,
              help="Of bore or pin, towards the side the crank pin goes down on.")  # fmt: skip
@click.option("--down", metavar="LENGTH", help="Piston travel before dead centre: 6.1, or 0.24in.")
@click.option("--table", is_flag=True, help="Every two degrees up to 60.")
@click.option("--json", "json_", is_flag=True, help="Print as JSON.")
def command(
    angle: str | None,
    sheet: Path | None,
    stroke: float | None,
    rod: float | None,
    offset: float | None,
    down: str | None,
    table: bool,
    json_: bool,
) -> None:
    """Turn an ANGLE, such as "28 before", into piston travel, or travel into an angle.

    With --engine and nothing else, the sheet's own figure is taken.
    """
    crank, figure = _crank(sheet, stroke, rod, offset)
    if sum((table, down is not None, angle is not None)) > 1:
        raise BadInput("give only one of an angle, --down and --table")
    angles: list[float]
    if table:
        angles = [float(value) for value in _TABLE_DEG]
    elif down is not None:
        angles = [_angle(crank, _length_mm(down))]
    elif angle is not None:
        angles = [_before(angle)]
    elif figure is not None:
        angles = [figure]
    else:
        raise BadInput('give an angle such as "28 before", --down 6.1, or --table')
    rows = [(value, crank.travel_mm(value)) for value in angles]
    if json_:
        click.echo(json.dumps([
            {"angle_deg": round(value, 4), "travel_mm": round(mm, 4),
             "travel_in": round(mm / MM_PER_INCH, 5)} for value, mm in rows
        ]))  # fmt: skip
        return
    for value, mm in rows:
        click.echo(f"{show(round(value, 2)):>12}  {mm:8.3f} mm  {mm / MM_PER_INCH:7.4f} in")


def _crank(
    sheet: Path | None, stroke: float | None, rod: float | None, offset: float | None
) -> tuple[Crank, float | None]:
    """Return the crank, and the sheet's figure if there is a sheet."""
    if sheet is not None:
        if any(figure is not None for figure in (stroke, rod, offset)):
            raise BadInput("give --engine, or --stroke, --rod and --offset, not both")
        engine = read_sheet(sheet)
        if engine.crank is None:
            raise BadInput(f"the sheet {sheet.name} gives no stroke_mm and rod_mm in [crank]")
        return engine.crank, engine.opens_at_deg
    if stroke is None or rod is None:
        raise BadInput("give --stroke and --rod in millimetres, or --engine SHEET")
    try:
        return Crank(stroke, rod, offset or 0.0), None
    except ValueError as trouble:
        raise BadInput(str(trouble)) from None


def _before(text: str) -> float:
    try:
        return max(meanings(parse(text), Wheel()))
    except ValueError as trouble:
        raise BadInput(str(trouble)) from None


def _length_mm(text: str) -> float:
    words = text.strip().casefold()
    per_unit = 1.0
    for ending, factor in (("mm", 1.0), ("inch", MM_PER_INCH), ("in", MM_PER_INCH),
                           ('"', MM_PER_INCH)):  # fmt: skip
        if words.endswith(ending):
            words, per_unit = words.removesuffix(ending), factor
            break
    try:
        return float(words.replace(",", ".")) * per_unit
    except ValueError:
        raise BadInput(f"--down {text!r} is not a length; write 6.1, 6.1mm or 0.24in") from None


def _angle(crank: Crank, travel_mm: float, side: Side = "before") -> float:
    try:
        return crank.angle_deg(travel_mm, side)
    except ValueError as trouble:
        raise BadInput(str(trouble)) from None
