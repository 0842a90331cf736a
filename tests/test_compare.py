"""Lash, advance range, dwell, spread between cylinders: through the whole arithmetic."""

import math
from dataclasses import replace

import pytest

from analysis.change import Change
from analysis.engine import CylinderFigure, Engine
from analysis.record import TimingRecord
from analysis.timing import timing_record
from analysis.wheel import Wheel
from listen.readings_file import parse_readings
from listen.wording import comparisons

HEADING = "time_s,step,cylinder,reading,phase,advance,sweep,struck\n"
STOPS = "1,stop,1,18 before,,,,\n2,stop,1,15 after,,,,\n"


def engine(*fires_at: float, **figures: object) -> Engine:
    cylinders = tuple(CylinderFigure(str(n + 1), f) for n, f in enumerate(fires_at or (0.0,)))
    return Engine("pump", 28.0, 1.0, "half", Wheel(), cylinders, **figures)  # type: ignore[arg-type]


def job(rows: str, figures: Engine) -> TimingRecord:
    readings = parse_readings((HEADING + rows).encode(), figures)
    changes = [
        Change(r.time_s - 1.0, r.time_s - 0.9, 0.001, "starts",
               "open" if r.step == "opening" else "closed", 20.0)
        for r in readings if r.step in ("opening", "closing") and not r.struck
    ]  # fmt: skip
    return timing_record(changes, readings, figures)


def rows(start: int, step: str, *readings: float, cylinder: int = 1, rest: str = ",,,") -> str:
    return "".join(
        f"{start + 3 * n},{step},{cylinder},{reading},{rest}\n"
        for n, reading in enumerate(readings)
    )


def test_lash_is_backward_less_forward() -> None:
    text = (
        STOPS
        + rows(10, "opening", 29.5, 29.5, 30)
        + rows(30, "closing", 33.5, 33.5, 34, rest=",,backward,")
    )
    record = job(text, engine())
    lash = record.cylinders[0].comparisons["lash"]
    assert lash.value_deg == pytest.approx(4.0)
    # The wheel error goes out; what is left is two means of three, read to half a degree.
    assert 0.2 < lash.budget.U_deg < 0.8 and lash.beyond_chance
    assert record.cylinders[0].opens_at and record.cylinders[0].opens_at.n == 3
    assert "dwell" not in record.cylinders[0].comparisons


def test_advance_range_against_the_sheet() -> None:
    text = STOPS + rows(10, "opening", 29.5, 29.5) + rows(30, "opening", 9.5, 9.5, rest=",static,,")
    record = job(text, engine(static_opens_at_deg=8.0))
    (cylinder,) = record.as_dict()["cylinders"]
    found = cylinder["advance_range"]
    assert (found["value_deg"], found["cam_deg"], found["spec_deg"]) == (20.0, 10.0, 20.0)
    assert cylinder["opens_at"]["angle_deg"] == 28.0
    assert "advance range 20.0" in comparisons(record)[0]
    assert not any("advance unit" in warning for warning in record.warnings)
    record = job(text, engine(static_opens_at_deg=0.0))
    assert any("range of the advance unit is 20.0" in warning for warning in record.warnings)


def test_a_reading_of_another_cylinder_is_questioned_and_kept() -> None:
    record = job(STOPS + rows(10, "opening", 29.5, 29.5, 30, 29.5, 36.5), engine())
    assert record.cylinders[0].opens_at and record.cylinders[0].opens_at.n == 5
    assert any("opening 36.5" in w and "another cylinder" in w for w in record.warnings)


@pytest.mark.parametrize(("lobes", "closes", "dwell", "share"), [
    (1, "110.5 after", 290.0, 290 / 3.6), (4, "30.5 after", 60.0, 60 / 0.9),
])  # fmt: skip
def test_dwell(lobes: int, closes: str, dwell: float, share: float) -> None:
    # Opens at 28 before, true; closes 140 or 60 crank degrees on, 70 or 30 of the cam.
    text = STOPS + rows(10, "opening", 29.5, 29.5)
    text += f"31,closing,1,{closes},,,,\n34,closing,1,{closes},,,,\n"
    (cylinder,) = job(text, engine(lobes=lobes)).as_dict()["cylinders"]
    assert cylinder["dwell"]["value_deg"] == pytest.approx(dwell)
    assert cylinder["dwell"]["per_cent"] == pytest.approx(share)


@pytest.mark.parametrize(("cam_speed", "sheet", "dwell"), [
    ("half", None, 280.0), ("half", 275.0, 280.0), ("half", 105.0, 100.0), ("half", 200.0, 280.0),
    ("crank", 105.0, 200.0),
])  # fmt: skip
def test_points_open_for_more_than_a_turn_of_the_crank(
    cam_speed: str, sheet: float | None, dwell: float
) -> None:
    # Closes 160 crank degrees on by the wheel; with a cam at half speed it may be 520.
    text = STOPS + rows(10, "opening", 29.5, 29.5)
    text += "31,closing,1,130.5 after,,,,\n34,closing,1,130.5 after,,,,\n"
    figures = replace(engine(dwell_deg=sheet, dwell_tolerance_deg=6.0), cam_speed=cam_speed)
    record = job(text, figures)
    assert record.cylinders[0].comparisons["dwell"].value_deg == pytest.approx(dwell)
    fits = sheet is None or abs(dwell - sheet) < 6.0
    assert fits != any("the dwell is" in warning for warning in record.warnings)


def test_spread_between_cylinders_and_what_it_says() -> None:
    text = STOPS + rows(10, "opening", 29.5, 29.5) + rows(30, "opening", 26.5, 26.5, cylinder=2)
    record = job(text, engine(0, 360, spread_limit_deg=2.0))
    assert record.spread and record.spread.value_deg == pytest.approx(3.0)
    assert any("cam ring out of true" in warning for warning in record.warnings)


def test_what_both_share_goes_out_of_a_difference() -> None:
    found, left = rows(10, "opening", 20, 20.5, rest="found,,,"), rows(40, "opening", 29.5, 30)
    same = job(STOPS + found + left, engine()).cylinders[0].comparisons["moved"]
    assert same.value_deg == pytest.approx(9.5)
    assert {line.source for line in same.budget.lines if line.u_deg} == {
        "readings, spread", "readings, resolution"
    }  # fmt: skip
    zeroed = "30,zeroed,1,,,,,\n"
    moved = job(STOPS + found + zeroed + left, engine()).cylinders[0].comparisons["moved"]
    assert moved.value_deg == pytest.approx(11.0)
    assert moved.budget.U_deg > same.budget.U_deg
    assert any("setting the wheel" in line.source for line in moved.budget.lines)


def test_a_struck_reading_is_kept_and_used_for_nothing() -> None:
    text = STOPS + rows(10, "opening", 29.5, 29.5) + rows(20, "opening", 92.5, rest=",,,yes")
    record = job(text, engine())
    assert record.cylinders[0].opens_at and record.cylinders[0].opens_at.n == 2
    assert [reading.struck for reading in record.readings] == [False] * 4 + [True]
    assert not record.unpaired_readings


def test_a_wheel_off_centre_shows_between_cylinders() -> None:
    # The wheel reads 1.5 too far before at one dead centre and as much too far after half a turn
    # on: a sine of 1.5 degrees, less what the stops average out of it.
    opposite = "3,stop,2,165 after,,,,\n4,stop,2,162 before,,,,\n"
    record = job(STOPS + opposite + rows(10, "opening", 29.5, 29.5), engine(0, 180))
    assert record.cylinders[1].dead_centre.wheel_error_deg == pytest.approx(-1.5)
    share = math.radians(1.5) / math.cos(math.radians(16.5))
    assert any(f"differ by 3.0 degrees more than fires_at says: the wheel is off centre by "
               f"{share:.1%}" in warning for warning in record.warnings)  # fmt: skip
    opens_at = record.cylinders[0].opens_at
    assert opens_at and opens_at.budget
    assert "wheel off centre" in [line.source for line in opens_at.budget.lines]


def test_turning_through_the_opening_counts() -> None:
    record = job(STOPS + rows(10, "opening", 29.5, 29.5), engine(turning_deg_s=3.0, delay_s=0.1))
    opens_at = record.cylinders[0].opens_at
    assert opens_at and opens_at.budget
    (moment,) = [x for x in opens_at.budget.lines if x.source == "moment of the opening"]
    assert moment.value_deg == pytest.approx(0.3) and moment.distribution == "rectangular"
