"""The recogniser in a process of its own: the session goes on whatever becomes of it.

The process is this module: ``python -m listen.recogniser [MODEL]``.
"""

import contextlib
import sys
from collections.abc import Callable
from dataclasses import astuple
from pathlib import Path
from typing import Any

import numpy as np

from analysis.sound import Samples
from analysis.spoken.judge import Hypothesis, Source
from listen.child import Child, Gone, serve
from listen.errors import BadInput

LOADING_S = 60.0
HANGS_S = 15.0
"""An utterance that takes longer than this to recognise never will be."""


class OwnProcess:
    """A `listen.speech.Recogniser` in a process of its own.

    Parameters
    ----------
    model : path, optional
        Folder of another model than the packaged one.

    Raises
    ------
    BadInput
        If it cannot be loaded, hangs or ends by itself; it says which, here and in `write_down`.
    """

    def __init__(self, model: Path | None = None) -> None:
        self._child = Child("listen.recogniser", *([] if model is None else [str(model)]))
        try:
            self._checked(lambda: self._child.answer(LOADING_S))
        except BadInput:
            self._child.end()
            raise

    def write_down(self, samples: Samples) -> tuple[Hypothesis, ...]:
        """See `listen.speech.Recogniser`."""
        data = np.asarray(samples, "<f4").tobytes()
        found = self._checked(lambda: self._child.ask(data, HANGS_S))
        return tuple(Hypothesis(text, log, Source(source)) for text, log, source in found)

    @property
    def trouble(self) -> str | None:
        """Why the process is there no more; None while it is there."""
        gone = self._child.gone
        return None if gone is None else _no_longer(gone)

    def end(self) -> None:
        """End the process."""
        self._child.end()

    @staticmethod
    def _checked(ask: Callable[[], Any]) -> Any:
        try:
            answer = ask()
        except Gone as gone:
            raise BadInput(_no_longer(gone)) from None
        if isinstance(answer, dict):
            raise BadInput(answer["error"])
        return answer


def _no_longer(how: object) -> str:
    return f"the speech engine {how}; readings can still be typed"


def _main(model: str | None) -> None:
    from listen.speech import Recogniser

    try:
        recogniser = Recogniser(model)
    except BadInput as trouble:
        serve(lambda question: None, {"error": str(trouble)})
        return

    def write_down(question: bytes) -> object:
        try:
            found = recogniser.write_down(np.frombuffer(question, "<f4"))
        except BadInput as trouble:
            return {"error": str(trouble)}
        return [astuple(one) for one in found]

    write_down(bytes(4 * 16_000))  # the first time is slow
    serve(write_down)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        _main(sys.argv[1] if len(sys.argv) > 1 else None)
