"""Opening angle, uncertainty budget and verdict."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.budget import (
    Line,
    chance_below,
    combine,
    coverage_factor,
    standard_deviation,
    welch_satterthwaite,
)
from analysis.opening import opening_angle
from analysis.engine import CylinderFigure, Engine
from analysis.verdict import correct, judge
from analysis.wheel import Wheel

DEAD_CENTRE = Line("dead centre", 0.1, "normal")
WHEEL = Wheel()


@pytest.mark.parametrize("dof", [1, 2, 4.5, 30, math.inf])
def test_coverage_factor_against_scipy(dof: float) -> None:
    assert coverage_factor(dof, 0.95) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)
    assert chance_below(1.0, 0.4, 0.3, dof) == pytest.approx(
        stats.t.cdf(1.0, dof, loc=0.4, scale=0.3), rel=1e-9
    )


def test_coverage_factor_against_the_guides_table() -> None:
    # JCGM 100:2008, table G.2, p = 95 % (from memory).
    table = {1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, 50: 2.01}
    assert {dof: round(coverage_factor(dof), 2) for dof in table} == table


def test_effective_degrees_of_freedom_against_the_guide() -> None:
    # JCGM 100:2008, H.1.6, gauge block, nanometres (from memory).
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    assert math.floor(welch_satterthwaite(parts)) == 16


@given(st.lists(st.floats(-90.0, 90.0), min_size=2, max_size=12))
def test_mean_and_spread_against_numpy(angles: list[float]) -> None:
    found = opening_angle(angles, WHEEL, [DEAD_CENTRE])
    assert found.angle_deg == pytest.approx(np.mean(angles), abs=1e-9)
    assert found.sd_deg == pytest.approx(np.std(angles, ddof=1), abs=1e-9)


def test_budget_adds_spread_resolution_and_dead_centre() -> None:
    angles = [27.5, 28.0, 28.5]
    budget = opening_angle(angles, WHEEL, [DEAD_CENTRE]).budget
    assert budget is not None
    spread = stats.sem(angles)
    resolution = 0.25 / math.sqrt(3)
    assert budget.u_deg == pytest.approx(math.sqrt(spread**2 + resolution**2 + 0.1**2))
    assert budget.dof == pytest.approx(2 * budget.u_deg**4 / spread**4)
    assert budget.U_deg == pytest.approx(stats.t.ppf(0.975, budget.dof) * budget.u_deg)


def test_equal_readings_still_have_the_wheels_resolution() -> None:
    found = opening_angle([28.0, 28.0, 28.0], WHEEL, [DEAD_CENTRE])
    assert found.sd_deg == 0.0
    assert found.budget is not None
    assert found.budget.U_deg == pytest.approx(
        1.96 * math.hypot(0.25 / math.sqrt(3), 0.1), rel=1e-3
    )


def test_one_reading_has_no_spread_and_no_dead_centre_no_budget() -> None:
    assert opening_angle([28.0], WHEEL, [DEAD_CENTRE]).sd_deg is None
    assert standard_deviation([28.0]) is None
    assert opening_angle([28.0], WHEEL, None).budget is None


@given(st.floats(0.01, 2.0), st.floats(0.0, 2.0), st.floats(1.0, 100.0))
def test_the_uncertainty_never_falls_below_a_part_of_it(a: float, b: float, dof: float) -> None:
    budget = combine([Line("a", a, "Student", dof=dof), Line("b", b, "rectangular")])
    assert budget.u_deg >= max(a, b)
    assert budget.dof >= dof * (1 - 1e-9)
    assert budget.k >= 1.9599


@pytest.mark.parametrize(
    ("angle", "u", "verdict"),
    [
        (28.2, 0.2, "within"),
        (28.9, 0.3, "undecided"),
        (29.0, 0.1, "undecided"),
        (31.0, 0.3, "outside"),
        (28.0, 3.0, "undecided"),
    ],
)
def test_verdict_is_the_chance_of_conformance(angle: float, u: float, verdict: str) -> None:
    found = judge(angle, u, 10.0, 28.0, 1.0)
    held = stats.t(10.0, loc=angle, scale=u)
    assert found.verdict == verdict
    assert found.chance_within == pytest.approx(held.cdf(29.0) - held.cdf(27.0), abs=1e-12)


@pytest.mark.parametrize(
    ("angle", "speed", "expected"),
    [
        (23.8, "half", (4.2, 2.1, "advance")),
        (32.2, "half", (4.2, 2.1, "retard")),
        (32.2, "crank", (4.2, 4.2, "retard")),
        (28.1, "half", (0.0, 0.0, "none")),
    ],
)
def test_correction(angle: float, speed: str, expected: tuple[float, float, str]) -> None:
    verdict = judge(angle, 0.2, math.inf, 28.0, 1.0)
    found = correct(angle, 28.0, "crank" if speed == "crank" else "half", verdict)
    assert found.as_dict() == {
        "crank_deg": pytest.approx(expected[0]),
        "cam_deg": pytest.approx(expected[1]),
        "turn": expected[2],
    }
