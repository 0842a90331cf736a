"""``thirdear stop``: true dead centre from what the wheel shows at a piston stop."""

import json
from pathlib import Path

import click

from analysis.crank import MM_PER_INCH
from analysis.deadcentre import DeadCentre, StopPair, dead_centre
from analysis.engine import Engine
from analysis.wheel import Wheel, nearest, parse
from listen.commands.options import SIGNED, no_option
from listen.errors import BadInput
from listen.sheet import read_sheet


@click.command("stop", context_settings=SIGNED)
@click.argument("readings", nargs=-1, required=True, callback=no_option)
@click.option("--engine", "sheet", type=click.Path(path_type=Path),
              help="Whose wheel it is; stroke, rod and offset are used as well.")  # fmt: skip
@click.option("--json", "json_", is_flag=True, help="Print as JSON.")
def command(readings: tuple[str, ...], sheet: Path | None, json_: bool) -> int:
    """Find dead centre from stop READINGS, before and after in turn: thirdear stop 18 15.

    Exit status 1: done, but the pairs do not fit each other.
    """
    engine = read_sheet(sheet) if sheet else None
    wheel = engine.wheel if engine else Wheel()
    crank = engine.crank if engine and engine.offset_mm is not None else None
    try:
        found = dead_centre(_pairs(readings, wheel), wheel, crank)
    except ValueError as trouble:
        raise BadInput(str(trouble)) from None
    depth = _depth_mm(engine, found.pairs[0])
    if json_:
        _print_json(found, depth)
    else:
        _show(found, depth)
    return 1 if found.questioned else 0


def _print_json(found: DeadCentre, depth_mm: float | None) -> None:
    click.echo(json.dumps({
        "wheel_error_deg": round(found.wheel_error_deg, 6),
        "u_deg": round(found.budget.u_deg, 6), "U_deg": round(found.budget.U_deg, 6),
        "each_side_deg": [round(pair.each_side_deg, 6) for pair in found.pairs],
        "lean_deg": round(found.lean_deg, 6), "questioned": list(found.questioned),
        "depth_mm": None if depth_mm is None else round(depth_mm, 3),
    }))  # fmt: skip


def _show(found: DeadCentre, depth_mm: float | None) -> None:
    for pair in found.pairs:
        after_deg = pair.after_deg + 0.0  # no minus before a 0
        click.echo(f"stops {pair.before_deg:g} before and {after_deg:g} after: "
                   f"{pair.each_side_deg:g} each side")  # fmt: skip
    side = "before" if found.wheel_error_deg >= 0 else "after"
    click.echo(f"the wheel reads {abs(found.wheel_error_deg):.2f} too far {side}, "
               f"± {found.budget.U_deg:.2f} (95 %)")  # fmt: skip
    if found.lean_deg:
        click.echo(f"the offset bore or pin made {found.lean_deg:+.3f} of it, taken off")
    if depth_mm is not None:
        click.echo(f"the stop is {depth_mm:.2f} mm ({depth_mm / MM_PER_INCH:.4f} in) below the top")
    if found.questioned:
        click.echo("the pairs do not fit each other: was the stop moved, or a reading mistaken?")


def _pairs(readings: tuple[str, ...], wheel: Wheel) -> list[StopPair]:
    if len(readings) % 2:
        raise BadInput("give the readings in pairs, before and after: thirdear stop 18 15")
    angles = []
    for place, text in enumerate(readings):
        # A bare number is taken before and after in turn.
        way = 1.0 if place % 2 == 0 else -1.0
        angles.append(way * nearest(parse(text), wheel, way * 45.0))
    return [StopPair(one, other) for one, other in zip(angles[::2], angles[1::2], strict=True)]


def _depth_mm(engine: Engine | None, pair: StopPair) -> float | None:
    if engine is None or engine.crank is None:
        return None
    return engine.crank.travel_mm(pair.each_side_deg + engine.crank.lean_deg(pair.sum_deg))
