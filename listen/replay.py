"""The whole job without a microphone: a recording and its readings become a timing record."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.change import Sounding
from analysis.record import Inputs, TimingRecord
from analysis.timing import timing_record
from listen import __version__
from listen.errors import BadInput
from listen.paths import StrPath
from listen.readings_file import read_readings
from listen.sheet import read_sheet

if TYPE_CHECKING:
    from listen.spoken import Spoken


SPOKEN = "spoken"
"""In place of a readings file: the readings are said aloud in the recording."""


def replay(
    recording: StrPath,
    sheet: StrPath,
    readings: StrPath,
    sounding: Sounding | None = None,
    *,
    buzzer: str | None = None,
    distance_m: float | None = None,
    model: StrPath | None = None,
    guard: float = 0.0,
    by: str | None = None,
    when: str | None = None,
    where: str | None = None,
    tell: "Callable[[Spoken], None]" = lambda spoken: None,
) -> TimingRecord:
    """Make the timing record of a recorded job.

    Parameters
    ----------
    recording : str or path
        Any recording a phone or camera makes.
    sheet : str or path
        The engine's figures, TOML.
    readings : str or path
        What was read off the wheel and when, CSV; or `SPOKEN`: said aloud in the recording.
    sounding : {"open", "closed", "both"}, optional
        When the buzzer sounds.
    buzzer : str, optional
        Name of a buzzer that was taught.
    distance_m : float, optional
        From buzzer to microphone; see :func:`listen.hearing.hear_recording`.
    model : str or path, optional
        Folder of another speech model, for spoken readings.
    guard : float
        Guard band of the verdicts, by the expanded uncertainty.
    by, when, where : str, optional
        Who did the job, when and where, for the record.
    tell : callable
        Told each utterance as it is understood, where the readings are spoken.

    Returns
    -------
    TimingRecord

    Raises
    ------
    BadInput
        If any of the files, or the buzzer, cannot be used.
    """
    # The two small files first: a slip in them is told before minutes of sound are decoded.
    engine = read_sheet(sheet)
    spoken = str(readings) == SPOKEN
    given = () if spoken else read_readings(readings, engine)
    from listen.hearing import hear_recording
    from listen.sources import sha256_of

    taught = None
    if buzzer:
        from listen.buzzers import load

        taught = load(buzzer)
    hearing = hear_recording(recording, sounding, buzzer=taught, distance_m=distance_m)
    warnings = list(hearing.warnings)
    noted: tuple[str, ...] = ()
    if spoken:
        from listen.spoken import job_spoken_in

        job = job_spoken_in(recording, engine, model, hearing.buzzer, tell)
        given, noted = tuple(job.readings), tuple(words for _, words in job.notes)
        warnings += job.questions
    inputs = Inputs(
        recording=Path(recording).name,
        sha256=sha256_of(recording),
        duration_s=hearing.duration_s,
        sounding=sounding,
        sheet=Path(sheet).name,
        readings=Path(readings).name,
        program=f"thirdear {__version__}",
        buzzer=buzzer,
        distance_m=distance_m,
        by=by,
        when=when,
        where=where,
        instruments=engine.instruments,
    )
    try:
        record = timing_record(
            hearing.changes, given, engine, warnings=warnings, inputs=inputs, guard=guard
        )
    except ValueError as trouble:
        raise BadInput(f"{Path(readings).name}: {trouble}") from None
    return replace(record, noted=noted)
