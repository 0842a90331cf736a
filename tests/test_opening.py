"""Opening angle, uncertainty budget and verdict."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.budget import (
    Budget,
    BudgetLine,
    combine,
    coverage_factor,
    standard_deviation,
    welch_satterthwaite,
)
from analysis.engine import CamSpeed, Engine
from analysis.opening import opening_angle, outliers, scatter_of
from analysis.verdict import correct, judge
from analysis.wheel import Wheel

DEAD_CENTRE = BudgetLine("dead centre", 0.1, "normal")
WHEEL = Wheel()


def spread(u: float, dof: float = math.inf) -> Budget:
    return combine([BudgetLine("spread", u, "Student", dof=dof)])


@pytest.mark.parametrize("dof", [1, 2, 4.5, 30, math.inf])
def test_coverage_factor_against_scipy(dof: float) -> None:
    assert coverage_factor(dof, 0.95) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)
    one = combine([BudgetLine("spread", 0.3, "Student", dof=dof)])
    assert one.k == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-6)
    assert one.chance_below(0.6) == pytest.approx(stats.t.cdf(2.0, dof), rel=1e-9)


def test_coverage_factor_against_the_guides_table() -> None:
    # JCGM 100:2008, table G.2, p = 95 % (from memory).
    table = {1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, 50: 2.01}
    assert {dof: round(coverage_factor(dof), 2) for dof in table} == table


def test_bounded_lines_have_the_textbooks_k() -> None:
    # JCGM 100:2008, G.1.3 and 4.3.9: 95 % of a rectangle is 0.95 of its half-width, and of a
    # triangle 1 - root(0.05).
    rectangle = combine([BudgetLine("a", 0.25, "rectangular", math.sqrt(3))])
    triangle = combine([BudgetLine("a", 0.25, "triangular", math.sqrt(6))])
    assert rectangle.U_deg == pytest.approx(0.95 * 0.25, rel=1e-3)
    assert triangle.U_deg == pytest.approx((1 - math.sqrt(0.05)) * 0.25, rel=1e-3)


def test_mixed_lines_against_a_million_draws() -> None:
    # JCGM 101:2008, clause 7: the same by Monte Carlo.
    rng = np.random.default_rng(1)
    lines = [
        BudgetLine("t", 0.2, "Student", dof=4), BudgetLine("r", 0.3, "rectangular", math.sqrt(3)),
        BudgetLine("v", 0.3, "triangular", math.sqrt(6), 0.5), BudgetLine("n", 0.1, "normal"),
    ]  # fmt: skip
    n = 1_000_000
    # Student's and the normal line together, by Welch-Satterthwaite: see the module.
    dof = 4 * (1 + 0.25) ** 2
    draws = math.hypot(0.2, 0.1) * rng.standard_t(dof, n) + rng.uniform(-0.3, 0.3, n)
    draws += 0.5 * rng.triangular(-0.3, 0.0, 0.3, n)
    assert combine(lines).U_deg == pytest.approx(np.quantile(np.abs(draws), 0.95), rel=0.005)


def test_the_combined_uncertainty_against_a_general_library() -> None:
    from uncertainties import ufloat

    before, after = ufloat(18.0, 0.25 / math.sqrt(3)), ufloat(15.0, 0.25 / math.sqrt(3))
    reading = ufloat(29.5, math.hypot(0.25 / math.sqrt(3), 0.1))
    angle = reading - (before - after) / 2
    budget = combine(
        [
            BudgetLine("stops", 0.25, "triangular", math.sqrt(6)),
            BudgetLine("spread", 0.1, "normal"),
            BudgetLine("reading", 0.25, "rectangular", math.sqrt(3)),
        ]
    )  # fmt: skip
    assert angle.nominal_value == 28.0
    assert budget.u_deg == pytest.approx(angle.std_dev, rel=1e-12)


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
    angles = [26.0, 28.0, 30.0]
    budget = opening_angle(angles, WHEEL, [DEAD_CENTRE]).budget
    assert budget is not None
    # Rounding to half a degree is no longer alike in all, and is taken out of the spread.
    spread = math.sqrt((2.0**2 - 0.5**2 / 12) / 3)
    resolution = 0.25 / math.sqrt(3 * 3)
    assert budget.u_deg == pytest.approx(math.sqrt(spread**2 + resolution**2 + 0.1**2))
    assert budget.U_deg == pytest.approx(stats.t.ppf(0.975, 2) * spread, rel=0.02)


def test_equal_readings_still_have_the_wheels_resolution() -> None:
    found = opening_angle([28.0] * 3, Wheel(parallax=0.0), [DEAD_CENTRE])
    assert found.sd_deg == 0.0
    assert found.budget is not None
    spread, resolution, _ = found.budget.lines
    assert resolution.u_deg == pytest.approx(0.25 / math.sqrt(3))
    assert "the least that rounding lets tell" in spread.note


def test_the_spread_of_other_sweeps_speaks_for_few() -> None:
    others = [[27.0, 28.0, 29.0, 28.0], [33.0, 34.0, 35.0, 34.0]]
    few = [28.0, 28.5]
    both = scatter_of(few, others, 0.5)
    assert both.dof == 7 and both.sd_deg == pytest.approx(0.754, abs=0.001)
    wild = [20.0, 30.0]
    assert scatter_of(wild, others, 0.5).dof == 1
    assert scatter_of(few, [*others, wild], 0.5) == both


def test_one_reading_has_no_spread_and_no_dead_centre_no_budget() -> None:
    assert opening_angle([28.0], WHEEL, [DEAD_CENTRE]).sd_deg is None
    assert standard_deviation([28.0]) is None
    assert opening_angle([28.0], WHEEL, None).budget is None


@given(st.floats(0.01, 2.0), st.floats(0.0, 2.0), st.floats(1.0, 100.0))
def test_the_uncertainty_never_falls_below_a_part_of_it(a: float, b: float, dof: float) -> None:
    budget = combine(
        [BudgetLine("a", a, "Student", dof=dof), BudgetLine("b", b, "rectangular", math.sqrt(3))]
    )
    assert budget.u_deg >= max(a, b / math.sqrt(3))
    assert budget.dof >= dof * (1 - 1e-9)
    assert 1.6 < budget.k <= stats.t.ppf(0.975, dof) * 1.0001


@pytest.mark.parametrize(
    ("angle", "u", "verdict"),
    [
        (28.2, 0.2, "within"),
        (28.9, 0.3, "undecided"),
        (29.0, 0.1, "undecided"),
        (31.0, 0.3, "outside"),
        (28.0, 3.0, "undecided"),
        (28.5, 40.0, "undecided"),
    ],
)
def test_verdict_is_the_chance_of_conformance(angle: float, u: float, verdict: str) -> None:
    found = judge(angle, spread(u, 10.0), 28.0, 1.0)
    held = stats.t(10.0, loc=angle, scale=u)
    assert found.verdict == verdict
    assert found.chance_within == pytest.approx(held.cdf(29.0) - held.cdf(27.0), abs=1e-12)
    assert found.chance_outside == pytest.approx(1.0 - found.chance_within)


def test_chance_against_the_guides_example() -> None:
    # JCGM 106:2012, 7.3, a Zener diode: 5.47 V, u = 0.05 V, at least 5.40 V: 0.92 (from memory).
    within = judge(5.47, spread(0.05), 15.40, 10.0).chance_within
    assert within == pytest.approx(0.92, abs=0.005)


@pytest.mark.parametrize(
    ("angle", "guard", "verdict"),
    [(28.5, 0.0, "within"), (28.5, 1.0, "undecided"), (28.4, 1.0, "within"),
     (29.5, 0.0, "outside"), (29.5, 1.0, "undecided"), (29.6, 1.0, "outside")],
)  # fmt: skip
def test_a_guard_band_moves_the_limits(angle: float, guard: float, verdict: str) -> None:
    found = judge(angle, spread(0.28), 28.0, 1.0, guard)
    assert found.verdict == verdict
    assert found.guard_deg == pytest.approx(guard * 1.95996 * 0.28, rel=1e-4)


def test_a_guard_band_is_not_negative() -> None:
    with pytest.raises(ValueError, match="guard band of -1"):
        judge(28.0, spread(0.1), 28.0, 1.0, -1.0)


@pytest.mark.parametrize(
    ("angle", "speed", "expected"),
    [
        (23.8, "half", (4.2, 2.1, "advance")),
        (32.2, "half", (4.2, 2.1, "retard")),
        (32.2, "crank", (4.2, 4.2, "retard")),
        (28.1, "half", (0.0, 0.0, "none")),
    ],
)
def test_correction(angle: float, speed: CamSpeed, expected: tuple[float, float, str]) -> None:
    figures = Engine("pump", 28.0, 1.0, speed, WHEEL, (), plate_radius_mm=40.0)
    verdict = judge(angle, spread(0.2), 28.0, 1.0)
    found = correct(angle, 0.4, figures, verdict)
    crank, cam, turn = expected
    assert found.as_dict() == {
        "crank_deg": pytest.approx(crank), "cam_deg": pytest.approx(cam), "turn": turn
    }  # fmt: skip
    assert found.plate_mm == pytest.approx(40.0 * math.radians(cam))
    assert found.sure_deg == pytest.approx(max(0.0, crank - 0.4))


def test_an_outlier_is_questioned() -> None:
    # Grubbs' table, one in twenty two-sided: 1.155 for 3, 1.887 for 6 (from memory).
    assert outliers([28.0, 28.5, 28.0, 28.5, 28.0, 33.0], 1.0) == (5,)
    assert outliers([28.0, 28.0, 28.5], 1.0) == ()
    assert outliers([28.0, 29.0, 30.0, 28.5, 29.5, 31.0], 1.0) == ()
    rest = [-1.0, 1.0, -1.0, 1.0, 0.0]

    def far(x: float) -> float:
        values = np.array([*rest, x])
        return float((x - values.mean()) / values.std(ddof=1))

    edge = next(x for x in np.arange(1.0, 9.0, 0.01) if far(x) > 1.887)
    assert outliers([*rest, edge + 0.05], 1.0) == (5,) and not outliers([*rest, edge - 0.05], 1.0)
