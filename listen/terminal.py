"""A session in the terminal: a screen that stays in place, or lines only.

Both show what the session says and hold no job logic. Words and shapes carry the meaning; colour
only helps. The screen is made for 80 by 24 and takes what more there is for readings.
"""

import codecs
import os
import re
import sys
import textwrap
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

from rich.cells import cell_len
from rich.console import Console, Group
from rich.live import Live as Screenful
from rich.text import Text

from analysis.reading import Reading
from analysis.record import CylinderRecord
from listen.clock import clock
from listen.event import Event
from listen.event_text import event_text
from listen.job_steps import CAUTIONS, WHAT_TO_DO
from listen.live import Face, Inbox, Key, Status, TypedLine
from listen.session import Session
from listen.words import WORDS

DRAW_S = 0.5
UNKNOWN_S = 30.0
"""After how much sound without a known buzzer a face of lines says so."""
_POINTS = {
    "open": ("●──╱ ●", "POINTS OPEN", "bold reverse"),
    "closed": ("●────●", "points closed", "bold"),
}
_KEY = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]?|O.|[^\x1b\r])?|.", re.DOTALL)
_PLAIN_SHAPES = {"open": "o--/ o", "closed": "o----o"}
_ASKS = ("refused", "asked", "unheard")
_QUIET = ("refused", "level", "lost", "gap", "unkept", "asked", "unheard", "speech")
_HELP = [f"{words}: {meaning}" for words, meaning in (*WORDS, ("quit", "stop; resume goes on"))]


@dataclass
class Typing:
    """The line that is being typed."""

    line: str = ""
    last: str = ""

    def key(self, text: str) -> str | None:
        """Take a key; return the line when it is complete."""
        if text in ("\r", "\n"):
            said, self.line = self.line, ""
            self.last = said or self.last
            return said
        if text in ("\x7f", "\b"):
            self.line = self.line[:-1]
        elif text == "\x15":  # Ctrl-U
            self.line = ""
        elif text == "\x1b[A":  # arrow up
            self.line = self.last
        elif text == "\x04" and not self.line:  # Ctrl-D
            return "quit"
        elif text.isprintable():
            self.line += text
        return None


class LineFace:
    """Lines only: for a log, a pipe, or a reader of screens."""

    def begin(self, session: Session, status: Status, inbox: Inbox) -> None:
        """See `listen.live.Face`."""
        self._session, self._status = session, status
        self._waiting_said = False
        threading.Thread(target=self._read, args=(inbox,), daemon=True).start()
        for number, reading in session.listed():
            self._print(_row(session, number, reading).plain)
        self._step()

    def show(self, event: Event) -> None:
        """See `listen.live.Face`."""
        mark = "?" if event.kind in _ASKS else " "
        self._print(f"{clock(event.at_s)} {mark} {event_text(self._session, event)}")
        if event.kind in ("moved", "struck"):
            self._step()

    def key(self, key: Key) -> str | None:
        """See `listen.live.Face`; lines have no keys."""
        return None

    def tick(self) -> None:
        """See `listen.live.Face`; lines stand still, but for one when no buzzer is made out."""
        status = self._status
        if not (self._waiting_said or status.known) and status.heard_s > UNKNOWN_S:
            self._waiting_said = True
            self._print(f"{clock(status.now_s)} ! {_unknown(status)}")

    def end(self) -> None:
        """See `listen.live.Face`."""

    def _step(self) -> None:
        step = self._session.place.step
        self._print(f"== {self._session.place}: {WHAT_TO_DO[step]}")
        self._print(f"!! {CAUTIONS[step]}")

    @staticmethod
    def _print(line: str) -> None:
        print(line, flush=True)

    def _read(self, inbox: Inbox) -> None:
        """Take lines past sys.stdin, whose lock a waiting thread would hold at the end."""
        rest = b""
        while data := os.read(0, 65536):
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                self._take(line.decode("utf-8", "replace"), inbox)
        self._take(rest.decode("utf-8", "replace"), inbox)
        inbox.put(TypedLine("quit"))

    def _take(self, line: str, inbox: Inbox) -> None:
        if line.strip().casefold() in ("help", "?"):
            for words in _HELP:
                self._print(f"   {words}")
        else:
            inbox.put(TypedLine(line))


class ScreenFace:
    """A screen that stays in place, with the line that is typed at its foot."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(highlight=False)
        self._typing = Typing()
        self._said: deque[Text] = deque(maxlen=40)
        self._drawn_s = 0.0
        self._give_back: Any = None
        self._screen: Screenful | None = None

    def begin(self, session: Session, status: Status, inbox: Inbox) -> None:
        """See `listen.live.Face`."""
        self._session, self._status = session, status
        for event in session.events[-20:]:
            self._remember(event)
        self._keys_from_now(inbox)
        self._screen = Screenful(
            console=self._console, screen=True, auto_refresh=False, vertical_overflow="crop"
        )
        self._screen.start()
        self._draw()

    def show(self, event: Event) -> None:
        """See `listen.live.Face`."""
        self._remember(event)
        self._draw()

    def key(self, key: Key) -> str | None:
        """See `listen.live.Face`."""
        words = self._typing.key(key.text)
        if words is not None and words.strip().casefold() in ("help", "?"):
            self._said.extend(Text(line) for line in _HELP)
            words = None
        self._draw()
        return words

    def tick(self) -> None:
        """See `listen.live.Face`."""
        if time.monotonic() - self._drawn_s >= DRAW_S:
            self._draw()

    def end(self) -> None:
        """See `listen.live.Face`."""
        try:
            if self._screen is not None:
                self._screen.stop()
        finally:
            if self._give_back is not None:
                self._give_back()

    def _remember(self, event: Event) -> None:
        style = "yellow" if event.kind in _QUIET else ""
        mark = "?" if event.kind in _ASKS else "!" if event.kind in _QUIET else " "
        said = event_text(self._session, event)
        self._said.append(Text(f"{clock(event.at_s)} {mark} {said}", style=style))

    def _draw(self) -> None:
        self._drawn_s = time.monotonic()
        size = self._console.size
        shown = picture(
            self._session,
            self._status,
            list(self._said),
            self._typing.line,
            size.width,
            size.height,
            fancy=self._console.encoding.startswith("utf"),
        )
        if self._screen is not None:
            self._screen.update(shown, refresh=True)

    def _keys_from_now(self, inbox: Inbox) -> None:
        """Take single keys from the terminal, until `end` gives it back."""
        import termios
        import tty

        fd = sys.stdin.fileno()
        before = termios.tcgetattr(fd)
        self._give_back = lambda: termios.tcsetattr(fd, termios.TCSADRAIN, before)
        tty.setcbreak(fd)
        threading.Thread(target=_read_keys, args=(fd, inbox), daemon=True).start()


def face(plain: bool) -> Face:
    """Return the screen where there is one to draw on, and lines otherwise."""
    if plain or os.name == "nt" or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return LineFace()
    return ScreenFace()


def _read_keys(fd: int, inbox: Inbox) -> None:
    decoder = codecs.getincrementaldecoder("utf-8")("ignore")  # a letter may come in two parts
    while data := os.read(fd, 1024):
        for key in keys(decoder.decode(data)):
            inbox.put(Key(key))
    inbox.put(TypedLine("quit"))


def keys(text: str) -> list[str]:
    """Part what a terminal sends into keys: a letter each, and an arrow's signs together."""
    return _KEY.findall(text)


def picture(
    session: Session,
    status: Status,
    said: list[Text],
    typed: str,
    width: int,
    height: int,
    *,
    fancy: bool = True,
) -> Group:
    """Return the whole screen.

    Parameters
    ----------
    session : Session
        What is shown.
    status : Status
        What is shown beside it.
    said : list of Text
        What was said so far, newest last.
    typed : str
        The line that is being typed.
    width, height : int
        Of the screen, in characters.
    fancy : bool
        The terminal can show more than ASCII.
    """
    top = [*_heading(session, status, width), *_instruction(session, width)]
    middle = _now_lines(session, status, fancy)
    rule = Text(("─" if fancy else "-") * width, style="dim")
    foot = Text(f"> {typed[4 - width :]}_", style="bold")
    left = height - len(top) - len(middle) - 4
    below = min(len(said), max(3, left // 2 - 1)) if said else 0
    table = _readings(session, max(1, left - below))
    room = max(1, left - len(table))
    words = [line for text in said[-room:] for line in _said_lines(text, width)]
    lines = [*top, rule, *middle, rule, *table, rule, *words[-room:], foot]
    for line in lines:
        line.no_wrap, line.overflow = True, "ellipsis" if fancy else "crop"
        if not fancy:
            line.plain = line.plain.replace("±", "+-")
    padding = [Text("")] * (height - len(lines))
    return Group(*lines[:-1], *padding, lines[-1])


def _heading(session: Session, status: Status, width: int) -> list[Text]:
    here = session.place
    plan = session.plan
    at = f"Step {plan.index(here) + 1} of {len(plan)}" if here in plan else "Once more"
    name = Text(session.engine.name, style="bold")
    right = clock(status.now_s)
    name.truncate(width - len(right) - 2)
    gap = " " * (width - cell_len(name.plain) - len(right))
    return [
        name + Text(f"{gap}{right}", style="dim"),
        Text(f"{at}: {here}", style="bold"),
    ]


def _instruction(session: Session, width: int) -> list[Text]:
    step = session.place.step
    todo = WHAT_TO_DO[step]
    if step == "set" and session.place.cylinder:
        target = session.wheel_target(session.place.cylinder)
        todo += f" On this wheel: {target}." if target else " Dead centre is not known yet."
    return [*_wrapped(todo, width, ""), *_wrapped(f"! {CAUTIONS[step]}", width, "yellow")]


def _said_lines(text: Text, width: int) -> list[Text]:
    """Break what was said at the screen's edge, the rest under the words."""
    lines = textwrap.wrap(text.plain, width, subsequent_indent=" " * 10)
    return [Text(line, style=text.style) for line in lines]


def _wrapped(words: str, width: int, style: str) -> list[Text]:
    return [Text(line, style=style) for line in textwrap.wrap(words, width)[:3]]


def _now_lines(session: Session, status: Status, fancy: bool) -> list[Text]:
    last = session.changes[-1] if session.changes else None
    points = last.points if last else status.state
    line = Text(" ")
    if status.input is None:
        line.append("NOT LISTENING: no sound comes from the microphone", style="bold reverse")
    elif points in _POINTS:
        shape, words, style = _POINTS[points]
        line.append(f" {shape if fancy else _PLAIN_SHAPES[points]}  {words} ", style=style)
    elif status.known:
        line.append("points: not known yet")
    else:
        line.append(_unknown(status))
    still = session.still_s(status.now_s)
    if last is not None and still is not None:
        what = {"open": "opened", "closed": "closed", None: f"sound {last.change}"}[last.points]
        line.append(f"   {what} {_ago(still)} ago")
    if status.input is not None and status.now_s - status.heard_s > 3.0:
        line.append(f"   (the ear is {status.now_s - status.heard_s:.0f} s behind)")
    return [line, _level_line(status, fancy)]


def _unknown(status: Status) -> str:
    heard = f"no buzzer made out yet, {status.heard_s:.0f} s heard"
    return f"{heard}: open and close the points a few times"


def _level_line(status: Status, fancy: bool) -> Text:
    level = status.level
    if level is None or status.input is None:
        return Text(f"  level: -   {status.input or ''}", style="dim")
    full, empty = ("█", "░") if fancy else ("#", ".")
    bars = round(min(1.0, max(0.0, (level.mean_dbfs + 70) / 70)) * 14)
    word = {"good": "good", "clipped": "TOO LOUD", "quiet": "very quiet", "silent": "SILENCE"}
    return Text(
        f"  level {full * bars}{empty * (14 - bars)} {level.mean_dbfs:.0f} dB "
        f"{word[level.state]}   {status.input}",
        style="dim",
    )


def _ago(seconds: float) -> str:
    return f"{max(0.0, seconds):.1f} s" if seconds < 60 else f"{seconds / 60:.0f} min"


def _readings(session: Session, room: int) -> list[Text]:
    """Return the last readings, and the running mean of each cylinder and phase."""
    try:
        record = session.record()
    except ValueError as trouble:
        return [Text(str(trouble), style="yellow")]
    means = [line for c in record.cylinders for line in _means(c)]
    listed = session.listed()
    rows = [_row(session, number, reading) for number, reading in listed]
    rows = rows[-max(0, room - len(means)) :] if room > len(means) else []
    if not listed:
        return [Text("no readings yet; help lists the words", style="dim")]
    return [*rows, *means][:room]


def _row(session: Session, number: int, reading: Reading) -> Text:
    what = {"stop": "stop", "zeroed": "zeroed", "opening": "opens", "closing": "closes"}
    step = what[reading.step] + (" (found)" if reading.phase == "found" else "")
    line = f"{number:3}  cyl {reading.cylinder or '':3} {step:15} {reading.written:16}"
    if reading.step in ("opening", "closing"):
        change = session.taken_by(reading)
        line += f" at {change.time_s:.2f} s" if change else f" no {reading.step} heard yet"
    return Text(line)


def _means(cylinder: CylinderRecord) -> list[Text]:
    lines = []
    for phase, angle in cylinder.phases.items():
        side = "before" if angle.angle_deg >= 0 else "after"
        line = f"cyl {cylinder.figure.name} as {phase}: {abs(angle.angle_deg):.2f} {side}, "
        line += f"n {angle.n}"
        if angle.sd_deg is not None:
            line += f", spread {angle.sd_deg:.2f}"
        if angle.budget is not None:
            line += f", ± {angle.budget.U_deg:.1f}"
        else:
            line += ", as read (dead centre not known)"
        if phase == cylinder.phase:
            line += f": {cylinder.verdict.verdict.upper()}"
        lines.append(Text(line, style="bold"))
    return lines
