"""Listening to an input of the sound card, for hours, whatever happens to it.

Time is counted in samples. Only where samples were lost does the clock of the computer say how
many: `SampleClock` watches how late each piece arrives for its count. A piece may be held up, but
none comes early; so the least lateness of late is that of the sound, and where it has grown, the
difference is the length of the gap. The clock used is the monotonic one, which nobody sets.
"""

import json
import math
import queue
import subprocess
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.sound import Block
from listen.errors import BadInput
from listen.kept_sound import PCM
from listen.soundcard import HEADER, command

SILENT_S = 0.7
"""After how long without sound the input is taken for lost."""
RETRY_S = 1.0
"""For how long it may still go on as if nothing had been; then it is taken up again, and again."""
OPENING_S = 10.0
FIRST_S = 3.0
"""How long the sound library, and then the input, may take to begin."""
REMEMBERED_S = 10.0
JUDGED_S = 0.5
STALL_S = 0.25
"""Pieces that come so long after the last one may have lost some before them."""
LEAST_LOSS_S = 0.010
"""Less is within the doubt of when a piece comes."""


@dataclass(frozen=True)
class Opened:
    """An input has begun to give sound."""

    name: str
    rate_hz: int


@dataclass(frozen=True, eq=False)
class Piece:
    """Sound of the input.

    Attributes
    ----------
    samples : ndarray of int16, shape (n,)
    rate_hz : int
    at : int
        Number of the first sample, counted from the beginning of the session. It is not the next
        one after the last piece where samples were lost between them.
    """

    samples: PCM
    rate_hz: int
    at: int

    @property
    def start_s(self) -> float:
        """Session time of the first sample."""
        return self.at / self.rate_hz

    @property
    def end_s(self) -> float:
        """Session time just after the last sample."""
        return (self.at + len(self.samples)) / self.rate_hz

    def block(self, lost: int = 0) -> Block:
        """Return it as the ear and the recogniser hear it, `lost` samples before it missing."""
        samples = self.samples.astype(np.float32) / np.float32(32768)
        return Block(samples, self.rate_hz, self.start_s, lost)


@dataclass(frozen=True)
class Lost:
    """The input gives no sound any more."""

    why: str


class SampleClock:
    """Count samples, and find from times of arrival how many were lost.

    Parameters
    ----------
    rate_hz : int
        Samples per second.
    at : int
        Number of the first sample.
    """

    def __init__(self, rate_hz: int, at: int = 0) -> None:
        self.rate_hz = rate_hz
        self.at = at
        # Time of arrival and lateness of pieces, without those that a later one undercut: the
        # lateness rises along it, and its first is the least.
        self._late: deque[tuple[float, float]] = deque()
        self._held: list[tuple[PCM, float]] = []

    @property
    def zero_s(self) -> float | None:
        """The monotonic time of sample 0, as nearly as it is known."""
        return self._late[0][1] if self._late else None

    def add(self, samples: PCM, arrived_s: float, told: bool) -> list[tuple[int, PCM]]:
        """Return the samples that can be numbered now, with the number of the first one.

        Parameters
        ----------
        samples : ndarray of int16, shape (n,)
            A piece, as it came.
        arrived_s : float
            Monotonic time at which they were there.
        told : bool
            The sound card tells of a loss just before them. They are then held back until its
            length is known; so are those that come after a stall.
        """
        stalled = bool(self._late) and arrived_s - self._late[-1][0] > STALL_S
        if self._held or (told and self._late) or stalled:
            self._held.append((samples, arrived_s))
            if arrived_s - self._held[0][1] < JUDGED_S:
                return []
            return self.flush()
        self._note(samples, arrived_s)
        return [self._number(samples)]

    def _number(self, samples: PCM) -> tuple[int, PCM]:
        first = self.at
        self.at += len(samples)
        return first, samples

    def _note(self, samples: PCM, arrived_s: float) -> None:
        """Remember how late a piece came, until that is too old to go by."""
        late = arrived_s - (self.at + len(samples)) / self.rate_hz
        while self._late and self._late[-1][1] >= late:
            self._late.pop()
        self._late.append((arrived_s, late))
        while arrived_s - self._late[0][0] > REMEMBERED_S:
            self._late.popleft()

    def flush(self) -> list[tuple[int, PCM]]:
        """Number the pieces held back, after the loss before them if that can be told."""
        held, self._held = self._held, []
        if not held:
            return []
        judged = held[-1][1] - held[0][1] >= JUDGED_S
        at, lates = self.at, []
        for samples, arrived_s in held:
            at += len(samples)
            lates.append(arrived_s - at / self.rate_hz)
        grown_s = min(lates) - self._late[0][1]
        if judged and grown_s > LEAST_LOSS_S:
            self.at += round(grown_s * self.rate_hz)
        numbered = []
        for samples, arrived_s in held:
            self._note(samples, arrived_s)
            numbered.append(self._number(samples))
        return numbered


class Microphone:
    """An input of the sound card.

    Parameters
    ----------
    wanted : str or None
        Name, part of it, or number; the usual input for None.
    start_s : float
        Session time at which listening begins.

    Raises
    ------
    BadInput
        If the input cannot be opened.
    """

    def __init__(self, wanted: str | None = None, start_s: float = 0.0) -> None:
        self._wanted = wanted
        self._start_s = start_s
        self._stopped = threading.Event()
        self._end_s = start_s
        self._zero_s: float | None = None
        self._card = _Card(wanted)

    def heard(self) -> Iterator[Opened | Piece | Lost]:
        """Listen until `stop`, taking the input up again whenever it is lost."""
        try:
            while not self._stopped.is_set():
                yield self._card.opened
                yield from self._listen()
                self._card.end()
                self._wait_for_return()
        finally:
            self._card.end()  # also one that was taken up again just as `stop` came

    def now_s(self) -> float:
        """Return the session time now; the sound at this moment may still be on its way."""
        if self._zero_s is None:
            return self._start_s
        return max(self._start_s, time.monotonic() - self._zero_s)

    def stop(self) -> None:
        """End `heard`; safe from any thread."""
        self._stopped.set()

    def close(self) -> None:
        """End the program that reads the sound card, also where `heard` was never begun."""
        self._card.end()

    def _listen(self) -> Iterator[Opened | Piece | Lost]:
        rate = self._card.opened.rate_hz
        clock: SampleClock | None = None
        patience, lost = FIRST_S, False
        while not self._stopped.is_set():
            piece = self._card.next(patience)
            if piece is None and lost:
                break
            if piece is None:
                yield from self._held_back(clock)
                yield Lost("the microphone is gone: plug it in again, listening goes on by itself")
                patience, lost = RETRY_S, True
                continue
            if lost:
                yield self._card.opened
            samples, arrived_s, told = piece
            patience, lost = SILENT_S, False
            if clock is None:
                clock = SampleClock(rate, self._goes_on_at(arrived_s - len(samples) / rate, rate))
            for at, numbered in clock.add(samples, arrived_s, told):
                yield Piece(numbered, rate, at)
            self._zero_s, self._end_s = clock.zero_s, clock.at / rate
        yield from self._held_back(clock)

    def _held_back(self, clock: SampleClock | None) -> Iterator[Piece]:
        """Yield what a clock held back until it could be numbered."""
        for at, numbered in clock.flush() if clock else ():
            piece = Piece(numbered, self._card.opened.rate_hz, at)
            self._end_s = piece.end_s
            yield piece

    def _goes_on_at(self, began_s: float, rate: int) -> int:
        """Return the number of the first sample of an input that began at a monotonic time."""
        start_s = self._end_s
        if self._zero_s is not None:  # heard before: the gap is as long as it was by the clock
            start_s = max(start_s, began_s - self._zero_s)
        return math.ceil(start_s * rate - 1e-6)

    def _wait_for_return(self) -> None:
        while not self._stopped.is_set():
            try:
                self._card = _Card(self._wanted)
                return
            except BadInput:
                self._stopped.wait(RETRY_S)


def mono(samples: PCM, channels: int) -> PCM:
    """Return the middle of one or two channels whose samples come in turn.

    A microphone on one side only is so heard at half its strength, and one on both as it is.

    Parameters
    ----------
    samples : ndarray of int16, shape (n * channels,)
        Those of a moment side by side.
    channels : int
        1 or 2.
    """
    if channels == 1:
        return samples
    return ((samples[::2].astype(np.int32) + samples[1::2]) // 2).astype(np.int16)


class _Card:
    """The program that reads the sound card, and what it has read."""

    def __init__(self, wanted: str | None) -> None:
        self._process = subprocess.Popen(
            command("hear", *([] if wanted is None else [wanted])),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self._pieces: queue.SimpleQueue[tuple[bytes, float, bool] | bytes | None]
        self._pieces = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()
        about = self._get(OPENING_S)
        if not isinstance(about, bytes):
            self.end()
            raise BadInput("the sound card does not answer: see thirdear doctor")
        told = json.loads(about)
        if "error" in told:
            self.end()
            raise BadInput(told["error"])
        self.opened = Opened(told["input"], told["rate_hz"])
        self._channels = told["channels"]

    def next(self, patience_s: float) -> tuple[PCM, float, bool] | None:
        """Return samples, their time of arrival, and whether a loss before them was told of.

        None when the card ends or gives nothing for so long.
        """
        piece = self._get(patience_s)
        if not isinstance(piece, tuple):
            return None
        return mono(np.frombuffer(piece[0], np.int16), self._channels), piece[1], piece[2]

    def end(self) -> None:
        """End the program, whatever it is doing."""
        self._process.kill()
        self._process.wait()

    def _get(self, patience_s: float) -> tuple[bytes, float, bool] | bytes | None:
        try:
            return self._pieces.get(timeout=patience_s)
        except queue.Empty:
            return None

    def _read(self) -> None:
        out = self._process.stdout
        assert out is not None
        with out:
            self._pieces.put(out.readline() or None)
            while len(header := out.read(HEADER.size)) == HEADER.size:
                size, arrived_s, told = HEADER.unpack(header)
                data = out.read(size)
                if len(data) < size:
                    break
                self._pieces.put((data, arrived_s, bool(told)))
            self._pieces.put(None)
