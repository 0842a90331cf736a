"""The whole job's arithmetic, from changes and readings to the record."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.change import Change
from analysis.engine import CylinderFigure, Engine
from analysis.record import Inputs, TimingRecord
from analysis.timing import timing_record
from analysis.wheel import Marks, Wheel
from listen.readings_file import parse_readings

COLUMNS = "time_s,step,cylinder,reading,phase\n"
STOPS = "1,stop,1,18 before\n2,stop,1,15 after\n"


def engine(
    *fires_at: float, marks: Marks = "before-after", rising: bool = False, figure: float = 28.0
) -> Engine:
    cylinders = tuple(CylinderFigure(str(n + 1), f) for n, f in enumerate(fires_at or (0.0,)))
    return Engine("pump", figure, 1.0, "half", Wheel(marks, rising, 1.0), cylinders)


def heard(*times: float) -> list[Change]:
    """Give an opening at each time, and the closing as the crank is backed off."""
    return [
        change
        for time in times
        for change in (
            Change(time, time + 0.01, 0.0003, "stops", "open", 20.0),
            Change(time + 4.0, time + 4.01, 0.0003, "starts", "closed", 20.0),
        )
    ]


def job(rows: str, figures: Engine, *times: float, end_s: float | None = None) -> TimingRecord:
    """Make a record; without times every opening reading has an opening just before it."""
    readings = parse_readings((COLUMNS + rows).encode(), figures)
    if not times:
        times = tuple(r.time_s - 1.0 for r in readings if r.step == "opening")
    return timing_record(heard(*times), readings, figures, inputs=Inputs(duration_s=end_s))


def openings(*readings: str, cylinder: str = "1", start: int = 10, phase: str = "") -> str:
    return "".join(
        f"{start + 10 * n},opening,{cylinder},{reading},{phase}\n"
        for n, reading in enumerate(readings)
    )


def angle(record: TimingRecord, place: int = 0) -> float:
    found = record.cylinders[place].opens_at
    assert found is not None
    return found.angle_deg


def test_the_whole_job() -> None:
    record = job(STOPS + openings("25.5 before", "25½", "25 1/2"), engine())
    shown = record.as_dict()
    (cylinder,) = shown["cylinders"]
    assert cylinder["dead_centre"]["wheel_error_deg"] == 1.5
    assert [(s["side"], s["reading_deg"]) for s in cylinder["dead_centre"]["stops"]] == [
        ("before", 18.0),
        ("after", -15.0),
    ]
    assert [o["angle_deg"] for o in cylinder["openings"]] == [24.0] * 3
    assert [o["time_s"] for o in cylinder["openings"]] == [9.0, 19.0, 29.0]
    assert (cylinder["opens_at"]["angle_deg"], cylinder["opens_at"]["n"]) == (24.0, 3)
    assert cylinder["opens_at"]["U_deg"] == pytest.approx(
        cylinder["opens_at"]["k"] * cylinder["opens_at"]["u_deg"], abs=1e-5
    )
    assert cylinder["verdict"] == "outside"
    assert cylinder["correction"] == {"crank_deg": 4.0, "cam_deg": 2.0, "turn": "advance"}
    assert shown["schema"] == "thirdear/record/1"
    assert len(shown["unpaired"]["changes"]) == 3
    assert shown["warnings"] == [] and not record.look_here
    assert "NaN" not in json.dumps(shown, allow_nan=False)


@pytest.mark.parametrize(
    ("marks", "rising", "stops", "reading"),
    [
        ("before-after", False, ("18 before", "15 after"), "29.5"),
        ("before-after", False, ("18", "15 after"), "29.5 btdc"),
        ("0-360", True, ("342", "15"), "330.5"),
        ("0-360", False, ("18", "345"), "29.5"),
        ("quarters", False, ("18 before", "15 after"), "29.5"),
    ],
)
def test_every_wheel_shows_the_same_job(
    marks: Marks, rising: bool, stops: tuple[str, str], reading: str
) -> None:
    rows = f"1,stop,1,{stops[0]}\n2,stop,1,{stops[1]}\n" + openings(*[reading] * 3)
    record = job(rows, engine(marks=marks, rising=rising))
    assert record.cylinders[0].dead_centre.wheel_error_deg == pytest.approx(1.5)
    assert angle(record) == pytest.approx(28.0)
    assert not record.look_here


def test_readings_astride_the_0_of_a_360_wheel() -> None:
    rows = "1,stop,1,342\n2,stop,1,15\n" + openings("1", "359", "0")
    assert angle(job(rows, engine(marks="0-360", rising=True, figure=0.0))) == pytest.approx(-1.5)


def test_after_zeroed_readings_are_true() -> None:
    record = job(STOPS + "5,zeroed,1,\n" + openings("28", "28", "28"), engine())
    dead_centre = record.cylinders[0].dead_centre
    assert angle(record) == 28.0
    assert (dead_centre.source, dead_centre.wheel_error_deg) == ("zeroed", 1.5)
    measured = dead_centre.measured
    assert measured and dead_centre.u_deg and dead_centre.u_deg > measured.budget.u_deg
    assert not record.look_here


def test_stops_after_zeroed_measure_the_wheel_again() -> None:
    again = "6,stop,1,17 before\n7,stop,1,16 after\n"
    record = job(STOPS + "5,zeroed,1,\n" + again + openings("28.5", "28.5"), engine())
    assert record.cylinders[0].dead_centre.wheel_error_deg == 0.5
    assert angle(record) == 28.0


def test_zeroed_with_no_stops_is_taken_as_true_and_said() -> None:
    record = job("5,zeroed,,\n" + openings("28", "28", "28"), engine())
    assert angle(record) == 28.0
    assert record.cylinders[0].verdict.verdict == "within"
    assert any("no pair of stops before it" in warning for warning in record.warnings)


@pytest.mark.parametrize(
    ("stops", "words"),
    [
        ("1,stop,1,18 before\n", "no partner on the other side for stop 18 before"),
        ("1,stop,1,18 before\n2,stop,1,15 before\n", "on the same side"),
        ("1,stop,1,100 before\n2,stop,1,90 after\n", "190 degrees apart, which cannot be"),
        ("", "dead centre is not known"),
    ],
)
def test_without_dead_centre_angles_are_as_read(stops: str, words: str) -> None:
    record = job(stops + openings("28", "28", "28"), engine())
    (cylinder,) = record.as_dict()["cylinders"]
    assert cylinder["dead_centre"]["wheel_error_deg"] is None
    assert cylinder["opens_at"]["angle_deg"] == 28.0
    assert cylinder["opens_at"]["as_read"] and cylinder["opens_at"]["U_deg"] is None
    assert cylinder["verdict"] == "undecided"
    assert cylinder["correction"] == {"crank_deg": None, "cam_deg": None, "turn": "none"}
    assert any(words in warning for warning in record.warnings)
    assert len(record.unpaired_readings) == stops.count("stop")


def test_a_lone_stop_beside_a_pair_leaves_the_rest_sound() -> None:
    record = job(STOPS + "3,stop,1,18 before\n" + openings("29.5", "29.5"), engine())
    assert angle(record) == 28.0
    assert [reading.row for reading in record.unpaired_readings] == [4]
    assert len(record.cylinders[0].dead_centre.stops) == 3


def test_a_pair_that_jumps_is_questioned_and_kept() -> None:
    rows = "".join(
        f"{n},stop,1,{a} before\n{n},stop,1,{b} after\n"
        for n, a, b in [(1, 18, 15), (2, 18, 15), (3, 21, 15)]
    )
    record = job(rows + openings("30", "30"), engine())
    assert angle(record) == 28.0
    assert any("stop pair 3 does not fit" in warning for warning in record.warnings)


def test_stops_of_unknown_side_need_one() -> None:
    with pytest.raises(ValueError, match=r"stop 18 \(row 2\) does not tell its side"):
        job("1,stop,1,18\n2,stop,1,15\n" + openings("28"), engine())
    equal = job("1,stop,1,16.5\n2,stop,1,16.5\n" + openings("28", "28"), engine())
    assert equal.cylinders[0].dead_centre.wheel_error_deg == 0.0


def test_a_twin_on_one_crank_pin_shares_the_mark() -> None:
    rows = STOPS + openings("29.5", "29.5") + openings("29.5", "29.5", cylinder="2", start=50)
    record = job(rows, engine(0, 360))
    assert angle(record, 1) == 28.0
    assert record.cylinders[1].dead_centre.source == "carried"
    assert not record.look_here
    assert any("the same mark" in note for note in record.notes)


@pytest.mark.parametrize("reading", ["150.5 after", "29.5 before", "150.5"])
def test_a_180_twin_carries_dead_centre_over(reading: str) -> None:
    # 28 before the second cylinder's dead centre is 152 after the first one's; the wheel reads
    # 1.5 too far before.
    rows = STOPS + openings("29.5", "29.5") + openings(*[reading] * 2, cylinder="2", start=50)
    record = job(rows, engine(0, 180))
    assert angle(record, 1) == pytest.approx(28.0)
    assert any("carried over by fires_at = 180" in warning for warning in record.warnings)


@pytest.mark.parametrize(
    ("stops", "reading"),
    [
        (("162.5 after", "165.5 before"), "150.5 after"),
        (("18 before", "15 after"), "29.5 before"),
    ],
)
def test_a_cylinders_own_stops_tell_its_mark(stops: tuple[str, str], reading: str) -> None:
    own = f"41,stop,2,{stops[0]}\n42,stop,2,{stops[1]}\n"
    rows = STOPS + openings("29.5", "29.5") + own
    rows += openings(*[reading] * 2, cylinder="2", start=50)
    record = job(rows, engine(0, 180))
    assert record.cylinders[1].dead_centre.wheel_error_deg == pytest.approx(1.5)
    assert angle(record, 1) == pytest.approx(28.0)
    assert not record.look_here


def test_as_found_and_as_left_are_kept_apart() -> None:
    found = openings("22", "22", phase="found")
    record = job(STOPS + found + openings("29.5", "29.5", start=50, phase="left"), engine())
    assert angle(record) == 28.0
    assert record.cylinders[0].phases["found"].angle_deg == 20.5
    only_found = job(STOPS + found, engine())
    assert angle(only_found) == 20.5
    assert any("as found" in note for note in only_found.notes)


def test_no_reading_and_one_reading() -> None:
    record = job(STOPS + openings("29.5"), engine(0, 360))
    one, none = record.as_dict()["cylinders"]
    assert one["opens_at"]["n"] == 1 and one["opens_at"]["sd_deg"] is None
    assert none["opens_at"] is None and none["verdict"] == "undecided"
    assert {"one opening reading only", "no opening reading"} <= {
        words.split(": ")[1].split(";")[0].split(",")[0] for words in record.warnings
    }


def test_openings_and_readings_without_a_partner_are_listed() -> None:
    record = job(STOPS + openings("29.5", "29.5"), engine(), 9.0, 12.0, 15.0)
    assert [c.time_s for c in record.unpaired_changes if c.points == "open"] == [12.0]
    assert any("1 opening was heard that no reading" in warning for warning in record.warnings)
    record = job(STOPS + openings("29.5", "29.5"), engine(), 9.0)
    assert [reading.time_s for reading in record.unpaired_readings] == [20.0]
    assert record.look_here


def test_readings_past_the_end() -> None:
    record = job(STOPS + openings("29.5", "29.5", "29.5"), engine(), 9.0, 19.0, 25.0, end_s=26.0)
    assert [reading.time_s for reading in record.unpaired_readings] == [30.0]
    assert any("past the end of the recording, 26.0 s" in warning for warning in record.warnings)
    record = job(STOPS + openings("29.5"), engine(), 0.5, end_s=1.5)
    assert record.cylinders[0].dead_centre.wheel_error_deg == 1.5


rows = st.tuples(
    st.sampled_from(["stop", "zeroed", "opening", "closing"]),
    st.sampled_from(["1", "2"]),
    st.sampled_from(["18 before", "15 after", "28", "0", "60 btdc", "90 after", "20 bbdc"]),
    st.sampled_from(["found", "left"]),
)


@given(
    st.lists(rows, min_size=1, max_size=12),
    st.sampled_from([0.0, 90.0, 180.0, 360.0]),
    st.sampled_from(["before-after", "0-360", "quarters"]),
    st.sampled_from([(), (5.5, 6.5, 20.0)]),
)
def test_no_reading_and_no_change_is_lost(
    given_rows: list[tuple[str, str, str, str]],
    fires_at: float,
    marks: Marks,
    times: tuple[float, ...],
) -> None:
    lines = "".join(
        f"{n},{step},{cylinder},{'' if step == 'zeroed' else text},{phase}\n"
        for n, (step, cylinder, text, phase) in enumerate(given_rows)
    )
    try:
        record = job(lines, engine(0.0, fires_at, marks=marks), *times)
    except ValueError as trouble:
        assert re.search("does not tell its side|both stops are at 0", str(trouble))
        return
    shown = record.as_dict()
    json.dumps(shown, allow_nan=False)
    kept = [r["row"] for r in shown["unpaired"]["readings"]]
    for cylinder in shown["cylinders"]:
        kept += [o["row"] for o in (*cylinder["openings"], *cylinder["closings"])]
        kept += [s["row"] for s in cylinder["dead_centre"]["stops"] if s["row"] not in kept]
    kept += [r["row"] for r in shown["readings"] if r["step"] == "zeroed"]
    assert sorted(kept) == list(range(2, 2 + len(given_rows)))
    paired = sum(len(c["openings"]) + len(c["closings"]) for c in shown["cylinders"])
    assert paired + len(shown["unpaired"]["changes"]) == record.changes_heard
