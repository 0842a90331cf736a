"""Hearing a recording: decode it, find the changes of the buzzer, say what was doubtful."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from analysis.change import Change, Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.live import LiveEar
from analysis.ear.recording import Heard, hear
from analysis.ear.teaching import sounding_of
from analysis.soundspeed import sound_delay
from listen.errors import BadInput
from listen.paths import StrPath
from listen.sources import Recording, open_recording

LIVE_BLOCK_S = 0.02
"""Length of a sound card's block."""


@dataclass(frozen=True, eq=False)
class Hearing:
    """What was heard in a recording file.

    Attributes
    ----------
    recording : Recording
    changes : list of Change
    buzzer : BuzzerPrint or None
        None when no buzzer was heard.
    duration_s : float
    warnings : list of str
        What the decoding found wrong with the file.
    doubted : int
        How many changes of what may be a buzzer were not believed, where none was heard; 0 of a
        recording that was heard as live.
    """

    recording: Recording
    changes: list[Change]
    buzzer: BuzzerPrint | None
    duration_s: float
    warnings: list[str]
    doubted: int = 0


def hear_recording(
    path: StrPath,
    sounding: Sounding | None = None,
    progress: Callable[[float], None] = lambda seconds: None,
    *,
    buzzer: BuzzerPrint | None = None,
    distance_m: float | None = None,
    as_live: bool = False,
) -> Hearing:
    """Find the changes of the buzzer in a recording.

    Parameters
    ----------
    path : path
        Any recording that a phone or camera makes.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told; a taught buzzer tells it itself.
    progress : callable
        Told the seconds gone through; see :func:`analysis.ear.recording.hear`.
    buzzer : BuzzerPrint, optional
        The buzzer, if it was taught.
    distance_m : float, optional
        From buzzer to microphone. Times are then those at the buzzer, and how well the distance
        is known is in their uncertainty. Otherwise they are those at the microphone.
    as_live : bool
        Hear it block by block, as if it came from a microphone: no second look.

    Raises
    ------
    BadInput
        When the file cannot be read as sound, or `sounding` contradicts what was taught.
    """
    recording = open_recording(path)
    if buzzer is not None:
        sounding = agreed(sounding, sounding_of(buzzer))
    if as_live:
        heard = _hear_live(recording, sounding, buzzer, progress)
    else:
        heard = hear(recording.blocks, sounding, buzzer, progress)
    changes = heard.changes
    if distance_m is not None:
        changes = [at_the_buzzer(change, distance_m) for change in changes]
    notes = list(recording.notes)
    return Hearing(recording, changes, heard.buzzer, heard.seconds, notes, heard.doubted)


def _hear_live(
    recording: Recording,
    sounding: Sounding | None,
    buzzer: BuzzerPrint | None,
    progress: Callable[[float], None],
) -> Heard:
    ear: LiveEar | None = None
    changes: list[Change] = []
    seconds = 0.0
    for block in recording.blocks():
        ear = ear or LiveEar(block.rate_hz, sounding, buzzer)
        for piece in block.pieces(LIVE_BLOCK_S):
            changes += ear.hear(piece)
        seconds = block.end_s
        progress(seconds)
    if ear is None:
        return Heard([], None, seconds)
    changes += ear.finish()
    return Heard(changes, ear.buzzer, seconds)


def agreed(told: Sounding | None, taught: Sounding | None) -> Sounding | None:
    """Return when the buzzer sounds, from the user's word and the lesson's.

    Parameters
    ----------
    told, taught : {"open", "closed", "both"} or None
        None where it is not known.

    Raises
    ------
    BadInput
        If they differ.
    """
    if told is not None and taught is not None and told != taught:
        sounds = "in both states" if taught == "both" else f"while the points are {taught}"
        raise BadInput(
            f"--sounding {told}, but the buzzer was taught to sound {sounds}: leave --sounding "
            "out, or teach the buzzer again"
        )
    return told or taught


def at_the_buzzer(change: Change, distance_m: float) -> Change:
    """Return a change, heard at a distance, at its time at the buzzer.

    Parameters
    ----------
    change : Change
        Its times are at the microphone.
    distance_m : float
        From buzzer to microphone.
    """
    under_way = sound_delay(distance_m)
    return replace(
        change,
        time_s=change.time_s - under_way.seconds,
        settled_s=change.settled_s - under_way.seconds,
        uncertainty_s=math.hypot(change.uncertainty_s, under_way.uncertainty_s),
    )
