"""What a session needs of this machine, looked at one by one, with what to do about each."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from listen.errors import BadInput
from listen.level import WHAT_TO_DO, LevelMeter

LISTEN_S = 3.0
ROOM_BYTES = 500_000_000
"""Two hours of sound, kept."""


@dataclass(frozen=True)
class Finding:
    """What one look showed.

    Attributes
    ----------
    what : str
    good : bool
    words : str
    needed : bool
        A session cannot do without it.
    """

    what: str
    good: bool
    words: str
    needed: bool = True


def examine(logbook: Path, device: str | None = None) -> Iterator[Finding]:
    """Look at the sound library, the inputs, the level, the ear, the disk and the logbook."""
    yield _look("sound library", _library)
    yield _look("inputs", _inputs)
    yield _level(device)
    yield _speech()
    yield _disk(logbook)
    yield _look("logbook", lambda: _logbook(logbook))


def _look(what: str, look: Callable[[], str]) -> Finding:
    try:
        return Finding(what, True, look())
    except BadInput as trouble:
        return Finding(what, False, str(trouble))


def _library() -> str:
    from listen.soundcard import inputs

    return inputs()[1]


def _inputs() -> str:
    from listen.soundcard import choose, inputs

    found, _ = inputs()
    usual = choose(found, None)
    return f"{len(found)}; the usual one is {usual.number} {usual.name}, {usual.rate_hz} Hz"


def _level(device: str | None) -> Finding:
    from listen.microphone import Lost, Microphone, Opened, Piece

    try:
        microphone = Microphone(device)
        meter, level, until = None, None, time.monotonic() + LISTEN_S
        for item in microphone.heard():
            if isinstance(item, Opened):
                meter = LevelMeter(item.rate_hz)
            elif isinstance(item, Lost):
                return Finding("level", False, item.why)
            elif isinstance(item, Piece) and meter is not None:
                level = meter.add(item.samples) or level
            if time.monotonic() > until:
                microphone.stop()
    except BadInput as trouble:
        return Finding("level", False, str(trouble))
    if level is None:
        return Finding("level", False, "the input gives no sound")
    words = f"{level.mean_dbfs:.0f} dB: {WHAT_TO_DO[level.state]}"
    return Finding("level", level.state == "good", words, needed=False)


def _speech() -> Finding:
    from listen import moonshine
    from listen.recogniser import OwnProcess
    from listen.voice import best_kind

    try:
        OwnProcess().end()
    except BadInput as trouble:
        return Finding("speech", False, str(trouble), needed=False)
    words = f"spoken readings are understood; voice: {best_kind()}"
    if not moonshine.installed():
        words += "; more is asked without the second speech model (pip install moonshine-cpp)"
    return Finding("speech", True, words)


def _disk(logbook: Path) -> Finding:
    folder = logbook.absolute().parent
    while not folder.is_dir():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    words = f"{free / 1e9:.1f} GB free in {folder}"
    if free < ROOM_BYTES:
        words += "; two hours of sound want 0.5 GB: make room, or use --no-sound-kept"
    return Finding("disk", free >= ROOM_BYTES, words, needed=False)


def _logbook(path: Path) -> str:
    """Look at it without changing it, also while a session goes on."""
    from listen.logbook import Logbook, Older

    if not path.exists():
        return f"{path} will be made"
    try:
        with Logbook(path, write=False) as book:
            book.check()
            words = f"{path}, {len(book.sessions())} session(s)"
    except Older:
        words = f"{path}, of an older version: the next session brings it up to date"
    if not (os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK)):
        raise BadInput(f"{path} cannot be written: change its rights or its folder's")
    return words
