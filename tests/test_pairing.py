"""Which reading belongs to which change."""

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.change import Change, Kind, Points
from analysis.pairing import pair, tell_points
from analysis.reading import Reading, ReadingStep
from analysis.wheel import Mark


def change(time_s: float, points: Points | None = "open", kind: Kind = "stops") -> Change:
    return Change(time_s, time_s + 0.01, 0.0003, kind, points, 20.0)


def reading(time_s: float, step: ReadingStep = "opening") -> Reading:
    return Reading(time_s, step, "1", Mark(28.0), "28")


def test_a_reading_takes_the_last_opening_before_it_that_is_free() -> None:
    changes = [change(10.0), change(12.0, "closed", "starts"), change(20.0), change(30.0)]
    readings = [reading(21.0), reading(22.0), reading(23.0), reading(31.0)]
    found = pair(changes, readings)
    assert [(p.reading.time_s, p.change.time_s) for p in found.openings] == [
        (21.0, 20.0),
        (22.0, 10.0),
        (31.0, 30.0),
    ]
    assert found.readings == (readings[2],)
    assert found.changes == (changes[1],)
    assert "no opening was heard" in found.warnings[0]


def test_closings_pair_with_closings() -> None:
    changes = [change(10.0), change(12.0, "closed", "starts")]
    found = pair(changes, [reading(13.0, "closing"), reading(14.0)])
    assert [p.change.time_s for p in found.closings] == [12.0]
    assert [p.change.time_s for p in found.openings] == [10.0]


def test_a_late_reading_is_paired_and_questioned() -> None:
    found = pair([change(10.0)], [reading(80.0)])
    assert len(found.openings) == 1
    assert "70 s after" in found.warnings[0]


def test_a_reading_past_the_end_is_not_paired() -> None:
    found = pair([change(10.0)], [reading(30.0)], end_s=20.0)
    assert len(found.readings) == len(found.changes) == 1
    assert "past the end" in found.warnings[0]


times = st.floats(0.0, 100.0)


@given(
    st.lists(st.builds(change, times, st.sampled_from(["open", "closed", None]))),
    st.lists(st.builds(reading, times, st.sampled_from(["opening", "closing", "stop"]))),
    st.none() | times,
)
def test_nothing_is_lost_or_paired_twice(
    changes: list[Change], readings: list[Reading], end_s: float | None
) -> None:
    found = pair(changes, readings, end_s)
    pairs = [*found.openings, *found.closings]
    assert Counter(map(id, [*(p.change for p in pairs), *found.changes])) == Counter(
        map(id, changes)
    )
    wanted = [r for r in readings if r.step != "stop"]
    assert Counter(map(id, [*(p.reading for p in pairs), *found.readings])) == Counter(
        map(id, wanted)
    )
    for p in pairs:
        assert p.change.time_s <= p.reading.time_s
        assert p.change.points == ("open" if p.reading.step == "opening" else "closed")


@pytest.mark.parametrize("kinds", [("stops", "starts"), ("starts", "stops"), ("shifts", "shifts")])
def test_untold_points_follow_from_the_readings(kinds: tuple[Kind, Kind]) -> None:
    changes = [change(10.0 * n, None, kinds[n % 2]) for n in range(6)]
    told, warnings = tell_points(changes, [reading(10.0 * n + 2.0) for n in (1, 3, 5)])
    assert [c.points for c in told] == ["closed", "open"] * 3
    assert "--sounding" in warnings[0]


def test_untold_points_that_the_readings_do_not_show_are_asked_for() -> None:
    changes = [change(10.0 * n, None, "shifts") for n in range(4)]
    told, warnings = tell_points(changes, [reading(1.0), reading(11.0)])
    assert all(c.points is None for c in told)
    assert "say --sounding" in warnings[0]


def test_told_points_are_left_alone() -> None:
    assert tell_points([change(1.0)], []) == ((change(1.0),), ())
