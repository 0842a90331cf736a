"""Counting samples, measuring level, keeping sound: what needs no sound card."""

import os
import queue
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listen.errors import BadInput
from listen.event import EventDraft
from listen.event_text import event_text
from listen.kept_sound import SoundKeeper, seconds_kept
from listen.level import LevelMeter
from listen.live import Listening, Live
from listen.logbook import Logbook
from listen.microphone import Lost, Microphone, Opened, Piece, SampleClock, mono
from listen.recorder import Recorder
from listen.session import Session
from listen.sheet import read_sheet
from listen.soundcard import Input, choose
from listen.sources import open_recording

RATE = 48_000
PIECE = 960
NONE = np.zeros(PIECE, np.int16)


def test_a_microphone_on_one_side_is_heard() -> None:
    left = np.array([1000, -1000, 32767, -32768], np.int16)
    both = np.repeat(left, 2)
    assert mono(both, 2).tolist() == left.tolist() == mono(left, 1).tolist()
    for side in (0, 1):
        one = np.zeros(8, np.int16)
        one[side::2] = left
        assert mono(one, 2).tolist() == [500, -500, 16383, -16384]


def run_clock(
    jitter_s: list[float], lost: int = 0, at: int = 300, told: bool = True, drift: float = 0.0
) -> list[int]:
    """Give the numbers that a clock gives to pieces, some samples lost before one of them."""
    clock = SampleClock(RATE)
    numbers: list[int] = []
    for k, late_s in enumerate(jitter_s):
        gone = lost if k >= at else 0
        arrived_s = 1000.0 + ((k + 1) * PIECE + gone) / RATE * (1 + drift) + late_s
        added = clock.add(NONE, arrived_s, told and bool(lost) and k == at)
        numbers += [number for number, _ in added]
    return numbers + [number for number, _ in clock.flush()]


@given(st.lists(st.floats(0.0, 0.25), min_size=20, max_size=400), st.floats(-2e-4, 2e-4))
def test_pieces_that_are_held_up_lose_nothing(jitter_s: list[float], drift: float) -> None:
    numbers = run_clock(jitter_s, drift=drift)
    assert numbers == [k * PIECE for k in range(len(jitter_s))]


@given(st.integers(1000, 200_000), st.integers(0, 2**32))
def test_a_loss_that_is_told_leaves_a_gap_of_its_length(lost: int, seed: int) -> None:
    jitter = np.random.default_rng(seed).exponential(0.002, 400)
    numbers = run_clock(jitter.tolist(), lost)
    gap = numbers[300] - numbers[299] - PIECE
    assert abs(gap - lost) < 0.003 * RATE
    assert np.all(np.diff(numbers)[300:] == PIECE)


def test_a_loss_that_is_not_told_shows_in_a_stall() -> None:
    jitter = np.random.default_rng(2).exponential(0.002, 400)
    numbers = run_clock(jitter.tolist(), RATE // 2, told=False)
    assert abs(numbers[300] - numbers[299] - PIECE - RATE // 2) < 0.003 * RATE
    assert np.all(np.diff(numbers)[300:] == PIECE)


def test_a_stall_that_loses_nothing_leaves_no_gap() -> None:
    jitter = np.zeros(400)
    jitter[200:230] = 0.6 - 0.02 * np.arange(30)
    assert run_clock(jitter.tolist()) == [k * PIECE for k in range(400)]


def sine(amplitude: float) -> np.ndarray:
    return np.rint(amplitude * np.sin(np.arange(RATE) * 0.3)).clip(-32767, 32767).astype(np.int16)


@pytest.mark.parametrize(
    ("amplitude", "state", "mean"),
    [(3276.7, "good", -23.0), (60_000, "clipped", None), (5, "quiet", None), (0, "silent", -120)],
)
def test_the_level_is_judged(amplitude: float, state: str, mean: float | None) -> None:
    meter = LevelMeter(RATE)
    levels = [meter.add(part) for part in np.split(sine(amplitude), 50)]
    assert levels[:-1] == [None] * 49
    level = levels[-1]
    assert level is not None and level.state == state
    assert mean is None or level.mean_dbfs == pytest.approx(mean, abs=0.1)


def test_kept_sound_is_bit_for_bit_and_keeps_its_gaps(tmp_path: Path) -> None:
    sound = np.random.default_rng(1).normal(0, 3000, 2 * RATE).astype(np.int16)
    keeper = SoundKeeper(tmp_path / "a" / "1.flac", RATE)
    for at in range(0, len(sound), PIECE):
        keeper.keep(sound[at : at + PIECE], at + (RATE if at >= RATE else 0))
    keeper.close()
    recording = open_recording(tmp_path / "a" / "1.flac")
    heard = np.concatenate([block.samples for block in recording.blocks()])
    whole = np.concatenate([sound[:RATE], np.zeros(RATE, np.int16), sound[RATE:]])
    assert np.array_equal(heard * 32768, whole)
    with pytest.raises(BadInput, match="no longer kept"):
        SoundKeeper(tmp_path / "a" / "1.flac", RATE)


KEEP = """
import sys, time
import numpy as np
from pathlib import Path
from listen.kept_sound import SoundKeeper
sound = np.random.default_rng(1).normal(0, 3000, 480_000).astype(np.int16)
keeper = SoundKeeper(Path(sys.argv[1]), 48_000)
for at in range(0, len(sound), 960):
    keeper.keep(sound[at:at + 960], at)
    print((at + 960) / 48_000, flush=True)
    time.sleep(0.001)
"""


def test_kept_sound_plays_after_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "1.flac"
    command = [sys.executable, "-c", KEEP, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        kept = [program.stdout.readline() for _ in range(150)]  # three seconds of sound
        os.kill(program.pid, signal.SIGKILL)
        kept += [line for line in program.stdout if line.endswith("\n")]
    played_s = max(block.end_s for block in open_recording(path).blocks())
    assert played_s > float(kept[-1]) - 0.25
    assert seconds_kept(path) == pytest.approx(played_s, abs=0.001)


def test_an_input_is_chosen_by_number_or_name() -> None:
    one = Input(0, "Built-in Audio", 2, 48_000, True)
    two = Input(4, "USB Microphone", 1, 44_100, False)
    assert choose([one, two], None) is one
    assert choose([one, two], "usb") is choose([one, two], "4") is two
    with pytest.raises(BadInput, match="means more than one"):
        choose([one, two], "i")
    with pytest.raises(BadInput, match="is not among the inputs: 0 Built-in Audio, 4 USB"):
        choose([one, two], "line in")
    with pytest.raises(BadInput, match="no sound input was found"):
        choose([], None)


class DeadCard:
    """A sound card that opens and then gives nothing; those not ended are counted."""

    running = 0

    def __init__(self, wanted: str | None) -> None:
        self.opened = Opened("dead", RATE)
        self.ended = False
        DeadCard.running += 1

    def next(self, patience_s: float) -> None:
        return None

    def end(self) -> None:
        DeadCard.running -= not self.ended
        self.ended = True


def test_a_card_taken_up_as_listening_stops_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("listen.microphone._Card", DeadCard)
    monkeypatch.setattr("listen.microphone.RETRY_S", 0.0)
    microphone = Microphone()
    heard = microphone.heard()
    next(heard)
    next(heard)  # it is lost
    with monkeypatch.context() as late:
        # `stop` comes while the card is being opened again.
        late.setattr(
            "listen.microphone._Card", lambda wanted: (microphone.stop(), DeadCard(wanted))[1]
        )
        assert list(heard) == []
    assert DeadCard.running == 0


class HeldUpCard(DeadCard):
    """One that gives a second of sound, then nothing for a while, then what came meanwhile."""

    def __init__(self, wanted: str | None) -> None:
        super().__init__(wanted)
        late_s = [0.0] * 50 + [0.9 - 0.02 * k for k in range(45)] + [0.0] * 55
        arrived_s = [(k + 1) * PIECE / RATE + late for k, late in enumerate(late_s)]
        self.pieces: list[tuple[np.ndarray, float, bool] | None]
        self.pieces = [(NONE, at_s, False) for at_s in arrived_s]
        self.pieces.insert(50, None)

    def next(self, patience_s: float) -> tuple[np.ndarray, float, bool] | None:  # type: ignore[override]
        return self.pieces.pop(0) if self.pieces else None


def test_a_card_that_is_held_up_goes_on_and_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("listen.microphone._Card", HeldUpCard)
    inbox: queue.SimpleQueue[object] = queue.SimpleQueue()
    recorder = Recorder(None, inbox)
    kinds, pieces = [], []
    for item in Microphone().heard():
        kinds.append(type(item))
        if isinstance(item, Piece):
            pieces.append(item)
            recorder.take(item)
            if len(pieces) == 150:
                break
        elif isinstance(item, Lost):
            recorder.lost(item, 1.0)
    assert [piece.at for piece in pieces] == [k * PIECE for k in range(150)]
    assert kinds == [Opened] + [Piece] * 50 + [Lost, Opened] + [Piece] * 100
    made = [inbox.get() for _ in range(inbox.qsize())]
    (gap,) = (draft for draft in made if isinstance(draft, EventDraft) and draft.kind == "gap")
    session = Session(read_sheet(Path(__file__).parents[1] / "samples" / "fire-pump.toml"))
    assert "no sound was lost" in event_text(session, session.event("gap", 1.0, gap.body))


def test_a_face_that_cannot_appear_leaves_nothing_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = []

    class Blank:
        def begin(self, *_: object) -> None:
            raise OSError("no terminal")

        def end(self) -> None:
            ended.append(True)

    monkeypatch.setattr("listen.microphone._Card", DeadCard)
    session = Session(read_sheet(Path(__file__).parents[1] / "samples" / "fire-pump.toml"))
    with Logbook(tmp_path / "l", write=True) as book:
        live = Live(book, 1, session, Microphone(), Blank(), Listening(), None)  # type: ignore[arg-type]
        with pytest.raises(OSError, match="no terminal"):
            live.run()
    assert ended == [True] and DeadCard.running == 0


def test_sound_is_kept_also_where_an_older_file_was_taken_away(tmp_path: Path) -> None:
    (tmp_path / "2.flac").write_bytes(b"older")
    inbox: queue.SimpleQueue[object] = queue.SimpleQueue()
    recorder = Recorder(tmp_path, inbox)
    recorder.take(Piece(np.zeros(RATE, np.int16), RATE, 0))
    recorder.close()
    assert (tmp_path / "3.flac").is_file() and (tmp_path / "2.flac").read_bytes() == b"older"
