"""The slider-crank, against its geometry solved afresh."""

import math

import pytest
import sympy
from hypothesis import given
from hypothesis import strategies as st

from analysis import offcentre
from analysis.crank import Crank


def solved_travel(stroke: float, rod: float, offset: float, before_deg: float) -> float:
    """Piston travel from the two circles: the pin at the end of rod and throw, on its own line."""
    a, p, y = sympy.symbols("a p y", positive=True)
    longest = sympy.sqrt((rod + a) ** 2 - offset**2)
    throw = sympy.nsolve(longest - sympy.sqrt((rod - a) ** 2 - offset**2) - stroke, a, stroke / 2)
    pin_x, pin_y = throw * sympy.sin(p), throw * sympy.cos(p)
    rod_ends = (pin_x - offset) ** 2 + (y - pin_y) ** 2 - rod**2
    top = sympy.asin(offset / (rod + throw))
    there = rod_ends.subs(p, top - sympy.rad(before_deg))
    return float(longest.subs(a, throw) - sympy.nsolve(there, y, rod + float(throw)))


@pytest.mark.parametrize("offset", [0.0, 6.0, -6.0])
@pytest.mark.parametrize("angle", [28.0, -28.0, 100.0])
def test_travel_against_sympy(offset: float, angle: float) -> None:
    expected = solved_travel(84.0, 160.0, offset, angle)
    assert Crank(84.0, 160.0, offset).travel_mm(angle) == pytest.approx(expected, abs=1e-9)


def test_travel_against_a_handbooks_formula() -> None:
    # J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.5 (from memory).
    a, rod, t = 42.0, 160.0, math.radians(28.0)
    s = a * math.cos(t) + math.sqrt(rod**2 - a**2 * math.sin(t) ** 2)
    assert Crank(84.0, 160.0).travel_mm(28.0) == pytest.approx(rod + a - s, abs=1e-12)


engines = st.builds(
    lambda stroke, ratio, share: Crank(stroke, stroke * ratio, stroke * share),
    st.floats(10.0, 500.0), st.floats(1.2, 3.0), st.floats(-0.15, 0.15),
)  # fmt: skip


@given(engines, st.floats(0.0, 1.0), st.sampled_from(["before", "after"]))
def test_angle_and_travel_undo_each_other(crank: Crank, share: float, side: str) -> None:
    travel = share * crank.stroke_mm
    angle = crank.angle_deg(travel, "before" if side == "before" else "after")
    way = 1 if side == "before" else -1
    assert crank.travel_mm(way * angle) == pytest.approx(travel, abs=1e-6 * crank.stroke_mm)


@given(engines, st.floats(5.0, 170.0))
def test_lean_is_the_middle_of_equal_heights(crank: Crank, total: float) -> None:
    lean = crank.lean_deg(total)
    before, after = total / 2 + lean, total / 2 - lean
    assert crank.travel_mm(before) == pytest.approx(crank.travel_mm(-after), rel=1e-6, abs=1e-9)
    assert crank.lean_deg(0.0) == 0.0


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((84.0, 42.0), "longer than half the stroke"),
        ((0.0, 160.0), "stroke of 0 mm"),
        ((1e-300, 1e300), "rod of 1e\\+300 mm"),
        ((84.0, math.nan), "rod of nan mm"),
        ((84.0, 160.0, 120.0), "the crank would not turn"),
    ],
)
def test_cranks_that_cannot_be(figures: tuple[float, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Crank(*figures)
    with pytest.raises(ValueError, match="never 85 mm down"):
        Crank(84.0, 160.0).angle_deg(85.0)


@given(st.floats(0.001, 0.03), st.floats(0.0, 6.2))
def test_a_wheel_off_centre_is_found_from_stops_at_three_places(e: float, phase: float) -> None:
    found = []
    for mark in (0.0, 120.0, -120.0):
        wave = [
            math.degrees(e) * math.sin(math.radians(mark + side) + phase) for side in (18.0, -18.0)
        ]
        found.append(offcentre.StopsAt(mark, 18.0, 1.5 + sum(wave) / 2))
    assert offcentre.estimate(found) == pytest.approx(e, rel=1e-6)
    # What the stops at 0 leave at a reading never exceeds the bound.
    left = math.degrees(e) * math.sin(math.radians(28.0) + phase) - (found[0].wheel_error_deg - 1.5)
    assert abs(left) <= offcentre.residual_deg(e, 28.0, 18.0) + 1e-12
