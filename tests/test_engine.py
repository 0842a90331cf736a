"""The engine sheet."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.engine import engine_from
from analysis.wheel import Wheel
from listen.errors import BadInput
from listen.sheet import read_sheet

SHEET = """
name = "Museum fire pump"
[ignition]
opens_at = "28 before"      # at full advance
tolerance_deg = 1.0
cam_speed = "half"
[crank]
stroke_mm = 84.0
rod_mm = 160.0
[wheel]
marks = "before-after"
graduation_deg = 1.0
[[cylinder]]
name = "1"
fires_at = 0
[[cylinder]]
name = "2"
fires_at = 180
"""


def sheet(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "pump.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_sheet_is_read(tmp_path: Path) -> None:
    engine = read_sheet(sheet(tmp_path, SHEET))
    assert (engine.name, engine.opens_at_deg, engine.tolerance_deg) == ("Museum fire pump", 28, 1)
    assert engine.wheel == Wheel("before-after", False, 1.0)
    assert [(c.name, c.fires_at_deg) for c in engine.cylinders] == [("1", 0), ("2", 180)]
    assert engine.assumed == ()


def test_everything_a_sheet_can_say(tmp_path: Path) -> None:
    text = SHEET.replace(
        'cam_speed = "half"',
        """cam_speed = "half"
static_opens_at = "8 before"
spread_limit_deg = 2
dwell_deg = 60
lobes = 4
firing_order = ["1", "2"]
plate_radius_mm = 32""",
    )
    text = text.replace(
        "graduation_deg = 1.0",
        """graduation_deg = 1.0
read_to_deg = 0.25
parallax_deg = 0
off_centre_mm = 0.5
radius_mm = 100
[method]
turning_deg_s = 3
delay_s = 0.1""",
    )
    engine = read_sheet(sheet(tmp_path, text))
    assert (engine.static_opens_at_deg, engine.lobes, engine.firing_order) == (8.0, 4, ("1", "2"))
    wheel = engine.wheel
    assert (wheel.read_to_deg, wheel.parallax_deg, wheel.off_centre) == (0.25, 0.0, 0.005)
    assert (engine.turning_deg_s, engine.delay_s) == (3.0, 0.1)
    assert engine.firing_intervals_deg == (180.0, 540.0)


@pytest.mark.parametrize(
    ("cam_speed", "second", "intervals"),
    [
        ("half", 180, (180.0, 540.0)),
        ("half", 360, (360.0, 360.0)),
        ("crank", 180, (180.0, 180.0)),
        ("crank", 360, (360.0,)),  # both at once, every turn of the crank
        ("crank", 540, (180.0, 180.0)),
    ],
)
def test_a_cam_at_the_cranks_speed_fires_every_turn(
    tmp_path: Path, cam_speed: str, second: int, intervals: tuple[float, ...]
) -> None:
    text = SHEET.replace('cam_speed = "half"', f'cam_speed = "{cam_speed}"')
    text = text.replace("fires_at = 180", f"fires_at = {second}")
    assert read_sheet(sheet(tmp_path, text)).firing_intervals_deg == intervals


def test_what_the_sheet_leaves_out_is_said() -> None:
    engine = engine_from(
        {
            "name": "single",
            "ignition": {"opens_at": 5, "tolerance_deg": 1},
            "wheel": {"marks": "0-360"},
            "cylinder": [{"name": 1}],
        }
    )
    assert engine.opens_at_deg == 5.0
    assert engine.cylinders[0].name == "1"
    assert len(engine.assumed) == 3


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("tolerance_deg = 1.0", "tolerance = 1.0", r"tolerance .*\[ignition\].*tolerance_deg"),
        ("stroke_mm = 84.0", "stroke_in = 3.3", r"stroke_in .*\[crank\].*stroke_mm"),
        ("[crank]", "[crnk]", r"crnk .*did you mean crank"),
        ("tolerance_deg = 1.0", 'tolerance_deg = "1 deg"', r"tolerance_deg .*number of crank deg"),
        ("tolerance_deg = 1.0", "tolerance_deg = true", r"tolerance_deg .*number"),
        ("tolerance_deg = 1.0", "tolerance_deg = nan", r"tolerance_deg .*number"),
        ("tolerance_deg = 1.0", "tolerance_deg = -1", r"cannot be"),
        ("tolerance_deg = 1.0", "", r"tolerance_deg is missing in \[ignition\]"),
        ('opens_at = "28 before"', 'opens_at = "28 mm"', r"opens_at .*not a wheel reading"),
        ('opens_at = "28 before"', "opens_at = 400", r"opens_at .*not on the wheel"),
        ('cam_speed = "half"', 'cam_speed = "double"', r'cam_speed .*"half" or "crank"'),
        ('marks = "before-after"', 'marks = "360"', r"marks in \[wheel\]"),
        ("rod_mm = 160.0", "rod_mm = 40.0", r"longer than half the stroke"),
        ("graduation_deg = 1.0", "graduation_deg = 0", r"graduation_deg = 0 .*cannot be"),
        ("fires_at = 180", "fires_at = 720", r"number 2 cannot be"),
        ("fires_at = 180", "", r"fires_at is missing in \[\[cylinder\]\] number 2"),
        ("fires_at = 0", "fires_at = 90", r"no \[\[cylinder\]\] has fires_at = 0"),
        ('name = "2"', 'name = "1"', r"two cylinders are named '1'"),
        ("[[cylinder]]", "[[cylinders]]", r"cylinders .*did you mean cylinder"),
        ("[wheel]", "[wheel", r"is not TOML"),
        ("rod_mm = 160.0", "rod_mm = 160.0\noffset_mm = 130", r"the crank would not turn"),
        ('cam_speed = "half"', "lobes = 1.5", r"whole number"),
        ('cam_speed = "half"', "lobes = 4\ndwell_deg = 95", r"dwell_deg = 95 .*at most 90"),
        ('cam_speed = "half"', 'firing_order = ["1", "3"]', r"name every cylinder once"),
        ("graduation_deg = 1.0", "off_centre_mm = 1", r"radius_mm is missing in \[wheel\]"),
    ],
)
def test_a_wrong_sheet_names_file_and_key(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(BadInput, match=r"pump\.toml.*" + words) as caught:
        read_sheet(sheet(tmp_path, SHEET.replace(old, new)))
    assert "\n" not in str(caught.value)


def test_a_sheet_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path / "no.toml", tmp_path):
        with pytest.raises(BadInput, match="cannot read the sheet"):
            read_sheet(path)
    path = tmp_path / "pump.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput, match="UTF-8"):
        read_sheet(path)


toml_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["name", "ignition", "wheel", "crank", "cylinder", "opens_at", "marks", "fires_at"]
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.sampled_from(["name", "ignition", "wheel", "cylinder"]), toml_values))
def test_any_tables_raise_nothing_but_value_error(tables: dict[str, object]) -> None:
    try:
        engine_from(tables)
    except ValueError as trouble:
        assert str(trouble)
