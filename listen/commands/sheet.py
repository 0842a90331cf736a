"""``thirdear sheet``: write an engine sheet by answering questions, or check one."""

import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from analysis.engine import Engine, engine_from
from analysis.sheetcheck import best_uncertainty_deg, questions
from analysis.wheel import Wheel, meanings, parse, show
from listen.commands.options import FiniteRange
from listen.errors import BadInput
from listen.sheet import parse_sheet, read_sheet

_Table = dict[str, Any]
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
    if not os.access(sheet.absolute().parent, os.W_OK):
        raise BadInput(f"cannot write {sheet}: see that its folder is there and can be written")
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
    """Ask for the figures; return the sheet's text.

    What is not answered yet stands in with a figure that passes, so that the sheet's own rules look
    at each answer when it is given, and it is asked again where they refuse it.
    """
    ignition: _Table = {"opens_at": "28 before", "tolerance_deg": 1.0}
    wheel: _Table = {"marks": "before-after", "graduation_deg": 1.0}
    sheet: _Table = {
        "name": "engine", "ignition": ignition, "wheel": wheel,
        "cylinder": [{"name": "1", "fires_at": 0.0}],
    }  # fmt: skip
    _ask(sheet, sheet, "name", "What is the engine called", str.strip)
    _ask(sheet, ignition, "opens_at",
         "Where should the points open at full advance, such as 28 before", _angle)  # fmt: skip
    _ask(sheet, ignition, "tolerance_deg", "How many degrees off either way is still right",
         _number, 1.0)  # fmt: skip
    _ask(sheet, sheet, "source", "Where does that figure come from", str.strip, "not known")
    half = click.confirm("Does the cam of the points turn at half the crank's speed", default=True)
    ignition["cam_speed"] = "half" if half else "crank"
    marks = click.Choice(["before-after", "0-360", "quarters"])
    wheel["marks"] = click.prompt("How is the degree wheel marked", type=marks)
    if wheel["marks"] == "0-360":
        wheel["rising"] = click.confirm(
            "Do its numbers rise as the crank turns in its running direction"
        )
    _ask(sheet, wheel, "graduation_deg", "Degrees from one line of the wheel to the next", _number,
         1.0)  # fmt: skip
    _ask_cylinders(sheet)
    if click.confirm("Do you know stroke and connecting rod, in millimetres"):
        _ask_crank(sheet)
    return _text(sheet)


def _ask(
    sheet: _Table,
    table: _Table,
    key: str,
    question: str,
    read: Callable[[str], object],
    usual: object = None,
) -> None:
    """Ask for one value of the sheet until its rules take it."""

    def answer(text: str) -> object:
        before = table.get(key)
        try:
            table[key] = read(text)
            engine_from(sheet)
        except ValueError as trouble:
            table[key] = before
            raise click.BadParameter(str(trouble)) from None
        return table[key]

    click.prompt(question, usual, value_proc=answer)


def _ask_cylinders(sheet: _Table) -> None:
    kind = click.prompt("What engine is it", type=click.Choice([*_LAYOUTS, "vee", "other"]))
    if kind == "vee":
        angle = click.prompt("Angle of the vee, degrees", type=FiniteRange(0.0, 180.0))
        _ask(sheet, sheet, "cylinder", "Crank degrees from cylinder 1 firing to cylinder 2 firing",
             lambda text: _named(["1", "2"], [0.0, _number(text)]), 360.0 + angle)  # fmt: skip
    elif kind == "other":
        question = "Crank degrees after cylinder 1 at which each fires, as 0 180 540"
        _ask(sheet, sheet, "cylinder", question, _fires_at)
    else:
        fires = _LAYOUTS[kind]
        usual = " ".join(str(place) for place in range(1, len(fires) + 1))
        if len(fires) == 1:
            sheet["cylinder"] = _named([usual], fires)
            return
        _ask(sheet, sheet, "cylinder", "Names of the cylinders in firing order",
             lambda text: _named(text.replace(",", " ").split(), fires), usual)  # fmt: skip


def _ask_crank(sheet: _Table) -> None:
    """Ask for both again where they do not go together: either may be the wrong one."""
    while True:
        crank: _Table = {}
        sheet["crank"] = crank
        _ask(sheet, crank, "stroke_mm", "Stroke", _number)
        crank["rod_mm"] = click.prompt("Rod", type=float)
        try:
            engine_from(sheet)
            return
        except ValueError as trouble:
            click.echo(f"Error: {trouble}")


def _text(sheet: _Table) -> str:
    """Return the sheet as TOML."""
    lines = [f"name = {_quoted(sheet['name'])}", f"source = {_quoted(sheet['source'])}"]
    for name in ("ignition", "crank", "wheel"):
        if name in sheet:
            lines += ["", f"[{name}]", *_keys(sheet[name])]
    for cylinder in sheet["cylinder"]:
        lines += ["", "[[cylinder]]", *_keys(cylinder)]
    return "\n".join(lines) + "\n"


def _keys(table: _Table) -> list[str]:
    lines = []
    for key, value in table.items():
        if isinstance(value, bool):
            written = "true" if value else "false"
        elif isinstance(value, float):
            written = f"{value:g}"
        else:
            written = _quoted(value)
        note = "      # at full advance" if key == "opens_at" else ""
        lines.append(f"{key} = {written}{note}")
    return lines


def _named(names: Sequence[str], fires_at: Sequence[float]) -> list[_Table]:
    if len(names) != len(fires_at):
        raise ValueError(f"{len(names)} names for {len(fires_at)} cylinders; give one for each")
    return [{"name": name, "fires_at": at} for name, at in zip(names, fires_at, strict=True)]


def _fires_at(text: str) -> list[_Table]:
    fires_at = [_number(word) for word in text.replace(",", " ").split()]
    return _named([str(place) for place in range(1, len(fires_at) + 1)], fires_at)


def _angle(text: str) -> str:
    return show(max(meanings(parse(text), Wheel())))


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a number") from None


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # its escapes are TOML's as well
