"""A part of the program in a process of its own, which is asked and answers, one thing at a time.

What can hang or crash runs so: it is ended without harm, and nothing here waits for Python's lock
while it works. A question is any bytes after their number; an answer is a line of JSON.
"""

import contextlib
import json
import os
import queue
import struct
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any, BinaryIO

SIZE = struct.Struct("<I")


class Gone(Exception):
    """The process does not answer, or has ended; it says which."""


class Child:
    """A module of this program, running in a process of its own.

    Parameters
    ----------
    module : str
        Its name; it calls `serve` when it is run.
    *arguments : str
    """

    def __init__(self, module: str, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", module, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the program alone
        )
        self._answers: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._hangs = False
        threading.Thread(target=self._read, daemon=True).start()

    def ask(self, question: bytes, patience_s: float) -> Any:
        """Ask, and return the answer.

        Parameters
        ----------
        question : bytes
            As the module's `serve` takes it.
        patience_s : float
            How long to wait for the answer.

        Raises
        ------
        Gone
            If none comes in time. The process is then ended.
        """
        # A process that hangs does not take a long question in, either.
        threading.Thread(target=self._write, args=(question,), daemon=True).start()
        return self.answer(patience_s)

    def answer(self, patience_s: float) -> Any:
        """Return the next answer.

        Raises
        ------
        Gone
            As `ask` does.
        """
        try:
            line = self._answers.get(timeout=patience_s)
        except queue.Empty:
            self._hangs = True
            self.end()
            raise Gone("hangs") from None
        # A line that is cut short: it died in the middle of it.
        if line is None or not line.endswith(b"\n"):
            self.end()
            raise Gone("ended by itself")
        return json.loads(line)

    @property
    def gone(self) -> str | None:
        """How the process came to be there no more; None while it is there."""
        if self._process.poll() is None:
            return None
        return "hangs" if self._hangs else "ended by itself"

    def end(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._process.wait()
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()

    def _write(self, question: bytes) -> None:
        assert self._process.stdin is not None
        with contextlib.suppress(OSError, ValueError):
            self._process.stdin.write(SIZE.pack(len(question)) + question)
            self._process.stdin.flush()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as out:
            for line in out:
                self._answers.put(line)
        self._answers.put(None)


def serve(answer: Callable[[bytes], Any], ready: Any = None) -> None:
    """Be the process: answer questions until there are no more.

    Parameters
    ----------
    answer : callable
        Takes a question, returns what JSON can hold.
    ready : optional
        The first answer, before any question.
    """
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is no answer
    _say(out, ready)
    source = sys.stdin.buffer
    while len(size := source.read(SIZE.size)) == SIZE.size:
        _say(out, answer(source.read(SIZE.unpack(size)[0])))


def _say(out: BinaryIO, words: Any) -> None:
    out.write(json.dumps(words).encode() + b"\n")
    out.flush()
