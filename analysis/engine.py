"""The engine's figures, as its sheet gives them, checked.

Conventions
-----------
``opens_at`` is the crank angle at which the points open at full advance, against the cylinder's
own top dead centre; before is positive. ``fires_at`` is how many crank degrees after cylinder 1
a cylinder fires; the cylinder with 0 is the one whose dead centre the wheel's 0 mark shows. A
cylinder that fires at 360 has its dead centre at the same mark, one that fires at 180 at the
opposite one.

``static_opens_at`` is the same with the advance unit at rest, fully retarded. Dwell is how long the
points stay closed, in degrees of the shaft the cam turns with, as dwell meters show it. A shaft at
half the crank's speed, or at the crank's, opens the points ``lobes`` times a turn.

`engine_from` takes the sheet's tables as they were parsed and says plainly what is wrong with
them: an unknown key (and the nearest known one), a wrong type or unit, a missing or impossible
figure.
"""

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast, get_args

from analysis.crank import LONGEST_ROD_MM, LONGEST_STROKE_MM, Crank
from analysis.wheel import Marks, Wheel, meanings, parse, show

CamSpeed = Literal["half", "crank"]
Turns = Literal["clockwise", "anticlockwise"]

CYCLE_DEG = 720.0
_MISSING = object()
_TABLES = {
    "ignition": (
        "opens_at", "tolerance_deg", "cam_speed", "static_opens_at", "spread_limit_deg",
        "dwell_deg", "dwell_tolerance_deg", "lobes", "plate_radius_mm", "firing_order",
    ),
    "crank": ("stroke_mm", "rod_mm", "offset_mm", "turns"),
    "wheel": (
        "marks", "rising", "graduation_deg", "read_to_deg", "parallax_deg", "radius_mm",
        "off_centre_mm",
    ),
    "method": ("turning_deg_s", "delay_s", "instruments"),
}  # fmt: skip
"""The sheet's tables and the keys each knows."""


@dataclass(frozen=True)
class CylinderFigure:
    """One cylinder.

    Attributes
    ----------
    name : str
    fires_at_deg : float
        Crank degrees after cylinder 1 fires, from 0 up to 720.
    """

    name: str
    fires_at_deg: float


@dataclass(frozen=True)
class Engine:
    """The engine's figures.

    Attributes
    ----------
    name : str
    opens_at_deg : float
        Where the points should open, at full advance.
    tolerance_deg : float
        How far off either way is still right.
    cam_speed : {"half", "crank"}
        Speed of the points' cam, of the crank's.
    wheel : Wheel
    cylinders : tuple of CylinderFigure
    stroke_mm, rod_mm : float or None
    offset_mm : float or None
        Of the bore or the gudgeon pin; see :mod:`analysis.crank`.
    turns : {"clockwise", "anticlockwise"} or None
        Running direction, seen from the wheel.
    static_opens_at_deg : float or None
        Where the points should open with the advance unit at rest.
    spread_limit_deg : float or None
        How far cylinders may differ, largest from smallest.
    dwell_deg, dwell_tolerance_deg : float or None
        Of the cam's shaft.
    lobes : int
        Openings for each turn of the cam's shaft.
    plate_radius_mm : float or None
        Where the breaker plate's movement is measured.
    turning_deg_s, delay_s : float
        Fastest the crank is turned through an opening, and how late it is then stopped or read,
        sound and buzzer included; 0 where the crank is stopped on the opening.
    firing_order : tuple of str
        Names of the cylinders; empty where the sheet does not give it.
    source : str or None
        Where the figures come from, in the user's words.
    instruments : str or None
        What is used for timing, in the user's words.
    assumed : tuple of str
        What the sheet left out, and what was taken instead.
    """

    name: str
    opens_at_deg: float
    tolerance_deg: float
    cam_speed: CamSpeed
    wheel: Wheel
    cylinders: tuple[CylinderFigure, ...]
    stroke_mm: float | None = None
    rod_mm: float | None = None
    offset_mm: float | None = None
    turns: Turns | None = None
    static_opens_at_deg: float | None = None
    spread_limit_deg: float | None = None
    dwell_deg: float | None = None
    dwell_tolerance_deg: float | None = None
    lobes: int = 1
    plate_radius_mm: float | None = None
    turning_deg_s: float = 0.0
    delay_s: float = 0.0
    firing_order: tuple[str, ...] = ()
    source: str | None = None
    instruments: str | None = None
    assumed: tuple[str, ...] = ()

    @property
    def crank(self) -> Crank | None:
        """The slider-crank, where stroke and rod are known; without offset unless it is told."""
        if self.stroke_mm is None or self.rod_mm is None:
            return None
        return Crank(self.stroke_mm, self.rod_mm, self.offset_mm or 0.0)

    @property
    def cam_ratio(self) -> float:
        """Degrees of the cam's shaft for one of the crank."""
        return 0.5 if self.cam_speed == "half" else 1.0

    @property
    def cam_turn_deg(self) -> float:
        """Crank degrees of one turn of the cam's shaft."""
        return 360.0 / self.cam_ratio

    @property
    def firing_intervals_deg(self) -> tuple[float, ...]:
        """Crank degrees from each spark to the next, for one turn of the cam, round to the first.

        A cam at the crank's speed fires every cylinder at every turn of the crank.
        """
        turn = self.cam_turn_deg
        at = sorted({cylinder.fires_at_deg % turn for cylinder in self.cylinders})
        return tuple(b - a for a, b in zip(at, [*at[1:], at[0] + turn], strict=True))

    @property
    def first(self) -> CylinderFigure:
        """The cylinder whose dead centre the wheel's 0 mark shows; a job begins with it."""
        return next(c for c in self.cylinders if c.fires_at_deg == 0.0)

    def cylinder(self, name: str) -> CylinderFigure:
        """Return a cylinder by its name; KeyError if there is none."""
        for cylinder in self.cylinders:
            if cylinder.name == name:
                return cylinder
        raise KeyError(name)

    def as_dict(self) -> dict[str, object]:
        """Return the figures as the plain object that the record shows."""
        return {
            "name": self.name,
            "opens_at": show(self.opens_at_deg),
            "opens_at_deg": self.opens_at_deg,
            "tolerance_deg": self.tolerance_deg,
            "cam_speed": self.cam_speed,
            "stroke_mm": self.stroke_mm,
            "rod_mm": self.rod_mm,
            "offset_mm": self.offset_mm,
            "turns": self.turns,
            "static_opens_at_deg": self.static_opens_at_deg,
            "spread_limit_deg": self.spread_limit_deg,
            "dwell_deg": self.dwell_deg,
            "dwell_tolerance_deg": self.dwell_tolerance_deg,
            "lobes": self.lobes,
            "plate_radius_mm": self.plate_radius_mm,
            "turning_deg_s": self.turning_deg_s,
            "delay_s": self.delay_s,
            "firing_order": list(self.firing_order),
            "source": self.source,
            "firing_intervals_deg": list(self.firing_intervals_deg),
            "wheel": {
                "marks": self.wheel.marks,
                "rising": self.wheel.rising,
                "graduation_deg": self.wheel.graduation_deg,
                "read_to_deg": self.wheel.read_to_deg,
                "parallax_deg": self.wheel.parallax_deg,
                "off_centre": self.wheel.off_centre,
            },
            "cylinders": [{"name": c.name, "fires_at_deg": c.fires_at_deg} for c in self.cylinders],
        }


def engine_from(sheet: Mapping[str, object]) -> Engine:
    """Check a sheet and return the engine's figures.

    Parameters
    ----------
    sheet : mapping
        The tables of the sheet as a TOML reader gives them.

    Returns
    -------
    Engine

    Raises
    ------
    ValueError
        Naming the key, where it stands, and what it should be.
    """
    top = _Table(sheet, "the sheet", ("name", "source", *_TABLES, "cylinder"))
    ignition, crank, wheel, method = (
        top.table(name, keys, optional=name in ("crank", "method"))
        for name, keys in _TABLES.items()
    )
    assumed: list[str] = []
    cylinders = _cylinders(top)
    if "cam_speed" not in ignition.values:
        assumed.append("the sheet gives no cam_speed; half the crank's is taken")
    lobes = ignition.number("lobes", 0.0, 12.0, "lobes", 1.0)
    if lobes != int(lobes):
        raise ValueError(f"lobes = {lobes:g} in [ignition] cannot be; it should be a whole number")
    cam_speed = cast(CamSpeed, ignition.choice("cam_speed", get_args(CamSpeed), "half"))
    dwell = ignition.optional("dwell_deg", 360.0 / lobes, "degrees of the cam's shaft")
    engine = Engine(
        name=top.text("name"),
        opens_at_deg=_figure(ignition, "opens_at"),
        tolerance_deg=ignition.number("tolerance_deg", 0.0, 90.0, "crank degrees"),
        cam_speed=cam_speed,
        wheel=_wheel(wheel, assumed),
        cylinders=cylinders,
        stroke_mm=crank.length_mm("stroke_mm", LONGEST_STROKE_MM),
        rod_mm=crank.length_mm("rod_mm", LONGEST_ROD_MM),
        offset_mm=crank.number("offset_mm", -1000.0, 1000.0, "millimetres")
        if "offset_mm" in crank.values
        else None,
        turns=cast(Turns, crank.choice("turns", get_args(Turns)))
        if "turns" in crank.values
        else None,
        static_opens_at_deg=_figure(ignition, "static_opens_at")
        if "static_opens_at" in ignition.values
        else None,
        spread_limit_deg=ignition.optional("spread_limit_deg", 90.0, "crank degrees"),
        dwell_deg=dwell,
        dwell_tolerance_deg=ignition.optional("dwell_tolerance_deg", 90.0, "degrees"),
        lobes=int(lobes),
        plate_radius_mm=ignition.length_mm("plate_radius_mm", 1000.0),
        turning_deg_s=method.number(
            "turning_deg_s", 0.0, 360.0, "degrees a second", 0.0, from_zero=True
        ),
        delay_s=method.number("delay_s", 0.0, 10.0, "seconds", 0.0, from_zero=True),
        firing_order=_firing_order(ignition, cylinders),
        source=top.text("source") if "source" in top.values else None,
        instruments=method.text("instruments") if "instruments" in method.values else None,
        assumed=tuple(assumed),
    )
    try:
        _ = engine.crank
    except ValueError as trouble:
        raise ValueError(f"[crank]: {trouble}") from None
    return engine


def _figure(ignition: "_Table", key: str) -> float:
    """Read an opening angle, which may be a number or words."""
    value = ignition.get(key)
    number = _as_number(value)
    if number is not None:
        value = f"{number:+.6f}"
    if not isinstance(value, str):
        raise ValueError(
            f'{key} in [ignition] should be a reading, such as "28 before"{_got(value)}'
        )
    try:
        mark = parse(value)
        return max(meanings(mark, Wheel("before-after")))
    except ValueError as trouble:
        raise ValueError(f"{key} in [ignition]: {trouble}") from None


def _firing_order(table: "_Table", cylinders: tuple[CylinderFigure, ...]) -> tuple[str, ...]:
    order = table.get("firing_order", [])
    names = {cylinder.name.casefold(): cylinder.name for cylinder in cylinders}
    given = [str(name).casefold() for name in order] if isinstance(order, list) else [""]
    if order and sorted(given) != sorted(names):
        raise ValueError(
            "firing_order in [ignition] should name every cylinder once, such as "
            f"[{', '.join(chr(34) + name + chr(34) for name in names.values())}]{_got(order)}"
        )
    return tuple(names[name] for name in given) if order else ()


def _wheel(table: "_Table", assumed: list[str]) -> Wheel:
    marks = cast(Marks, table.choice("marks", get_args(Marks)))
    rising = table.get("rising", False)
    if not isinstance(rising, bool):
        raise ValueError(f"rising in [wheel] should be true or false{_got(rising)}")
    if marks == "0-360" and "rising" not in table.values:
        assumed.append(
            "the sheet does not say whether the wheel's numbers rise in the running direction "
            "(rising in [wheel]); falling is taken"
        )
    if "graduation_deg" not in table.values:
        assumed.append("the sheet gives no graduation_deg; 1 degree is taken")
    return Wheel(
        marks,
        rising,
        table.number("graduation_deg", 0.0, 45.0, "degrees", 1.0),
        table.optional("read_to_deg", 45.0, "degrees"),
        table.optional("parallax_deg", 10.0, "degrees", from_zero=True),
        _off_centre(table),
    )


def _off_centre(table: "_Table") -> float:
    off = table.optional("off_centre_mm", 100.0, "millimetres", from_zero=True)
    if off is None:
        return 0.0
    radius = table.number("radius_mm", 0.0, 2000.0, "millimetres")
    if off >= radius:
        raise ValueError(f"off_centre_mm = {off:g} in [wheel] cannot be more than its radius_mm")
    return off / radius


def _cylinders(top: "_Table") -> tuple[CylinderFigure, ...]:
    entries = top.get("cylinder")
    if not isinstance(entries, list) or not entries:
        raise ValueError("the sheet needs one [[cylinder]] or more, in double brackets")
    found: list[CylinderFigure] = []
    for place, entry in enumerate(entries, start=1):
        where = f"[[cylinder]] number {place}"
        table = _Table(_mapping(entry, where), where, ("name", "fires_at"))
        name = table.text("name", numbers=True)
        if name.casefold() in (c.name.casefold() for c in found):
            raise ValueError(f"two cylinders are named {name!r}; give each its own name")
        default = 0.0 if len(entries) == 1 else _MISSING
        fires_at = table.number(
            "fires_at", 0.0, CYCLE_DEG, "crank degrees after cylinder 1", default, from_zero=True
        )
        found.append(CylinderFigure(name, fires_at))
    if all(c.fires_at_deg != 0.0 for c in found):
        raise ValueError(
            "no [[cylinder]] has fires_at = 0; count from the cylinder whose dead centre the "
            "wheel's 0 mark shows"
        )
    return tuple(found)


class _Table:
    """One table of the sheet, and words for what is wrong in it."""

    def __init__(self, values: Mapping[str, object], where: str, known: tuple[str, ...]) -> None:
        self.values, self.where = values, where
        for key in values:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1, 0.5)
                hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
                raise ValueError(f"{key} is not known in {where}; {hint}")

    def get(self, key: str, default: object = _MISSING) -> object:
        value = self.values.get(key, default)
        if value is _MISSING:
            raise ValueError(f"{key} is missing in {self.where}")
        return value

    def table(self, key: str, known: tuple[str, ...], *, optional: bool = False) -> "_Table":
        if key not in self.values and not optional:
            raise ValueError(f"the table [{key}] is missing in {self.where}")
        return _Table(_mapping(self.values.get(key, {}), f"[{key}]"), f"[{key}]", known)

    def text(self, key: str, *, numbers: bool = False) -> str:
        value = self.get(key)
        if numbers and isinstance(value, int) and not isinstance(value, bool):
            value = str(value)
        if not isinstance(value, str) or not value.strip():
            raise ValueError(f"{key} in {self.where} should be words in quotes{_got(value)}")
        return " ".join(value.split())

    def choice(self, key: str, known: tuple[str, ...], default: object = _MISSING) -> str:
        value = self.get(key, default)
        if not isinstance(value, str) or value not in known:
            options = " or ".join(f'"{option}"' for option in known)
            raise ValueError(f"{key} in {self.where} should be {options}{_got(value)}")
        return value

    def length_mm(self, key: str, highest: float) -> float | None:
        return self.number(key, 1.0, highest, "millimetres") if key in self.values else None

    def optional(
        self, key: str, highest: float, unit: str, *, from_zero: bool = False
    ) -> float | None:
        if key not in self.values:
            return None
        return self.number(key, 0.0, highest, unit, from_zero=from_zero)

    def number(
        self,
        key: str,
        lowest: float,
        highest: float,
        unit: str,
        default: object = _MISSING,
        *,
        from_zero: bool = False,
    ) -> float:
        number = _as_number(self.get(key, default))
        if number is None:
            value = self.values[key]
            raise ValueError(f"{key} in {self.where} should be a number of {unit}{_got(value)}")
        inside = lowest <= number < highest if from_zero else lowest < number <= highest
        if not inside:
            rule = "from 0 to less than" if from_zero else f"more than {lowest:g}, at most"
            raise ValueError(
                f"{key} = {number:g} in {self.where} cannot be; it should be {rule} "
                f"{highest:g} {unit}"
            )
        return number


def _as_number(value: object) -> float | None:
    """Return a finite number, and None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _mapping(value: object, where: str) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise ValueError(f"{where} should be a table of its own{_got(value)}")
    return value


def _got(value: object) -> str:
    shown = repr(value)
    return f", not {shown if len(shown) <= 40 else shown[:37] + '...'}"
