"""``thirdear hear``: find the changes of the buzzer in a recording."""

import json
from pathlib import Path

import click

from analysis.change import Sounding
from analysis.soundspeed import sound_delay
from listen import output
from listen.commands.options import about_the_sound, picture_option
from listen.hearing import Hearing, hear_recording

SHORT_S = 1.0
"""Less sound than this holds no opening and closing to learn a buzzer from."""


@click.command("hear")
@click.argument("recording", type=click.Path(path_type=Path))
@about_the_sound
@click.option(
    "--as-live", is_flag=True, help="Hear it block by block, as a microphone would: no second look."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a change, in time order.")
@picture_option("Draw the sound and its changes: PNG, SVG or PDF.", ".png", ".svg", ".pdf")
def command(
    recording: Path,
    sounding: Sounding | None,
    buzzer: str | None,
    distance_m: float | None,
    as_live: bool,
    as_json: bool,
    plot: Path | None,
) -> int:
    """Find the changes of the buzzer in RECORDING, any file a phone or camera makes."""
    from listen.buzzers import load
    from listen.progress import progress_bar

    taught = load(buzzer) if buzzer else None
    with progress_bar(recording.name, quiet=as_json) as progress:
        hearing = hear_recording(
            recording,
            sounding,
            progress,
            buzzer=taught,
            distance_m=distance_m,
            as_live=as_live,
        )
    if as_json:
        for change in hearing.changes:
            click.echo(json.dumps(change.as_dict()))
    else:
        _show(hearing, distance_m)
    for warning in hearing.warnings:
        click.echo(f"thirdear: {recording.name}: {warning}", err=True)
    if plot is not None:
        from listen.draw import draw_hearing

        draw_hearing(hearing, plot)
    if hearing.changes:
        return 0
    click.echo(f"thirdear: {recording.name}: {_silence(hearing, buzzer)}", err=True)
    return 1


def _length(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds >= SHORT_S else f"{1e3 * seconds:.0f} ms"


def _silence(hearing: Hearing, taught: str | None) -> str:
    if hearing.duration_s < SHORT_S:
        return (
            f"no buzzer heard in only {_length(hearing.duration_s)} of sound: record some seconds, "
            "with the points opening and closing"
        )
    if taught:
        return (
            f"the buzzer {taught} is not heard to change: bring the phone nearer to it, and turn "
            "the engine through the opening while it records"
        )
    if hearing.doubted:
        return (
            f"no buzzer heard: something in it changes {hearing.doubted} times and may be one, but "
            "so may a voice or a machine; bring the phone nearer to the buzzer, or teach it "
            "(thirdear learn) and give --buzzer"
        )
    if hearing.buzzer is None:
        return (
            "no buzzer heard: nothing in it starts, stops or shifts as a buzzer does; "
            "bring the phone nearer to the buzzer, and let the points open and close "
            "while it records"
        )
    return "a buzzer is heard, but it never changes: turn the engine through the opening"


def _show(hearing: Hearing, distance_m: float | None) -> None:
    from rich.table import Table

    console = output.console()
    console.print(
        f"{hearing.recording.name}  {_length(hearing.duration_s)}, "
        f"{hearing.recording.channel_note}",
        markup=False,  # a file may be named [1].wav
    )
    if not hearing.changes:
        return
    table = Table(box=None, header_style="")
    for heading in ("", "time", "sound", "points", "settled", "uncertainty", "margin"):
        table.add_column(heading, justify="left" if heading in ("sound", "points") else "right")
    for number, change in enumerate(hearing.changes, 1):
        table.add_row(
            str(number),
            f"{change.time_s:.4f} s",
            change.change,
            change.points or "not told",
            f"+{1e3 * (change.settled_s - change.time_s):.1f} ms",
            f"{1e3 * change.uncertainty_s:.2f} ms",
            f"{change.margin_db:.0f} dB",
        )
    console.print(table)
    if distance_m is None:
        console.print(
            f"Times at the phone: sound takes {1e3 * sound_delay(1.0).seconds:.1f} ms a metre. "
            "Give --distance if it lay further than a hand from the buzzer.",
            style="dim",
        )
    else:
        console.print(
            "Times at the buzzer: its sound took "
            f"{1e3 * sound_delay(distance_m).seconds:.1f} ms over {distance_m:g} m.",
            style="dim",
        )
