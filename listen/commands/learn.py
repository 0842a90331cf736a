"""``thirdear learn``: teach the sound of a buzzer."""

from pathlib import Path

import click

from analysis.ear.teaching import Lesson, Trouble
from listen.errors import BadInput

_FILE = click.Path(path_type=Path)
_LITTLE_DB = 12.0

_WHAT_TO_DO: dict[Trouble, str] = {
    "clipped": (
        "the recording is clipped: turn its level down or move the phone away, and record again"
    ),
    "dead": (
        "in one of the two states nothing at all was recorded, and in the other there is no tone: "
        "see that the microphone is not muted, switch off what makes the phone silent where there "
        "is little noise, and record again"
    ),
    "slid": (
        "the pitch slid on from one state to the other, as of a battery that sags, and then a room "
        "makes a sound louder or fainter by itself. Put in a fresh battery or let the buzzer sound "
        "until its pitch keeps, and record both states again, one soon after the other"
    ),
    "alike": (
        "the two states sound alike. The usual cause: an ordinary continuity tester sees the low "
        "resistance of a magneto's primary winding and cannot tell open points from closed unless "
        "the winding is disconnected or the points are insulated from it. If they differ in "
        "loudness to your ear, the phone's automatic gain has made them alike: switch it off"
    ),
    "mixed": (
        "one of the two states sounds for a while as the other does: give stretches in which the "
        "points stay as they are and the buzzer does not fail"
    ),
    "noise": (
        "the noise is too loud against the buzzer: bring the phone nearer to the buzzer or "
        "quieten the shop, and record again"
    ),
    "quiet": (
        "no buzzer stands out in either state, it is too far or too quiet: lay the phone next to "
        "it, see that it sounds in one of the states, and record again"
    ),
}


@click.command("learn")
@click.argument("name")
@click.argument("recording", type=_FILE, required=False)
@click.option("--closed", type=_FILE, help="A recording with the points closed all the time.")
@click.option("--open", "opened", type=_FILE, help="One with the points open all the time.")
@click.option(
    "--closed-at", multiple=True, metavar="FROM-TO", help="Seconds of RECORDING with them closed."
)
@click.option(
    "--open-at", multiple=True, metavar="FROM-TO", help="Seconds of RECORDING with them open."
)
def command(
    name: str,
    recording: Path | None,
    closed: Path | None,
    opened: Path | None,
    closed_at: tuple[str, ...],
    open_at: tuple[str, ...],
) -> int:
    """Teach the sound of your buzzer, for --buzzer NAME of hear and replay.

    Either from one recording with stretches of both states, which is the surer way:

        thirdear learn bench pump.m4a --closed-at 0-5 --open-at 6-11

    or from two: thirdear learn bench --closed closed.m4a --open open.m4a. Leave the phone where
    it is between them. Five seconds of each will do; a minute at most is used.

    Exit status 1: the two states could not be told apart, and nothing was kept.
    """
    from listen.buzzers import path_of, save
    from listen.teach import parse_span, teach_from

    older = path_of(name).exists()  # a name that cannot be is told before anything is heard
    if recording and closed_at and open_at and not (closed or opened):
        spans = [[parse_span(text) for text in texts] for texts in (closed_at, open_at)]
        lesson, notes = teach_from(recording, recording, *spans)
    elif closed and opened and not (recording or closed_at or open_at):
        lesson, notes = teach_from(closed, opened)
    else:
        raise BadInput(
            "give either RECORDING with --closed-at and --open-at, or --closed and --open with a "
            "recording each"
        )
    for note in notes:
        click.echo(f"thirdear: {note}", err=True)
    if lesson.trouble is not None:
        told = "open and closed points cannot be told apart"
        click.echo(f"thirdear: {told}: {_WHAT_TO_DO[lesson.trouble]}", err=True)
        return 1
    path = save(name, lesson.buzzer)
    click.echo(_praise(name, lesson))
    click.echo(f"Kept in {path}{', in place of an older one' if older else ''}")
    if recording is None and lesson.buzzer.silent is None and lesson.margin_db < _LITTLE_DB:
        click.echo(
            "thirdear: it is heard in both states, and a phone that was moved between two "
            "recordings could make such a difference: better teach it from one recording",
            err=True,
        )
    return 0


def _praise(name: str, lesson: Lesson) -> str:
    buzzer = lesson.buzzer
    sounds = "with a difference in both states"
    if buzzer.silent is not None:
        sounds = "while the points are " + ("closed" if buzzer.silent else "open")
    if buzzer.pulse_s is not None:
        sounds += f", {1 / sum(buzzer.pulse_s):.1f} beeps a second"
    return (
        f"{name}: told apart by {lesson.margin_db:.0f} dB at {round(lesson.at_hz, -1):.0f} Hz; "
        f"it sounds {sounds}"
    )
