"""Standard output as it is met: of another encoding than UTF-8, full, or closed by its reader."""

import codecs
import io
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

_PLAIN = {
    "✓": "+", "✗": "x", "±": "+-", "…": "...", "–": "-", "─": "-", "°": " deg", "½": " 1/2",
    "∞": "inf", "●": "*", "○": "o",
}  # fmt: skip


def write_plainly() -> None:
    """Let signs that the encoding of the output has not be written in plain ones.

    A redirect on Windows has an encoding of a few hundred signs.
    """
    codecs.register_error("thirdear-plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="thirdear-plain")


def console() -> "Console":
    """Return what tables are printed by; where its reader has gone, a BrokenPipeError says so."""
    from rich.console import Console

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return Plain(highlight=False)


def let_go() -> None:
    """Write nothing any more, so that what is left does not fail again when the program ends."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
    except (AttributeError, OSError, ValueError):  # there is no such stream
        return


def _plain(trouble: UnicodeError) -> tuple[str, int]:
    if not isinstance(trouble, UnicodeEncodeError):
        raise trouble
    signs = trouble.object[trouble.start : trouble.end]
    return "".join(_PLAIN.get(sign, "?") for sign in signs), trouble.end
