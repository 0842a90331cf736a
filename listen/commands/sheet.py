"""``thirdear sheet``: write an engine sheet by answering questions, or check one."""

from pathlib import Path

import click

from analysis.engine import Engine
from analysis.sheetcheck import best_uncertainty_deg, questions
from analysis.wheel import Wheel, meanings, parse, show
from listen.errors import BadInput
from listen.sheet import parse_sheet, read_sheet

_FILE = click.Path(path_type=Path)
_LAYOUTS = {
    "single": (0.0,),
    "twin-180": (0.0, 180.0),
    "twin-360": (0.0, 360.0),
    "four": (0.0, 180.0, 360.0, 540.0),
    "six": (0.0, 120.0, 240.0, 360.0, 480.0, 600.0),
}


@click.group("sheet")
def command() -> None:
    """Write an engine sheet, or check one."""


@command.command("check")
@click.argument("sheet", type=_FILE)
def check(sheet: Path) -> int:
    """Look for figures in SHEET that do not go together; exit status 1 if there are any."""
    return _say(read_sheet(sheet))


@command.command("new")
@click.argument("sheet", type=_FILE)
def new(sheet: Path) -> int:
    """Ask for the engine's figures and write them to SHEET, which must not be there yet."""
    if sheet.exists():
        raise BadInput(f"{sheet} is there already; give another name, or move it away")
    text = _asked()
    engine = parse_sheet(text, sheet.name)
    try:
        sheet.write_text(text, encoding="utf-8")
    except OSError as trouble:
        raise BadInput(f"cannot write {sheet}: {trouble.strerror or trouble}") from None
    click.echo(f"\nWritten to {sheet}. docs/readings.md tells what else a sheet can say.")
    return _say(engine)


def _say(engine: Engine) -> int:
    intervals = ", ".join(f"{interval:g}" for interval in engine.firing_intervals_deg)
    click.echo(f"{engine.name}: {show(engine.opens_at_deg)} ± {engine.tolerance_deg:g}, fires "
               f"every {intervals} crank degrees")  # fmt: skip
    click.echo(f"at best an opening will be known to {best_uncertainty_deg(engine):.2f} degrees")
    for note in engine.assumed:
        click.echo(f"note: {note}")
    found = questions(engine)
    for question in found:
        click.echo(f"look here: {question}")
    return 1 if found else 0


def _asked() -> str:
    """Ask for the figures; return the sheet's text."""
    name = click.prompt("What is the engine called").strip()
    figure = click.prompt("Where should the points open at full advance, such as 28 before",
                          value_proc=_angle)  # fmt: skip
    tolerance = click.prompt("How many degrees off either way is still right", 1.0)
    source = click.prompt("Where does that figure come from", "not known").strip()
    half = click.confirm("Does the cam of the points turn at half the crank's speed", default=True)
    marks = click.prompt("How is the degree wheel marked",
                         type=click.Choice(["before-after", "0-360", "quarters"]))  # fmt: skip
    rising = marks == "0-360" and click.confirm(
        "Do its numbers rise as the crank turns in its running direction"
    )
    graduation = click.prompt("Degrees from one line of the wheel to the next", 1.0)
    cylinders = _cylinders()
    lines = [
        f"name = {_quoted(name)}", f"source = {_quoted(source)}", "", "[ignition]",
        f"opens_at = {_quoted(figure)}      # at full advance", f"tolerance_deg = {tolerance:g}",
        f'cam_speed = "{"half" if half else "crank"}"',
    ]  # fmt: skip
    if click.confirm("Do you know stroke and connecting rod, in millimetres"):
        stroke, rod = click.prompt("Stroke", type=float), click.prompt("Rod", type=float)
        lines += ["", "[crank]", f"stroke_mm = {stroke:g}", f"rod_mm = {rod:g}"]
    lines += ["", "[wheel]", f'marks = "{marks}"']
    if marks == "0-360":
        lines.append(f"rising = {'true' if rising else 'false'}")
    lines.append(f"graduation_deg = {graduation:g}")
    for cylinder, at in cylinders:
        lines += ["", "[[cylinder]]", f"name = {_quoted(cylinder)}", f"fires_at = {at:g}"]
    return "\n".join(lines) + "\n"


def _cylinders() -> list[tuple[str, float]]:
    kind = click.prompt("What engine is it", type=click.Choice([*_LAYOUTS, "vee", "other"]))
    if kind == "vee":
        angle = click.prompt("Angle of the vee, degrees", type=float)
        after = click.prompt("Crank degrees from cylinder 1 firing to cylinder 2 firing",
                             360.0 + angle)  # fmt: skip
        return [("1", 0.0), ("2", after)]
    if kind == "other":
        fires_at = click.prompt("Crank degrees after cylinder 1 at which each fires, as 0 180 540",
                            value_proc=_numbers)  # fmt: skip
        return [(str(place), at) for place, at in enumerate(fires_at, start=1)]
    fires = _LAYOUTS[kind]
    usual = " ".join(str(place) for place in range(1, len(fires) + 1))
    order = usual
    if len(fires) > 1:
        order = click.prompt("Names of the cylinders in firing order", usual)
    names = order.replace(",", " ").split()
    if len(names) != len(fires):
        raise BadInput(f"{len(names)} names for {len(fires)} cylinders; give one for each")
    return list(zip(names, fires, strict=True))


def _angle(text: str) -> str:
    """Read an angle; a prompt asks again where it is none."""
    try:
        return show(max(meanings(parse(text), Wheel())))
    except ValueError as trouble:
        raise click.BadParameter(str(trouble)) from None


def _numbers(text: str) -> list[float]:
    try:
        return [float(word) for word in text.replace(",", " ").split()]
    except ValueError:
        raise click.BadParameter(f"{text!r} are not numbers") from None


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
