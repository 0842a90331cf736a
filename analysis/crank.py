"""The slider-crank: crank angle and piston travel, with an offset bore or gudgeon pin.

What it measures
----------------
`travel_mm` is how far the piston is below its highest place at a crank angle; `angle_deg` is the
angle on one side of dead centre at which it is so far down. `lean_deg` is how far the middle of
two equal piston heights lies from true dead centre, which is nil unless bore or pin is offset.

Conventions
-----------
Angles are crank degrees from the piston's own top dead centre, before it positive. ``offset_mm``
is how far the path of the gudgeon pin passes from the crank's axis, whether the bore or the pin
is moved (desaxe): positive towards the side on which the crank pin goes down.

With throw a, rod l, offset d and the crank turned by p past the upright, the gudgeon pin stands at
``a cos p + sqrt(l^2 - (a sin p - d)^2)``. It is highest where crank and rod lie in one line, at
``sin p = d / (l + a)``. The stroke S is ``sqrt((l + a)^2 - d^2) - sqrt((l - a)^2 - d^2)``; squared
twice and solved, with ``q = S^2 / 4``, ``a^2 = q (l^2 - d^2 - q) / (l^2 - q)``.

References
----------
J. B. Heywood, *Internal Combustion Engine Fundamentals*, 1988, eq. 2.5, for no offset (from
memory). The offset adds Pythagoras to it.
"""

import math
from dataclasses import dataclass

from analysis.wheel import Side

MM_PER_INCH = 25.4
LONGEST_STROKE_MM = 5000.0
LONGEST_ROD_MM = 10_000.0
"""Longer than of any engine (common practice, no source)."""


@dataclass(frozen=True)
class Crank:
    """A crank, rod and piston.

    Attributes
    ----------
    stroke_mm, rod_mm : float
        The rod from centre to centre.
    offset_mm : float
        Positive towards the side on which the crank pin goes down.
    """

    stroke_mm: float
    rod_mm: float
    offset_mm: float = 0.0

    def __post_init__(self) -> None:
        for what, length_mm, longest_mm in (
            ("stroke", self.stroke_mm, LONGEST_STROKE_MM),
            ("rod", self.rod_mm, LONGEST_ROD_MM),
        ):
            if not 0.0 < length_mm <= longest_mm:
                raise ValueError(
                    f"a {what} of {length_mm:g} mm cannot be: it must be more than 0, and at most "
                    f"{longest_mm:g} mm"
                )
        room = self.rod_mm - self.stroke_mm / 2.0
        if not room > 0.0:
            raise ValueError(
                f"a rod of {self.rod_mm:g} mm cannot be: it must be longer than half the stroke, "
                f"{self.stroke_mm / 2.0:g} mm"
            )
        if not abs(self.offset_mm) < room:
            raise ValueError(
                f"an offset of {self.offset_mm:g} mm cannot be: the crank would not turn; it must "
                f"be less than rod minus half the stroke, {room:g} mm"
            )

    @property
    def throw_mm(self) -> float:
        """From the crank's axis to its pin."""
        q, rod2, offset2 = (self.stroke_mm / 2.0) ** 2, self.rod_mm**2, self.offset_mm**2
        return math.sqrt(q * (rod2 - offset2 - q) / (rod2 - q))

    @property
    def top_deg(self) -> float:
        """How far past the upright the crank is at the piston's top dead centre."""
        return math.degrees(math.asin(self.offset_mm / (self.rod_mm + self.throw_mm)))

    def travel_mm(self, angle_deg: float) -> float:
        """Return how far the piston is below its highest place."""
        return max(0.0, self._height_mm(self.top_deg) - self._height_mm(self.top_deg - angle_deg))

    def angle_deg(self, travel_mm: float, side: Side = "before") -> float:
        """Return how many degrees before or after dead centre the piston is so far down.

        Raises
        ------
        ValueError
            If the piston never is.
        """
        if not 0.0 <= travel_mm <= self.stroke_mm:
            raise ValueError(
                f"the piston is never {travel_mm:g} mm down; give 0 to the stroke, "
                f"{self.stroke_mm:g} mm"
            )
        way = 1.0 if side == "before" else -1.0
        # Bottom dead centre is not quite half a turn away where the bore is offset.
        low, high = 0.0, 180.0 - way * (self.bottom_deg - self.top_deg)
        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (
                (middle, high) if self.travel_mm(way * middle) < travel_mm else (low, middle)
            )
        return (low + high) / 2.0

    @property
    def bottom_deg(self) -> float:
        """How far past upside down the crank is at the piston's bottom dead centre."""
        return math.degrees(math.asin(self.offset_mm / (self.rod_mm - self.throw_mm)))

    def lean_deg(self, sum_deg: float) -> float:
        """Return by how much two equal piston heights lie too far before.

        Parameters
        ----------
        sum_deg : float
            From one height to the other, in crank degrees, less than 180. None at all, at the
            very top, leans nowhere.

        Returns
        -------
        float
            Half the difference of the angles before and after true dead centre.
        """
        if sum_deg <= 0.0:
            return 0.0
        low, high = -90.0, 90.0  # the middle, from true dead centre; before is positive
        for _ in range(60):
            middle = (low + high) / 2.0
            before, after = middle + sum_deg / 2.0, middle - sum_deg / 2.0
            low, high = (
                (middle, high)
                if self._height_mm(self.top_deg - before) > self._height_mm(self.top_deg - after)
                else (low, middle)
            )
        return (low + high) / 2.0

    def _height_mm(self, past_upright_deg: float) -> float:
        p = math.radians(past_upright_deg)
        aside = self.throw_mm * math.sin(p) - self.offset_mm
        return self.throw_mm * math.cos(p) + math.sqrt(self.rod_mm**2 - aside**2)
