"""The screen's picture and the line that is typed."""

import io

import pytest
from rich.console import Console
from rich.text import Text
from test_session import Bench

from listen.level import Level
from listen.live import Status
from listen.terminal import Typing, picture


def drawn(bench: Bench, status: Status, width: int, height: int, fancy: bool = True) -> list[str]:
    said = [Text(bench.session.say(event)) for event in bench.session.events]
    shown = picture(bench.session, status, said, "note h", width, height, fancy=fancy)
    file = io.StringIO()
    Console(file=file, width=width, height=height, color_system=None).print(shown)
    return file.getvalue().split("\n")[:-1]


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    for words in ("go centre", "18 before", "15 after", "go check"):
        bench.say(words)
    for written in ("29.5", "29.25", "29 3/4"):
        bench.sweep(written)
    bench.hear("open")
    return bench


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 16), (60, 20), (200, 70)])
@pytest.mark.parametrize("fancy", [True, False])
def test_the_screen_fits(bench: Bench, width: int, height: int, fancy: bool) -> None:
    level = Level(-23.0, -12.0, "good")
    status = Status("Built-in Audio, 48000 Hz", level, "open", True, bench.at_s, bench.at_s)
    lines = drawn(bench, status, width, height, fancy)
    assert len(lines) == height
    assert max(map(len, lines)) <= width
    assert lines[-1].strip() == "> note h_"
    assert any("POINTS OPEN" in line for line in lines)
    assert fancy or "".join(lines).isascii()
    if (width, height) == (80, 24):
        assert any("cyl 1 as left: 28.00 before, n 3, spread 0.25" in line for line in lines)


def test_silence_an_unknown_buzzer_and_a_slow_ear_are_said(bench: Bench) -> None:
    gone = drawn(bench, Status(None, None, None, True, 1.0, 9.0), 80, 24)
    assert any("NOT LISTENING" in line for line in gone)
    unknown = drawn(Bench(), Status("input", heard_s=12.0, now_s=12.1), 80, 24)
    assert any("no buzzer made out yet, 12 s heard" in line for line in unknown)
    slow = drawn(bench, Status("input", None, None, True, 1.0, 9.0), 80, 24)
    assert any("the ear is 8 s behind" in line for line in slow)


def test_keys_make_a_line() -> None:
    typing = Typing()
    for key in "34 1/3":
        assert typing.key(key) is None
    typing.key("\x7f")
    typing.key("2")
    assert typing.line == "34 1/2"
    assert typing.key("\r") == "34 1/2"
    typing.key("\x1b[A")
    assert typing.line == "34 1/2"
    typing.key("\x1b[C")
    typing.key("\x15")
    assert typing.line == ""
    assert typing.key("\x04") == "quit"
