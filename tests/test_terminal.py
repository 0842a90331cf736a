"""The screen's picture and the line that is typed."""

import io
import queue

import pytest
from rich.console import Console
from rich.text import Text
from test_session import Bench

from listen.event_text import event_text
from listen.level import Level
from listen.live import Inbox, Status
from listen.terminal import ScreenFace, Typing, _read_keys, keys, picture


def drawn(bench: Bench, status: Status, width: int, height: int, fancy: bool = True) -> list[str]:
    said = [Text(event_text(bench.session, event)) for event in bench.session.events]
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
    level = Level(-23.0, "good")
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


def test_keys_are_parted() -> None:
    assert keys("3\x1b[A4") == ["3", "\x1b[A", "4"]
    assert keys("\x1b[1;5C\x1bOPé\x1b\r") == ["\x1b[1;5C", "\x1bOP", "é", "\x1b", "\r"]


def test_a_letter_may_come_in_two_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    parts = iter([b"\xc3", b"\xa9\x1b[A", b""])
    inbox: Inbox = queue.SimpleQueue()
    with monkeypatch.context() as patched:
        patched.setattr("listen.terminal.os.read", lambda *_: next(parts))
        _read_keys(0, inbox)
    assert [inbox.get().text for _ in range(3)] == ["é", "\x1b[A", "quit"]


def test_a_screen_that_was_never_started_can_end() -> None:
    ScreenFace(Console(file=io.StringIO())).end()
