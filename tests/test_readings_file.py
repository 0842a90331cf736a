"""The readings file."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.engine import CylinderFigure, Engine
from analysis.wheel import Mark, Wheel
from listen.errors import BadInput
from listen.readings_file import parse_readings, read_readings

ENGINE = Engine(
    "pump", 28.0, 1.0, "half", Wheel(), (CylinderFigure("1", 0.0), CylinderFigure("B", 360.0))
)
HEAD = "time_s,step,cylinder,reading\n"


def test_a_file_is_read() -> None:
    text = "time_s, step ,Cylinder,reading,phase\n# the pump\n4.5,stop,1,18 before,\n\n"
    text += "9,zeroed,,,\n12.25,Opening,b,29 1/2,found\n13,closing,1,20 after,left\n"
    stop, zeroed, opening, closing = parse_readings(text.encode(), ENGINE)
    assert (stop.time_s, stop.step, stop.cylinder, stop.phase) == (4.5, "stop", "1", "left")
    assert (stop.mark, stop.row) == (Mark(18.0, "before"), 3)
    assert (zeroed.step, zeroed.cylinder, zeroed.mark) == ("zeroed", None, None)
    assert (opening.cylinder, opening.mark, opening.phase) == ("B", Mark(29.5), "found")
    assert (opening.written, opening.row) == ("29 1/2", 6)
    assert closing.step == "closing"


@pytest.mark.parametrize(
    "data",
    [
        (HEAD + "5,opening,1,34½\n").encode("utf-8-sig"),
        (HEAD + "5,opening,1,34½\n").encode("cp1252"),
        (HEAD + "5,opening,1,34½\n").encode("utf-16"),
        (HEAD + "5,opening,1,34.5").replace("\n", "\r\n").encode(),
        (HEAD + '5,opening,1,"34,5"').encode(),
        (HEAD + "5 , opening , 1 , 34-1/2 ,,\n").encode(),
        b"time_s;step;cylinder;reading\n5,0;opening;1;34,5\n",
        b"reading\tcylinder\tstep\ttime_s\n34.5\t1\topening\t5\n",
    ],
)
def test_what_spreadsheets_make_of_it(data: bytes) -> None:
    (reading,) = parse_readings(data, ENGINE)
    assert (reading.time_s, reading.step, reading.mark) == (5.0, "opening", Mark(34.5))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        (HEAD, "no readings in it"),
        ("time_s,step,reading\n1,stop,18 before\n", "no column cylinder"),
        ("time_s,step,cylinder,reading,colour\n", "'colour' is not known"),
        ("time_s,step,cylinder,reading,step\n", "'step' is there twice"),
        (HEAD + "1,stop,1,18 before\n2,opening,1,lots\n", "row 3: 'lots' .*34 1/2"),
        (HEAD + "1,opening,1,\n", "row 2: '' is not a wheel reading"),
        (HEAD + "1,opening,1,200 before\n", "row 2: 200 before is not on the wheel"),
        (HEAD + "1,open,1,28\n", "row 2: step 'open' .*stop, zeroed, opening, closing"),
        (HEAD + "1,opening,3,28\n", "row 2: cylinder '3' is not on the sheet, which has 1, B"),
        (HEAD + "soon,opening,1,28\n", "row 2: time_s 'soon' should be seconds"),
        (HEAD + "-1,opening,1,28\n", "row 2: time_s"),
        (HEAD + "nan,opening,1,28\n", "row 2: time_s"),
        (HEAD + "5,opening,1,28\n4,opening,1,28\n", "row 3: time 4 s is earlier"),
        (HEAD + "1,zeroed,1,28\n", "row 2: a zeroed step has no reading"),
        (HEAD + "1,stop,1,18\n2,stop,1,15\n", r"stop 18 \(row 2\) does not tell its side; write"),
        (HEAD + "1,opening,1,34,5\n", "row 2 has 5 fields"),
        (HEAD + '1,opening,1,"28\n2,opening,1,"28\n', "quote|CSV"),
        ("time_s,step,cylinder,reading,phase\n1,opening,1,28,before\n", "row 2: phase 'before'"),
        (HEAD + "1,opening,1,28\0\n", "not a text file"),
    ],
)
def test_a_fault_is_named_with_its_row(text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        parse_readings(text.encode(), ENGINE)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot read the readings"):
        read_readings(tmp_path / "no.csv", ENGINE)


def test_a_comment_with_a_quote_swallows_nothing() -> None:
    text = HEAD + '# half turn, "roughly\n1,opening,1,28\n2,opening,1,28\n# "done\n'
    assert len(parse_readings(text.encode(), ENGINE)) == 2


cells = st.sampled_from(
    ["1", "2.5", "stop", "zeroed", "opening", "28 before", "15 after", "34½", "", '"', "x", "B"]
)


@given(
    st.binary(max_size=60).map(lambda data: HEAD.encode() + data)
    | st.binary(max_size=60)
    | st.lists(st.lists(cells, min_size=3, max_size=5).map(",".join)).map(
        lambda rows: (HEAD + "\n".join(rows)).encode()
    )
)
def test_any_bytes_raise_nothing_but_bad_input(data: bytes) -> None:
    try:
        assert parse_readings(data, ENGINE)
    except BadInput as trouble:
        assert str(trouble)


@given(
    st.lists(st.sampled_from(["1,opening,1,28", "1,stop,B,18 before", "1,zeroed,,"]), min_size=1)
)
def test_no_row_is_dropped(rows: list[str]) -> None:
    assert len(parse_readings((HEAD + "\n".join(rows)).encode(), ENGINE)) == len(rows)
