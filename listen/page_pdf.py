"""The page of a record as a PDF: A4, laid out so that it also fits Letter without scaling.

The pictures are drawn with the PDF's own pen, the text is text. The typeface comes with matplotlib,
so that the same signs are there on every machine.
"""

import logging
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from fpdf import FPDF

from listen.page import Facts, Items, Page, Part, Pictures, Table
from listen.pictures import Area, Label, Picture, Polyline

_PAPER_MM = (210.0, 279.4)
"""A4's width and Letter's height: prints on either."""
_LEFT, _TOP, _BOTTOM = 14.0, 10.0, 272.0
_WIDTH = 182.0
_GUTTER, _FIRST = 5.0, 95.0
_SIZE_PT, _STEP_MM, _PAD_MM = 6.2, 2.75, 1.2
_PT_PER_MM = 72.0 / 25.4
_INK, _FAINT = (0, 0, 0), (85, 85, 85)
_COLOURS = {
    "ink": (0, 0, 0), "faint": (125, 125, 125), "band": (226, 233, 237),
    "mark": (122, 45, 12), "spec": (60, 90, 105),
}  # fmt: skip


def _style(shape: Area) -> str:
    if shape.role == "band":
        return "DF"
    return "F" if shape.filled else "D"


def write_pdf(page: Page, path: Path) -> str:
    """Write a page as a PDF file; return the signs that its typeface lacks, set off by spaces."""
    paper = _Paper(page.title)
    y = paper.heading(page)
    for part in page.parts:
        if part.position == "wide":
            y = paper.part(part, _LEFT, y, _WIDTH)
    began_on = paper.pdf.page
    for position, x, width in (
        ("left", _LEFT, _FIRST),
        ("right", _LEFT + _FIRST + _GUTTER, _WIDTH - _FIRST - _GUTTER),
    ):
        paper.pdf.page, level = began_on, y
        for part in page.parts:
            if part.position == position:
                level = paper.part(part, x, level, width)
    paper.pdf.page = len(paper.pdf.pages)
    path.write_bytes(bytes(paper.pdf.output()))
    return paper.missing_signs()


class _Paper:
    """A PDF being drawn, from the top down."""

    def __init__(self, title: str) -> None:
        import matplotlib

        for library in ("fontTools", "fpdf"):
            logging.getLogger(library).setLevel(logging.ERROR)
        self.pdf = FPDF(format=_PAPER_MM)
        self.pdf.set_auto_page_break(False)
        fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        self.pdf.add_font("DejaVu", "", fonts / "DejaVuSans.ttf")
        self.pdf.add_font("DejaVu", "B", fonts / "DejaVuSans-Bold.ttf")
        self.pdf.set_title(title)
        self.pdf.set_lang("en")
        self.pdf.set_margin(0)
        self.pdf.c_margin = 0.0
        self.pdf.add_page()

    def missing_signs(self) -> str:
        """Return the signs that were asked of the typeface and are not in it, set off by spaces."""
        codes = [code for font in self.pdf.fonts.values() for code in font.missing_glyphs]  # type: ignore[union-attr]
        return " ".join(map(chr, dict.fromkeys(codes)))

    def heading(self, page: Page) -> float:
        """Write title and subtitle; return how far down they reach."""
        self._words(page.title, _LEFT, _TOP, _WIDTH, 11.0, bold=True)
        self._words(page.subtitle, _LEFT, self.pdf.get_y(), _WIDTH, 7.0, colour=_FAINT)
        y = self.pdf.get_y() + 0.8
        self.pdf.set_draw_color(*_INK)
        self.pdf.set_line_width(0.4)
        self.pdf.line(_LEFT, y, _LEFT + _WIDTH, y)
        return y + 0.4

    def part(self, part: Part, x: float, y: float, width: float) -> float:
        """Draw one part; return how far down it reaches."""
        y = self._room(y + 1.6, 4.0 + self._first_height(part, width))
        self._words(part.title, x, y, width, 7.2, bold=True)
        y += 3.7
        if isinstance(part, Facts):
            widths = _shared((12, 88) if part.position == "wide" else (19, 81), width)
            for row in part.rows:
                y = self._row(row, x, y, widths, faint={0})
            return y
        if isinstance(part, Items):
            for item in part.items:
                y = self._row(["–", item], x, y, _shared((4, 96), width))
            return y
        if isinstance(part, Pictures):
            return self._pictures(part.pictures, x, y, width)
        return self._table(part, x, y, width)

    def _first_height(self, part: Part, width: float) -> float:
        if isinstance(part, Pictures):
            return max(picture.height_mm for picture in part.pictures) * 0.85
        first = 1
        if isinstance(part, Items):
            first = len(self._wrapped(part.items[0], width * 0.96 - _PAD_MM))
        return (1 + first) * _STEP_MM

    def _table(self, table: Table, x: float, y: float, width: float) -> float:
        shares = table.shares or [1.0] * len(table.headings)
        widths = _shared(shares, width)
        everything = set(range(len(widths)))
        y = self._row(table.headings, x, y, widths, table.numbers, faint=everything)
        for number, row in enumerate(table.rows):
            self.pdf.set_draw_color(205, 205, 205)
            self.pdf.set_line_width(0.1)
            self.pdf.line(x, y - 0.1, x + width, y - 0.1)
            struck = number in table.struck
            y = self._row(row, x, y, widths, table.numbers, everything if struck else set(), struck)
        return y

    def _row(
        self,
        cells: Sequence[str],
        x: float,
        y: float,
        widths: Sequence[float],
        numbers: frozenset[int] = frozenset(),
        faint: set[int] | frozenset[int] = frozenset(),
        struck: bool = False,
    ) -> float:
        self.pdf.set_font("DejaVu", "", _SIZE_PT)
        lines = [
            max(1, len(self._wrapped(cell, width - _PAD_MM)))
            for cell, width in zip(cells, widths, strict=True)
        ]
        height = max(lines) * _STEP_MM + 0.3
        y = self._room(y, height)
        for place, (cell, width) in enumerate(zip(cells, widths, strict=True)):
            if cell:
                align = "R" if place in numbers else "L"
                colour = _FAINT if place in faint else _INK
                self._words(cell, x, y, width - _PAD_MM, _SIZE_PT, align, colour)
            if cell and struck:
                self.pdf.set_draw_color(*_FAINT)
                self.pdf.line(x, y + _STEP_MM / 2, x + width - _PAD_MM, y + _STEP_MM / 2)
            x += width
        return y + height

    def _pictures(self, pictures: Sequence[Picture], x: float, y: float, width: float) -> float:
        small = all(picture.height_mm < 25 for picture in pictures)
        scale = 0.5 if small else 0.85 if len(pictures) <= 3 else 0.63
        at, tallest = x, 0.0
        for picture in pictures:
            wide, high = picture.width_mm * scale, picture.height_mm * scale + (3.0 if small else 0)
            if at + wide > x + width and at > x:
                at, y, tallest = x, y + tallest, 0.0
            y = self._room(y, high)
            self._picture(picture, at, y, scale)
            if small:
                self._words(picture.title, at, y + high - 2.8, wide, 5.2, colour=_FAINT)
            at += wide + 1.2
            tallest = max(tallest, high + 0.5)
        return y + tallest

    def _picture(self, picture: Picture, x: float, y: float, scale: float) -> None:
        pdf = self.pdf
        for shape in picture.shapes:
            colour = _COLOURS[shape.role]
            if isinstance(shape, Label):
                size = shape.size_mm * scale * _PT_PER_MM
                pdf.set_font("DejaVu", "B" if shape.bold else "", size)
                long = pdf.get_string_width(shape.text)
                back = {"start": 0.0, "middle": long / 2.0, "end": long}[shape.anchor]
                pdf.set_text_color(*(_FAINT if shape.role == "faint" else colour))
                pdf.text(x + shape.at[0] * scale - back, y + shape.at[1] * scale, shape.text)
                continue
            points = [(x + px * scale, y + py * scale) for px, py in shape.points]
            pdf.set_draw_color(*colour)
            pdf.set_fill_color(*colour)
            if isinstance(shape, Polyline):
                pdf.set_line_width(shape.width_mm * scale)
                pdf.set_dash_pattern(*((1.2, 0.8) if shape.dashed else ()))
                pdf.polyline(points)
                pdf.set_dash_pattern()
            elif isinstance(shape, Area):
                pdf.set_line_width((0.12 if shape.role == "band" else 0.3) * scale)
                if shape.role == "band":
                    pdf.set_draw_color(*_COLOURS["spec"])
                pdf.polygon(points, style=_style(shape))

    def _words(
        self,
        text: str,
        x: float,
        y: float,
        width: float,
        size_pt: float,
        align: str = "L",
        colour: tuple[int, int, int] = _INK,
        *,
        bold: bool = False,
    ) -> None:
        self.pdf.set_font("DejaVu", "B" if bold else "", size_pt)
        self.pdf.set_text_color(*colour)
        self.pdf.set_xy(x, y)
        step = _STEP_MM * size_pt / _SIZE_PT
        self.pdf.multi_cell(width, step, text, align=align, new_x="LEFT", new_y="NEXT")

    def _wrapped(self, text: str, width: float) -> list[str]:
        if not text:
            return []
        lines = self.pdf.multi_cell(width, _STEP_MM, text, dry_run=True, output="LINES")
        return cast(list[str], lines)

    def _room(self, y: float, height: float) -> float:
        """Return where to go on so that a height fits: here, or at the top of the next page."""
        if y + height <= _BOTTOM:
            return y
        if self.pdf.page < len(self.pdf.pages):
            self.pdf.page += 1
        else:
            self.pdf.add_page()
        return _TOP


def _shared(shares: Sequence[float], width: float) -> list[float]:
    total = sum(shares)
    return [width * share / total for share in shares]
