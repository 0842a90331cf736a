"""The degree wheel: readings as the trade writes them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.wheel import Mark, Wheel, meanings, nearest, parse, show, wrap, write

WHEELS = [
    Wheel("before-after"),
    Wheel("0-360", rising=True),
    Wheel("0-360", rising=False),
    Wheel("quarters"),
]


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("34.5", Mark(34.5)),
        ("34 1/2", Mark(34.5)),
        ("34-1/2", Mark(34.5)),
        ("34½", Mark(34.5)),
        ("34 ¾ b", Mark(34.75, "before")),
        ("1/4 after", Mark(0.25, "after")),
        ("34,5 BEFORE", Mark(34.5, "before")),
        (" 15 after ", Mark(15.0, "after")),
        ("34.5btdc", Mark(34.5, "before", "top")),
        ("15° ATDC", Mark(15.0, "after", "top")),
        ("15 deg. a.t.d.c.", Mark(15.0, "after", "top")),
        ("28 degrees before top dead centre", Mark(28.0, "before", "top")),
        ("28 bbdc", Mark(28.0, "before", "bottom")),
        ("-2", Mark(2.0, "after")),
        ("\u22122", Mark(2.0, "after")),
        ("tdc", Mark(0.0)),
        ("0 before", Mark(0.0)),
    ],
)
def test_parse_takes_the_trades_forms(text: str, mark: Mark) -> None:
    assert parse(text) == mark


@pytest.mark.parametrize(
    "text", ["", "abc", "34.5.6", "34 3/2", "1/0", "-5 before", "28 bdc", "34..", "1e3", "5 off"]
)
def test_parse_says_what_it_would_take(text: str) -> None:
    with pytest.raises(ValueError, match=r"34 1/2|only one of them"):
        parse(text)


@given(st.text(max_size=20))
def test_parse_raises_nothing_but_value_error(text: str) -> None:
    try:
        mark = parse(text)
    except ValueError:
        return
    assert 0.0 <= mark.number < 1000.0


@pytest.mark.parametrize(
    ("text", "wheel", "angles"),
    [
        ("28 before", Wheel("before-after"), (28.0,)),
        ("28", Wheel("before-after"), (28.0, -28.0)),
        ("332", Wheel("0-360", rising=True), (28.0,)),
        ("332", Wheel("0-360", rising=False), (-28.0,)),
        ("360", Wheel("0-360"), (0.0,)),
        ("180", Wheel("0-360"), (180.0,)),
        ("15 after", Wheel("0-360", rising=True), (-15.0,)),
        ("28 before", Wheel("quarters"), (28.0, -152.0)),
        ("28 btdc", Wheel("quarters"), (28.0,)),
        ("20 bbdc", Wheel("quarters"), (-160.0,)),
    ],
)
def test_meanings(text: str, wheel: Wheel, angles: tuple[float, ...]) -> None:
    assert meanings(parse(text), wheel) == angles


@pytest.mark.parametrize(
    ("text", "wheel"),
    [
        ("400", Wheel("0-360")),
        ("200 before", Wheel("0-360")),
        ("181 after", Wheel("before-after")),
        ("91", Wheel("quarters")),
    ],
)
def test_a_number_off_the_wheel_is_refused(text: str, wheel: Wheel) -> None:
    with pytest.raises(ValueError, match="not on the wheel"):
        meanings(parse(text), wheel)


def test_a_missing_side_is_the_nearer_one() -> None:
    wheel = Wheel("before-after")
    assert nearest(parse("34.5"), wheel, 28.0) == 34.5
    assert nearest(parse("3"), wheel, -5.0) == -3.0
    assert nearest(parse("3"), wheel, 0.0) == 3.0


@given(
    st.integers(min_value=-180_000_000 + 1, max_value=180_000_000).map(lambda n: n / 1e6),
    st.sampled_from(WHEELS),
)
def test_what_a_wheel_shows_reads_back(angle: float, wheel: Wheel) -> None:
    (back,) = meanings(parse(write(angle, wheel)), wheel)
    assert abs(wrap(back - angle)) < 1e-9


@given(st.floats(min_value=-1e4, max_value=1e4))
def test_wrap_keeps_the_place_on_the_crank(angle: float) -> None:
    wrapped = wrap(angle)
    assert -180.0 < wrapped <= 180.0
    turns = (angle - wrapped) / 360.0
    assert turns == pytest.approx(round(turns), abs=1e-9)


def test_show() -> None:
    assert [show(a) for a in (34.5, -15.0, 0.0)] == ["34.5 before", "15 after", "0"]
