"""What stands on the page of a record, before it becomes HTML or PDF.

Wide parts come first; on paper the others stand in two columns below them, left and right.

A stranger with nothing but this page should understand it in ten years: what was measured, by
what, on what, how, with every reading, and what follows from it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from analysis.budget import BudgetLine
from analysis.engine import Engine
from analysis.record import CylinderRecord, TimingRecord
from analysis.wheel import show
from listen.excerpts import Excerpt
from listen.pictures import Picture, pictures_of, sound_picture
from listen.wording import (
    VERDICTS,
    action,
    comparisons,
    dead_centre,
    look_here,
    off_by,
    put_aside,
    side,
)

Position = Literal["wide", "left", "right"]

_USUAL = ("full", "forward")

METHOD = (
    "The crank was turned slowly by hand in its running direction. A buzzer across the contact "
    "breaker changes its sound as the points open; the recording of it gives the moments, the "
    "degree wheel the angles. True top dead centre lies half way between the readings at a piston "
    "stop on either side. Angles are crank degrees; before is before top dead centre. Uncertainty "
    "follows JCGM 100 and 101, verdicts JCGM 106, at 95 %."
)


@dataclass(frozen=True)
class Facts:
    """Names and what they are."""

    title: str
    rows: Sequence[tuple[str, str]]
    position: Position = "right"


@dataclass(frozen=True)
class Table:
    """Rows under headings; `numbers` are the columns set to the right, `struck` rows crossed out.

    `shares` are the columns' widths by each other, for paper.
    """

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: frozenset[int] = frozenset()
    struck: frozenset[int] = frozenset()
    shares: Sequence[float] = ()
    position: Position = "right"


@dataclass(frozen=True)
class Items:
    """A list of sentences."""

    title: str
    items: Sequence[str]
    position: Position = "right"


@dataclass(frozen=True)
class Pictures:
    """Pictures side by side."""

    title: str
    pictures: Sequence[Picture]
    position: Position = "wide"


Part = Facts | Table | Items | Pictures


@dataclass(frozen=True)
class Page:
    """The page.

    Attributes
    ----------
    title, subtitle : str
    parts : tuple of Part
    """

    title: str
    subtitle: str
    parts: tuple[Part, ...] = field(default_factory=tuple)


def page_of(record: TimingRecord, sounds: Sequence[Excerpt] = ()) -> Page:
    """Put a record's page together.

    Parameters
    ----------
    record : TimingRecord
        What to show.
    sounds : sequence of Excerpt
        The sound around the openings, as far as it was kept.

    Returns
    -------
    Page
    """
    inputs = record.inputs
    subtitle = ", ".join(word for word in (inputs.when, inputs.where, inputs.by) if word)
    parts: list[Part] = [_verdicts(record), _to_do(record)]
    if wanted := look_here(record):
        parts.append(Items("Look here", wanted, "wide"))
    parts.append(Pictures("On the wheel", list(pictures_of(record))))
    if sounds:
        names = {
            opening.change.time_s: f"Cylinder {cylinder.figure.name}, opening {place}"
            for cylinder in record.cylinders
            for place, opening in enumerate(cylinder.openings, start=1)
            if opening.change
        }
        shown = [sound_picture(sound, names[sound.time_s]) for sound in sounds]
        parts.append(Pictures("The sound around each opening", shown))
    parts += [budget_table(record), _readings(record)]
    if record.noted:
        parts.append(Items("Noted at the engine", record.noted, "left"))
    if record.ignored:
        parts.append(Items("Openings and closings put aside", put_aside(record), "left"))
    if record.notes:
        parts.append(Items("Notes", record.notes, "left"))
    parts.append(Items("Cautions", record.cautions, "left"))
    besides = comparisons(record)
    if besides:
        parts.append(Items("Found besides", besides))
    parts += [_engine(record.engine), _inputs(record), Items("Method", [METHOD])]
    return Page(
        f"Timing record: {record.engine.name}", subtitle or "date, place and name not given",
        tuple(parts),
    )  # fmt: skip


def _verdicts(record: TimingRecord) -> Table:
    rows = []
    for cylinder in record.cylinders:
        for phase, angle in cylinder.phases.items():
            judged = phase == cylinder.phase
            budget, verdict = angle.budget, cylinder.verdict
            known = judged and verdict.chance_within is not None
            rows.append([
                cylinder.figure.name, phase, side(angle.angle_deg, "before", "after"),
                f"± {budget.U_deg:.2f}" if budget else "not known", str(angle.n),
                "-" if angle.sd_deg is None else f"{angle.sd_deg:.2f}",
                off_by(angle.angle_deg, record.engine) if budget else "?",
                VERDICTS[verdict.verdict] if judged else "",
                _chance(verdict.chance_within) if known else "",
                _chance(verdict.chance_outside) if known else "",
            ])  # fmt: skip
        if not cylinder.phases:
            rows.append(
                [cylinder.figure.name, "-", "no reading", *[""] * 4, VERDICTS["undecided"], "", ""]
            )
    return Table(
        f"Opens at (figure: {show(record.engine.opens_at_deg)} ± "
        f"{record.engine.tolerance_deg:g} degrees)",
        ("Cylinder", "Phase", "Opens at", "95 %", "n", "Spread", "Off by", "Verdict",
         "Chance within", "Chance outside"),
        rows, frozenset({2, 3, 4, 5, 6, 8, 9}),
        shares=(8, 7, 13, 9, 4, 8, 11, 13, 13, 14), position="wide",
    )  # fmt: skip


def _chance(chance: float | None) -> str:
    if chance is None:
        return ""
    if chance < 0.0005:
        return "under 0.1 %"
    return "over 99.9 %" if chance > 0.9995 else f"{100 * chance:.1f} %"


def _to_do(record: TimingRecord) -> Facts:
    def words(cylinder: CylinderRecord) -> str:
        sure = cylinder.correction.sure_deg
        more = f" Of it, {sure:.1f} is more than the uncertainty." if sure else ""
        guard = cylinder.verdict.guard_deg
        band = f" Guard band {guard:.2f}." if guard else ""
        return f"{action(cylinder, record.engine)}{more}{band} {dead_centre(cylinder)}"

    return Facts(
        "What to do",
        [(f"Cylinder {c.figure.name}", words(c)) for c in record.cylinders],
        position="wide",
    )


def _readings(record: TimingRecord) -> Table:
    angles = {
        id(place.reading): place
        for cylinder in record.cylinders
        for place in (*cylinder.openings, *cylinder.closings)
    }
    alone = {id(reading) for reading in record.unpaired_readings}
    rows, struck = [], set()
    for number, reading in enumerate(record.readings):
        place = angles.get(id(reading))
        remarks: list[str] = [
            word for word in (reading.advance, reading.sweep) if word not in _USUAL
        ]
        if id(reading) in alone:
            remarks.append("no partner")
        if reading.struck:
            struck.add(number)
            remarks.append("struck")
        phase = reading.phase if reading.step in ("opening", "closing") else ""
        rows.append([
            f"{reading.time_s:.1f}", reading.step, reading.cylinder or "", reading.written,
            phase,
            f"{place.change.time_s:.4f}" if place and place.change else "",
            show(round(place.angle_deg, 2)) if place else "", ", ".join(remarks),
        ])  # fmt: skip
    return Table(
        "Every reading",
        ("Given, s", "Step", "Cyl.", "Reading", "", "Heard, s", "True angle", ""),
        rows, frozenset({0, 5}), frozenset(struck), (11, 12, 6, 18, 7, 13, 18, 13), "left",
    )  # fmt: skip


def budget_table(record: TimingRecord) -> Table:
    """Return the uncertainty budget, line by line; cylinders with the same line share it."""
    shared: dict[tuple[str, ...], list[str]] = {}
    together = []
    for cylinder in record.cylinders:
        angle, name = cylinder.opens_at, cylinder.figure.name
        if angle is None or angle.budget is None:
            continue
        budget = angle.budget
        for line in budget.lines:
            shared.setdefault(_budget_row(line), []).append(name)
        note = f"k = {budget.k:.2f}, so U = {budget.U_deg:.2f} degrees"
        row = "together", "", "", "", "", f"{budget.u_deg:.3f}", _dof(budget.dof), note
        together.append([name, *row])
    sources = list(dict.fromkeys(row[0] for row in shared))
    lines = sorted(shared, key=lambda row: sources.index(row[0]))
    every = len(together)
    rows = [
        ["all" if len(shared[row]) == every > 1 else ", ".join(shared[row]), *row] for row in lines
    ]
    return Table(
        "Uncertainty budget, degrees",
        ("Cyl.", "Source", "Value", "Distribution", "Divisor", "Sens.", "u", "dof", "Note"),
        rows + together, frozenset({2, 4, 5, 6, 7}), shares=(7, 16, 6, 11, 7, 6, 6, 5, 36),
        position="wide",
    )  # fmt: skip


def _budget_row(line: BudgetLine) -> tuple[str, ...]:
    if line.distribution == "not included":
        return line.source, "-", line.distribution, "", "", "", "", line.note
    return (
        line.source, f"{line.value_deg:.3f}", line.distribution, f"{line.divisor:.2f}",
        f"{line.sensitivity:.2f}", f"{line.u_deg:.3f}", _dof(line.dof), line.note,
    )  # fmt: skip


def _dof(dof: float) -> str:
    return "∞" if math.isinf(dof) else f"{dof:.0f}"


def _engine(engine: Engine) -> Facts:
    wheel = engine.wheel
    rows = [
        ("Figure", f"{show(engine.opens_at_deg)} ± {engine.tolerance_deg:g}, full advance"),
        ("Source", engine.source or "not given"),
        ("Wheel", f"{wheel.marks}, every {wheel.graduation_deg:g}, read to {wheel.read_to_deg:g}"),
        ("Cam", "half the crank's speed" if engine.cam_speed == "half" else "crank's speed"),
        ("Fires at", ", ".join(f"{c.name}: {c.fires_at_deg:g}" for c in engine.cylinders)),
    ]
    crank = engine.crank
    if crank:
        offset = f", offset {engine.offset_mm:g}" if engine.offset_mm is not None else ""
        travel = crank.travel_mm(engine.opens_at_deg)
        rows.append(("Crank", f"stroke {crank.stroke_mm:g} mm, rod {crank.rod_mm:g} mm{offset}; "
                     f"the figure is {travel:.2f} mm of piston travel"))  # fmt: skip
    if engine.turns:
        rows.append(("Turns", f"{engine.turns}, seen from the wheel"))
    return Facts("Engine and figures", rows)


def _inputs(record: TimingRecord) -> Facts:
    inputs = record.inputs
    rows = [
        ("Recording", inputs.recording or "none"),
        ("SHA-256", inputs.sha256 or "none"),
        ("Heard", f"{record.changes_heard} changes"
         + (f" in {inputs.duration_s:.1f} s" if inputs.duration_s else "")),
        ("Buzzer", f"{inputs.buzzer or 'not taught'}, sounds while points are "
         f"{inputs.sounding or 'not told'}"),
        ("Distance", "not given; times are at the microphone" if inputs.distance_m is None
         else f"{inputs.distance_m:g} m from buzzer to microphone, taken off"),
        ("Instruments", inputs.instruments or "degree wheel, piston stop, buzzer, microphone"),
        ("Files", ", ".join(name for name in (inputs.sheet, inputs.readings) if name) or "none"),
        ("Program", inputs.program),
    ]  # fmt: skip
    return Facts("What it was made from", rows)
