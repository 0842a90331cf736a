"""The degree wheel: what is written down, and the crank angle it means.

What it measures
----------------
A degree wheel turns with the crank past a fixed pointer. A mechanic writes what the pointer
shows the way the trade does: ``34.5``, ``34 1/2``, ``34½``, ``34.5 before``, ``15 after``,
``34.5 btdc``, ``15 atdc``. `parse` reads that into a `Mark`; `meanings` turns the mark into the
crank angles it can stand for on a given wheel.

Conventions
-----------
Inside the program an angle is in crank degrees, positive before top dead centre, in
(-180, 180]; `wrap` brings any angle there. "Wheel angle" is measured from the wheel's own 0
mark, which is where top dead centre of cylinder 1 should be.

Wheels are marked in one of three ways:

before-after
    0 to 180 each way from top dead centre. A reading needs its side. Where the side is not
    written, both are possible and the caller chooses: for an opening, the side nearer to the
    maker's figure (`nearest`).
0-360
    One run of numbers. With ``rising`` the number at the pointer rises while the crank turns in
    its running direction, so 332 is 28 before; without it the number falls, so 28 is 28 before.
    A reading that names its side is taken by its side.
quarters
    0-90-0-90-0: 0 at top and at bottom dead centre, 90 half way. Such a wheel does not tell the
    two dead centres apart, so a reading is known but for half a turn. ``28 before`` is 28 before
    either dead centre, and the caller takes the one that belongs to the cylinder. ``28 btdc``
    and ``28 bbdc`` name the dead centre.

A sign stands for the side: ``+5`` is 5 before, ``-5`` is 5 after.

References
----------
Markings and ways of writing: common practice, no source.
"""

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

Marks = Literal["before-after", "0-360", "quarters"]
Side = Literal["before", "after"]
Centre = Literal["top", "bottom"]

ACCEPTED = "write it like 34.5, 34 1/2, 34½, 34.5 before, 15 after, 34.5 btdc or 15 atdc"

_HIGHEST = {"before-after": 180.0, "0-360": 360.0, "quarters": 90.0}
_FORM = re.compile(
    r"""(?P<sign>[+-])?\s*
    (?: (?P<decimal>[0-9]{1,3}(?:[.,][0-9]{1,9})?)
      | (?:(?P<whole>[0-9]{1,3})(?:\s+|\s*-\s*))? (?P<top>[0-9]{1,2})\s*/\s*(?P<bottom>[0-9]{1,2})
    )
    \s* (?:°|deg|degs|degree|degrees)? \s*
    (?: (?P<side>before|after|b|a) \s* (?P<centre>tdc|tc|top\ dead\ cent(?:re|er)
        |bdc|bc|bottom\ dead\ cent(?:re|er))? )?""",
    re.VERBOSE,
)
_AT_TOP = re.compile(r"(at )?(tdc|top dead cent(re|er))")


@dataclass(frozen=True)
class Wheel:
    """How a degree wheel is marked.

    Attributes
    ----------
    marks : {"before-after", "0-360", "quarters"}
    rising : bool
        On a 0-360 wheel: the number at the pointer rises in the running direction.
    graduation_deg : float
        From one line to the next, in degrees.
    read_to : float or None
        The finest step that is read, in degrees; half a graduation when None.
    parallax : float or None
        How far a reading shifts at most as the eye moves, either way, in degrees; an eighth of a
        graduation when None (common practice, no source).
    off_centre : float
        How far the wheel's middle may lie from the crank's axis, by its radius.
    """

    marks: Marks = "before-after"
    rising: bool = False
    graduation_deg: float = 1.0
    read_to: float | None = None
    parallax: float | None = None
    off_centre: float = 0.0

    @property
    def read_to_deg(self) -> float:
        """The finest step that is read."""
        return self.graduation_deg / 2.0 if self.read_to is None else self.read_to

    @property
    def parallax_deg(self) -> float:
        """How far a reading shifts at most as the eye moves, either way."""
        return self.graduation_deg / 8.0 if self.parallax is None else self.parallax


@dataclass(frozen=True)
class Mark:
    """A reading as it was written: a number, and a side where one was given.

    Attributes
    ----------
    number : float
        As it stands on the wheel, not negative, to a millionth of a degree.
    side : {"before", "after"} or None
    centre : {"top", "bottom"} or None
        The dead centre the side was said to belong to.
    """

    number: float
    side: Side | None = None
    centre: Centre | None = None


def wrap(angle_deg: float) -> float:
    """Return the same crank position as an angle in (-180, 180]."""
    return 180.0 - (180.0 - angle_deg) % 360.0


def parse(text: str) -> Mark:
    """Read a wheel reading as the trade writes it.

    Parameters
    ----------
    text : str
        For instance ``34.5``, ``34 1/2 before``, ``15° atdc``.

    Returns
    -------
    Mark

    Raises
    ------
    ValueError
        If it is not a reading; the message says what would be.
    """
    words = _plain(text)
    if _AT_TOP.fullmatch(words):
        return Mark(0.0)
    form = _FORM.fullmatch(words)
    if form is None:
        raise ValueError(f"{_short(text)} is not a wheel reading; {ACCEPTED}")
    number = _number(form, text)
    side: Side | None = None
    if form["side"]:
        side = "before" if form["side"].startswith("b") else "after"
    if form["sign"]:
        if side:
            raise ValueError(f"{_short(text)} has a sign and a side; write only one of them")
        side = "before" if form["sign"] == "+" else "after"
    centre: Centre | None = None
    if form["centre"]:
        centre = "bottom" if form["centre"].startswith("b") else "top"
    if number == 0.0 and centre != "bottom":
        return Mark(0.0)
    return Mark(number, side, centre)


def meanings(mark: Mark, wheel: Wheel) -> tuple[float, ...]:
    """Return every wheel angle that a reading can stand for.

    Parameters
    ----------
    mark : Mark
        What was written.
    wheel : Wheel
        The wheel it was read off.

    Returns
    -------
    tuple of float
        Degrees from the wheel's 0 mark, before it positive, in (-180, 180]. One when the reading
        is clear; two when its side is not given on a before-after wheel, or when a wheel in
        quarters leaves half a turn open; four when both.

    Raises
    ------
    ValueError
        If the wheel does not show such a number.
    """
    if mark.number > _HIGHEST[wheel.marks] or (mark.side and mark.number > 180.0):
        raise ValueError(_off_wheel(mark, wheel))
    if wheel.marks == "0-360" and mark.side is None:
        return (wrap(-mark.number if wheel.rising else mark.number),)
    sides = [mark.side] if mark.side else ["before", "after"]
    near = [mark.number if side == "before" else -mark.number for side in sides]
    if mark.centre == "bottom":
        angles = [angle + 180.0 for angle in near]
    elif wheel.marks == "quarters" and mark.centre is None:
        angles = [*near, *(angle + 180.0 for angle in near)]
    else:
        angles = near
    return tuple(dict.fromkeys(wrap(angle) for angle in angles))


def nearest(mark: Mark, wheel: Wheel, expected_deg: float) -> float:
    """Return the meaning of a reading that lies nearest to an expected wheel angle.

    Of two equally near, the one before the wheel's 0 mark is taken.

    Parameters
    ----------
    mark : Mark
        What was written.
    wheel : Wheel
        The wheel it was read off.
    expected_deg : float
        Degrees from the wheel's 0 mark, before it positive; so is what is returned.

    Raises
    ------
    ValueError
        As `meanings` does.
    """
    return min(meanings(mark, wheel), key=lambda angle: (abs(wrap(angle - expected_deg)), -angle))


def show(angle_deg: float) -> str:
    """Write an angle in the trade's form: ``34.5 before``, ``15 after``, ``0``."""
    number = _digits(angle_deg)
    if number == "0":
        return number
    return f"{number} {'before' if angle_deg > 0 else 'after'}"


def write(angle_deg: float, wheel: Wheel) -> str:
    """Write a wheel angle as this wheel shows it; `parse` and `meanings` read it back.

    Parameters
    ----------
    angle_deg : float
        Degrees from the wheel's 0 mark, before it positive.
    wheel : Wheel
        Whose marks are used.
    """
    angle = wrap(round(angle_deg, 6))
    if wheel.marks == "0-360":
        return _digits((-angle if wheel.rising else angle) % 360.0)
    if wheel.marks == "quarters":
        if abs(angle) <= 90.0:
            return show(angle).replace("before", "btdc").replace("after", "atdc")
        from_bottom = wrap(angle - 180.0)
        return f"{_digits(from_bottom)} {'bbdc' if from_bottom > 0 else 'abdc'}"
    return show(angle)


def _plain(text: str) -> str:
    """Fold case, spaces, dashes, degree signs and one-character fractions."""
    out = []
    for char in text.casefold():
        if unicodedata.category(char) == "No" and 0 < unicodedata.numeric(char) < 1:
            out.append(f" {unicodedata.normalize('NFKC', char)} ".replace("\u2044", "/"))
        elif char in "\u2212\u2013\u2012":
            out.append("-")
        elif char in "º˚":
            out.append("°")
        else:
            out.append(char)
    words = re.sub(r"(?<=[a-z])\.", "", "".join(out))
    return " ".join(words.split())


def _number(form: re.Match[str], text: str) -> float:
    if form["decimal"]:
        return round(float(form["decimal"].replace(",", ".")), 6)
    top, bottom = int(form["top"]), int(form["bottom"])
    if not top < bottom:
        raise ValueError(f"{_short(text)} has a fraction that is not one; {ACCEPTED}")
    return round(int(form["whole"] or 0) + top / bottom, 6)


def _digits(number: float) -> str:
    return f"{abs(number):.6f}".rstrip("0").rstrip(".")


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _off_wheel(mark: Mark, wheel: Wheel) -> str:
    ends = {
        "before-after": "0 to 180 each way",
        "0-360": "0 to 360, or up to 180 with before or after",
        "quarters": "0 to 90 in each quarter",
    }[wheel.marks]
    side = f" {mark.side}" if mark.side else ""
    return f"{_digits(mark.number)}{side} is not on the wheel, which is marked {ends}"
