"""The record's pictures as plain shapes, and those shapes as SVG.

A `Picture` is a list of shapes in millimetres, x to the right and y down, with words that say what
it shows. The page draws them as SVG, the PDF with its own pen: both show the same. Shapes carry
roles, not colours; what carries meaning also differs in form (filled or hollow, solid or dashed),
so that the pictures read in grey.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

import numpy as np

from analysis.opening import OpeningAngle
from analysis.reading import Phase
from analysis.record import CylinderRecord, TimingRecord
from analysis.wheel import show
from listen.excerpts import Excerpt
from listen.wording import side

Role = Literal["ink", "faint", "band", "mark", "spec"]
Point = tuple[float, float]


@dataclass(frozen=True)
class Polyline:
    """A line through points.

    Attributes
    ----------
    points : sequence of (float, float)
        In millimetres from the picture's upper left corner; so are all places on it.
    role : {"ink", "faint", "band", "mark", "spec"}
        What it stands for, which gives its colour.
    width_mm : float
    dashed : bool
    """

    points: Sequence[Point]
    role: Role = "ink"
    width_mm: float = 0.25
    dashed: bool = False


@dataclass(frozen=True)
class Area:
    """A filled shape with a thin edge; hollow when it is not filled.

    Attributes
    ----------
    points : sequence of (float, float)
    role : str
        As of a `Polyline`.
    filled : bool
    """

    points: Sequence[Point]
    role: Role = "ink"
    filled: bool = True


@dataclass(frozen=True)
class Label:
    """A line of text.

    Attributes
    ----------
    at : (float, float)
        Its foot, at the anchor.
    text : str
    size_mm : float
    anchor : {"start", "middle", "end"}
    role : str
        As of a `Polyline`.
    bold : bool
    """

    at: Point
    text: str
    size_mm: float = 2.6
    anchor: Literal["start", "middle", "end"] = "middle"
    role: Role = "ink"
    bold: bool = False


Shape = Polyline | Area | Label


@dataclass
class Picture:
    """Shapes on a sheet.

    Attributes
    ----------
    width_mm, height_mm : float
    title, words : str
        What it is, and the same in words for who cannot see it.
    shapes : list of Shape
        Later ones lie on top.
    """

    width_mm: float
    height_mm: float
    title: str
    words: str
    shapes: list[Shape] = field(default_factory=list)

    def svg(self, name: str) -> str:
        """Return the picture as an SVG element; `name` makes its inner names unique."""
        inside = "".join(_svg(shape) for shape in self.shapes)
        return (
            f'<svg viewBox="0 0 {self.width_mm:g} {self.height_mm:g}" role="img" '
            f'width="{self.width_mm * 1.35:.0f}mm" '
            f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">{escape(self.title)}</title>'
            f'<desc id="{name}-d">{escape(self.words)}</desc>{inside}</svg>'
        )

    def svg_file(self) -> str:
        """Return the picture as an SVG file of its own, dark on light."""
        style = (
            "svg{background:#fff}text{font-family:sans-serif}polyline,polygon{fill:none;"
            "stroke:#000}.l-spec{stroke:#456}.l-faint{stroke:#777}.a-band{fill:#e2e9ed;"
            "stroke:#456;stroke-width:.15}.a-mark{fill:#7a2d0c;stroke:none}.h-mark{stroke:"
            "#7a2d0c;stroke-width:.35}.a-faint{fill:#bbb;stroke:none}.t-faint{fill:#444}"
        )
        inside = self.svg("picture").replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        return inside.replace("<title", f"<style>{style}</style><title", 1) + "\n"


def wheel_picture(cylinder: CylinderRecord, record: TimingRecord) -> Picture:
    """Draw the wheel around the figure: every opening at full advance, the band, the means."""
    engine = record.engine
    name = cylinder.figure.name
    figure, tolerance = engine.opens_at_deg, engine.tolerance_deg
    openings = [
        place
        for place in cylinder.openings
        if (place.reading.sweep, place.reading.advance) == ("forward", "full")
    ]
    seen = [place.angle_deg for place in openings]
    low = min([figure - 1.6 * tolerance, *seen]) - 0.7
    high = max([figure + 1.6 * tolerance, *seen]) + 0.7
    middle, reach = (low + high) / 2.0, max(2.5, (high - low) / 2.0)
    picture = Picture(70.0, 35.0, f"Cylinder {name} on the wheel", _wheel_words(cylinder, record))
    # A piece of a great circle: the whole span fills 72 degrees of it, before on the left.
    spread = math.radians(36.0) / reach

    def at(angle_deg: float, radius: float) -> Point:
        turn = (middle - angle_deg) * spread
        return 35.0 + radius * math.sin(turn), 58.0 - radius * math.cos(turn)

    def arc(first: float, last: float, radius: float) -> list[Point]:
        return [at(float(angle), radius) for angle in np.linspace(first, last, 25)]

    shapes = picture.shapes
    inner, outer = 37.0, 50.0
    ends = (max(figure - tolerance, middle - reach), min(figure + tolerance, middle + reach))
    shapes.append(Area([*arc(*ends, inner), *reversed(arc(*ends, outer))], "band"))
    shapes.append(Polyline(arc(middle - reach, middle + reach, outer), "ink", 0.35))
    shapes.append(Polyline([at(figure, inner), at(figure, outer)], "spec", 0.5, dashed=True))
    every = next(step for step in (1, 2, 5, 10, 20, 45, 90, 180) if 2 * reach / step <= 9)
    for degree in range(math.ceil(middle - reach), math.floor(middle + reach) + 1):
        if degree % every == 0:
            shapes.append(Polyline([at(degree, outer), at(degree, outer + 1.6)]))
            shapes.append(Label(at(degree, outer + 3.8), f"{abs(degree)}", 2.5, role="faint"))
        elif every <= 5:
            shapes.append(Polyline([at(degree, outer), at(degree, outer + 0.9)]))
    # Sweep by sweep from the rim inwards, so that equal readings stay apart.
    row = min(1.6, 9.0 / max(1, len(openings)))
    for place, opening in enumerate(openings):
        outline = dot(at(opening.angle_deg, outer - 1.4 - row * place), 0.7)
        shapes.append(Area(outline, "mark", filled=opening.reading.phase == "left"))
    for phase, angle in cylinder.phases.items():
        shapes += _mean(at, angle, phase, (middle - reach, middle + reach))
    shapes.append(Label((35.0, 27.0), f"Cylinder {name}", 3.2, bold=True))
    for line, text in enumerate(_legend(cylinder)):
        shapes.append(Label((35.0, 30.6 + 3.4 * line), text, 2.6))
    return picture


def found_left_picture(record: TimingRecord) -> Picture | None:
    """Draw found against left, a row a cylinder; None where nothing was found first."""
    rows = [cylinder for cylinder in record.cylinders if "found" in cylinder.phases]
    if not rows:
        return None
    engine = record.engine
    values = [angle.angle_deg for cylinder in rows for angle in cylinder.phases.values()]
    low = min([engine.opens_at_deg - 2 * engine.tolerance_deg, *values]) - 1.5
    high = max([engine.opens_at_deg + 2 * engine.tolerance_deg, *values]) + 1.5
    width, left, top, step = 70.0, 19.0, 5.0, 8.0
    bottom = top + step * len(rows)
    words = ". ".join(
        f"Cylinder {c.figure.name}: "
        + ", ".join(f"{phase} {show(round(a.angle_deg, 1))}" for phase, a in c.phases.items())
        for c in rows
    )
    picture = Picture(width, max(35.0, bottom + 10.0), "Found against left", words)

    def x(angle: float) -> float:
        return left + (high - angle) / (high - low) * (width - left - 3.0)

    figure, tolerance = engine.opens_at_deg, engine.tolerance_deg
    a, b = x(figure + tolerance), x(figure - tolerance)
    picture.shapes.append(Area([(a, top - 3), (b, top - 3), (b, bottom), (a, bottom)], "band"))
    picture.shapes.append(Polyline([(x(figure), top - 3), (x(figure), bottom)], "spec", 0.4, True))
    picture.shapes.append(Polyline([(left, bottom), (width - 3.0, bottom)]))
    every = next(step for step in (1, 2, 5, 10, 20, 50, 100) if (high - low) / step <= 9)
    for degree in range(math.ceil(low), math.floor(high) + 1):
        if degree % every == 0:
            picture.shapes.append(Polyline([(x(degree), bottom), (x(degree), bottom + 1.2)]))
            picture.shapes.append(Label((x(degree), bottom + 4.2), f"{degree}", 2.4, role="faint"))
    legend = "degrees before top dead centre   ○ found   ● left"
    picture.shapes.append(Label((width / 2.0, bottom + 8.4), legend, 2.3, role="faint"))
    for row, cylinder in enumerate(rows):
        y = top + step * row + 2.0
        picture.shapes.append(
            Label((2.0, y + 1.8), f"Cylinder {cylinder.figure.name}", 2.8, "start", bold=True)
        )
        for phase, angle in cylinder.phases.items():
            level = y if phase == "found" else y + 3.2
            centre = (x(angle.angle_deg), level)
            if angle.budget:
                early = min(angle.angle_deg + angle.budget.U_deg, high)
                late = max(angle.angle_deg - angle.budget.U_deg, low)
                picture.shapes += whisker((x(early), level), (x(late), level))
            picture.shapes.append(Area(dot(centre, 0.9), "mark", filled=phase == "left"))
        both = cylinder.phases
        if "left" in both:
            picture.shapes.append(
                Polyline([(x(both["found"].angle_deg), y), (x(both["left"].angle_deg), y + 3.2)],
                     "faint", 0.2, True)
            )  # fmt: skip
    return picture


def sound_picture(excerpt: Excerpt, name: str) -> Picture:
    """Draw the sound around one opening: what swings, and how loud the buzzer is in it."""
    low_hz, high_hz = excerpt.band_hz
    picture = Picture(
        58.0, 22.0, name,
        f"Sound from {1000 * excerpt.half_s:.0f} ms before the opening to as long after it, and "
        f"the level between {low_hz:.0f} and {high_hz:.0f} Hz. The opening is marked in the "
        f"middle, at {excerpt.time_s:.4f} s, known to {2000 * excerpt.uncertainty_s:.1f} ms "
        "either way.",
    )  # fmt: skip
    middle, half, left, width = 9.5, 6.5, 1.0, 56.0
    count = len(excerpt.lows)
    xs = left + width * (np.arange(count) + 0.5) / count
    top = [(float(x), middle - half * float(v)) for x, v in zip(xs, excerpt.highs, strict=True)]
    low = [(float(x), middle - half * float(v)) for x, v in zip(xs, excerpt.lows, strict=True)]
    picture.shapes.append(Area([*top, *reversed(low)], "faint"))
    course = [(float(x), middle - half * float(v)) for x, v in zip(xs, excerpt.level, strict=True)]
    picture.shapes.append(Polyline(course, "ink", 0.35))
    doubt = 2.0 * excerpt.uncertainty_s / excerpt.half_s * width / 2.0
    centre = left + width / 2.0
    picture.shapes.append(Polyline([(centre, 1.0), (centre, 18.0)], "mark", 0.4, True))
    picture.shapes += whisker((centre - doubt, 2.0), (centre + doubt, 2.0))
    for share in (0.0, 0.5, 1.0):
        ms = (share - 0.5) * 2000 * excerpt.half_s
        text = f"{excerpt.time_s:.4f} s" if share == 0.5 else f"{ms:+.0f} ms"
        anchor: Literal["start", "middle", "end"] = ("start", "middle", "end")[int(2 * share)]
        picture.shapes.append(Label((left + share * width, 21.0), text, 2.3, anchor, "faint"))
    return picture


def _mean(
    at: Callable[[float, float], Point], angle: OpeningAngle, phase: Phase, ends: Point
) -> list[Shape]:
    """Draw a mean as a stroke, its expanded uncertainty as an arc, cut at the dial's ends."""
    mean, radius = angle.angle_deg, 38.6 if phase == "left" else 36.6
    shapes: list[Shape] = [
        Polyline([at(mean, radius - 1.1), at(mean, radius + 1.1)], "ink", 0.7, phase == "found")
    ]
    if angle.budget:
        reach = (mean - angle.budget.U_deg, mean + angle.budget.U_deg)
        seen = np.linspace(max(reach[0], ends[0]), min(reach[1], ends[1]), 15)
        shapes.append(Polyline([at(float(a), radius) for a in seen], "ink", 0.3))
        for a in reach:
            if ends[0] <= a <= ends[1]:
                shapes.append(Polyline([at(a, radius - 0.7), at(a, radius + 0.7)], "ink", 0.3))
    return shapes


def whisker(one: Point, other: Point) -> list[Shape]:
    """Draw a bar of uncertainty, level or upright, with its ends."""
    level = one[1] == other[1]
    a, b = (0.0, 0.8) if level else (0.8, 0.0)
    shapes: list[Shape] = [Polyline([one, other], "ink", 0.3)]
    for x, y in (one, other):
        shapes.append(Polyline([(x - a, y - b), (x + a, y + b)], "ink", 0.3))
    return shapes


def dot(at: Point, radius: float) -> list[Point]:
    """Return the outline of a dot."""
    turns = [math.pi * corner / 8.0 for corner in range(16)]
    return [(at[0] + radius * math.sin(t), at[1] - radius * math.cos(t)) for t in turns]


def _legend(cylinder: CylinderRecord) -> list[str]:
    angle = cylinder.opens_at
    if angle is None:
        return ["no opening was read"]
    doubt = f" ± {angle.budget.U_deg:.1f}" if angle.budget else ", as read"
    lines = [f"{side(angle.angle_deg, 'before', 'after')}{doubt}"]
    if len(cylinder.phases) > 1:
        lines.append("● left   ○ found")
    return lines


def _wheel_words(cylinder: CylinderRecord, record: TimingRecord) -> str:
    engine = record.engine
    parts = [
        f"The figure is {show(engine.opens_at_deg)} with a tolerance of "
        f"{engine.tolerance_deg:g} degrees either way"
    ]
    for phase, angle in cylinder.phases.items():
        shown = ", ".join(
            show(round(place.angle_deg, 2))
            for place in cylinder.openings
            if (place.reading.phase, place.reading.sweep, place.reading.advance)
            == (phase, "forward", "full")
        )
        parts.append(f"as {phase}: openings at {shown}; mean {show(round(angle.angle_deg, 2))}")
    return ". ".join(parts) + "."


def _svg(shape: Shape) -> str:
    if isinstance(shape, Label):
        bold = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text x="{shape.at[0]:.2f}" y="{shape.at[1]:.2f}" font-size="{shape.size_mm:g}" '
            f'text-anchor="{shape.anchor}" class="t-{shape.role}"{bold}>{escape(shape.text)}</text>'
        )
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
    if isinstance(shape, Polyline):
        dashes = ' stroke-dasharray="1.2 .8"' if shape.dashed else ""
        return (
            f'<polyline points="{points}" class="l-{shape.role}" '
            f'stroke-width="{shape.width_mm:g}"{dashes}/>'
        )
    kind = "a" if shape.filled else "h"
    return f'<polygon points="{points}" class="{kind}-{shape.role}"/>'


def pictures_of(record: TimingRecord) -> Iterable[Picture]:
    """Give the pictures that need no sound: a wheel a cylinder, then found against left."""
    for cylinder in record.cylinders:
        yield wheel_picture(cylinder, record)
    both = found_left_picture(record)
    if both:
        yield both
