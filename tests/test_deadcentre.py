"""Dead centre from a piston stop."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from analysis.crank import Crank
from analysis.deadcentre import StopPair, dead_centre, each_side, question
from analysis.wheel import Wheel

WHEEL = Wheel(parallax=0.0)


def test_stops_at_18_and_15_give_16_and_a_half() -> None:
    # Common practice, no source.
    found = dead_centre([StopPair(18.0, 15.0)], WHEEL)
    assert found.pairs[0].each_side_deg == 16.5
    assert found.wheel_error_deg == 1.5


@given(st.floats(0.0, 89.0), st.floats(0.0, 89.0))
def test_both_classical_ways_agree(before: float, after: float) -> None:
    lower, higher = sorted((before, after))
    half_difference = (higher - lower) / 2
    assert each_side(before, after) == pytest.approx(lower + half_difference)
    assert each_side(before, after) == pytest.approx(higher - half_difference)


def piston_height_mm(angle_deg: float, stroke_mm: float, rod_mm: float) -> float:
    """Slider-crank: J. B. Heywood, Internal Combustion Engine Fundamentals, eq. 2.5 (from memory).

    Distance between crank axis and gudgeon pin, ``a cos t + sqrt(l^2 - a^2 sin^2 t)``.
    """
    a, t = stroke_mm / 2, math.radians(angle_deg)
    return a * math.cos(t) + math.sqrt(rod_mm**2 - (a * math.sin(t)) ** 2)


@pytest.mark.parametrize("wheel_error", [1.5, -3.25, 0.0, 11.0])
@pytest.mark.parametrize("depth_mm", [2.0, 8.0, 25.0])
def test_a_solved_slider_crank_gives_the_wheel_error_back(
    wheel_error: float, depth_mm: float
) -> None:
    stroke, rod = 84.0, 160.0
    height = piston_height_mm(0.0, stroke, rod) - depth_mm

    def above(angle: float) -> float:
        return piston_height_mm(angle, stroke, rod) - height

    before = brentq(above, 0.0, 170.0) + wheel_error
    after = -(brentq(above, -170.0, 0.0) + wheel_error)
    found = dead_centre([StopPair(before, after)], WHEEL)
    assert found.wheel_error_deg == pytest.approx(wheel_error, abs=1e-9)


def test_pairs_are_averaged_and_the_doubt_shrinks_only_where_it_may() -> None:
    one = dead_centre([StopPair(18.0, 15.0)], WHEEL)
    three = dead_centre([StopPair(18.0, 15.0), StopPair(18.5, 15.0), StopPair(18.0, 15.5)], WHEEL)
    assert three.wheel_error_deg == pytest.approx((1.5 + 1.75 + 1.25) / 3)
    # Two readings to a quarter of a degree each way, halved: 0.25 / root 3 / root 2.
    offset = one.budget.lines[-1].u_deg
    assert one.budget.u_deg == pytest.approx(math.hypot(0.25 / math.sqrt(6), offset))
    assert offset < 0.01
    equal = dead_centre([StopPair(18.0, 15.0)] * 3, Wheel())
    resolution, parallax, _ = equal.budget.lines
    assert resolution.u_deg > 0.06
    assert parallax.u_deg == pytest.approx(0.125 / math.sqrt(6 * 3))


def test_stops_that_scatter_count_their_spread() -> None:
    pairs = [StopPair(18.0, 15.0), StopPair(18.9, 15.5), StopPair(18.0, 15.9)]
    lines = dead_centre(pairs, WHEEL).budget.lines
    (spread,) = [line for line in lines if line.source == "stops, spread"]
    assert spread.dof == 4 and spread.divisor == pytest.approx(math.sqrt(6))


@pytest.mark.parametrize("offset", [8.0, -8.0])
def test_an_offset_bore_is_corrected_with_the_sheets_figures(offset: float) -> None:
    crank = Crank(84.0, 160.0, offset)
    before, after = crank.angle_deg(30.0), crank.angle_deg(30.0, "after")
    pair = StopPair(before + 1.5, after - 1.5)
    assert dead_centre([pair], WHEEL, crank).wheel_error_deg == pytest.approx(1.5, abs=1e-6)
    told = dead_centre([pair], WHEEL)
    assert abs(told.wheel_error_deg - 1.5) > 0.05
    assert [line.source for line in told.budget.lines][-1] == "offset of bore or pin"


@pytest.mark.parametrize(
    ("sums", "places"),
    [
        ([33.0], ()),
        ([33.0, 33.5, 34.0], ()),
        ([33.0, 33.0, 36.0], (2,)),
        ([33.0, 36.0], (0, 1)),
    ],
)
def test_a_pair_that_jumps_is_questioned(sums: list[float], places: tuple[int, ...]) -> None:
    assert question(sums, graduation_deg=1.0) == places


def test_a_questioned_pair_stays_in_the_mean() -> None:
    pairs = [StopPair(18.0, 15.0), StopPair(18.0, 15.0), StopPair(21.0, 15.0)]
    found = dead_centre(pairs, WHEEL)
    assert found.questioned == (2,)
    assert found.wheel_error_deg == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([], "each side"),
        ([StopPair(18.0, -15.0)], "same side"),
        ([StopPair(0.0, 0.0)], "both stops are at 0"),
        ([StopPair(100.0, 95.0)], "less than 180"),
    ],
)
def test_pairs_that_cannot_be(pairs: list[StopPair], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        dead_centre(pairs, WHEEL)
