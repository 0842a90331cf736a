"""Hearing a recording: decode it, find the changes of the buzzer, say what was doubtful."""

import os
from collections.abc import Callable
from dataclasses import dataclass

from analysis.change import Change, Sounding
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.recording import hear
from listen.sources import Recording, open_recording


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
    """

    recording: Recording
    changes: list[Change]
    buzzer: BuzzerPrint | None
    duration_s: float
    warnings: list[str]


def hear_recording(
    path: str | os.PathLike[str],
    sounding: Sounding | None = None,
    progress: Callable[[float], None] = lambda seconds: None,
) -> Hearing:
    """Find the changes of the buzzer in a recording.

    Parameters
    ----------
    path : path
        Any recording that a phone or camera makes.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told.
    progress : callable
        Told the seconds gone through; see :func:`analysis.ear.recording.hear`.

    Raises
    ------
    BadInput
        When the file cannot be read as sound.
    """
    recording = open_recording(path)
    heard = hear(recording.blocks, sounding, progress=progress)
    return Hearing(recording, heard.changes, heard.buzzer, heard.seconds, list(recording.notes))
