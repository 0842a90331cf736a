"""What a live session costs and how quick it is, through a virtual sound card.

Run it from the root of a clone; it prints a table a part::

    python -m tests.bench.live latency        # sound at the card to the line on the screen
    python -m tests.bench.live cost           # CPU and memory of the screen
    python -m tests.bench.live spoken         # end of an utterance to the answer, CPU, memory
    python -m tests.bench.live kills          # kill -9 at random instants, a hundred times
    python -m tests.bench.live soak --minutes 120

Latency. A second program listens to the same card with short buffers and stamps what it hears; an
onset's time at the card is that of its first sample by the least late stamps. The line's time is
when it comes out of the program under test. ``--learnt`` leaves the buzzer untaught, ``--spoken``
has speech listened to at the same time.

Spoken. The shipped sample is played, and the program's own voice goes to another sink, where its
onset is stamped. The end of an utterance is the one the logbook has.
"""

import argparse
import json
import os
import pty
import random
import re
import signal
import sqlite3
import struct
import subprocess
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from listen.errors import BadInput
from listen.sources import open_recording
from tests.virtual_card import RATE, SHEET, THIRDEAR, VirtualCard, write_sound

TICKS = os.sysconf("SC_CLK_TCK")
Span = tuple[float, float]


def random_spans(count: int, seed: int) -> tuple[list[Span], float]:
    chance = random.Random(seed)
    spans, at = [], 2.0
    for _ in range(count):
        end = at + chance.uniform(0.6, 1.2)
        spans.append((at, end))
        at = end + chance.uniform(0.6, 1.2)
    return spans, at + 1.0


def teach(card: VirtualCard) -> None:
    lesson = card.folder / "lesson.wav"
    write_sound(lesson, [(0.0, 4.0)], 8.0)
    spans = ["--open-at", "0.3-3.7", "--closed-at", "4.3-7.7"]
    subprocess.run(
        [*THIRDEAR, "learn", "bench", str(lesson), *spans],
        env=card.env,
        check=True,
        stdout=subprocess.DEVNULL,
    )


class Witness:
    """Hears the same card and stamps it."""

    def __init__(self, card: VirtualCard, sink: str = "shop") -> None:
        command = ["parec", "-d", f"{sink}.monitor", "--latency-msec=5", "--raw"]
        command += ["--format=s16le", f"--rate={RATE}", "--channels=1"]
        self._process = subprocess.Popen(command, env=card.env, stdout=subprocess.PIPE)
        self._pieces: list[bytes] = []
        self._zero_s = np.inf
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        count = 0
        while data := os.read(self._process.stdout.fileno(), 4096):
            self._pieces.append(data)
            count += len(data)
            self._zero_s = min(self._zero_s, time.monotonic() - count / 2 / RATE)

    def onsets(self) -> npt.NDArray[np.float64]:
        """End, and return the monotonic times at which a sound set in."""
        self._process.terminate()
        self._process.wait()
        self._thread.join()
        data = b"".join(self._pieces)
        sound = np.frombuffer(data[: len(data) // 2 * 2], np.int16).astype(float)
        loud = np.abs(sound) > 0.03 * 32767
        heard = np.flatnonzero(loud)
        starts = heard[np.diff(heard, prepend=-RATE) > RATE // 4]
        return self._zero_s + starts / RATE


def latency(card: VirtualCard, learnt: bool, count: int, spoken: bool) -> None:
    teach(card)
    spans, end_s = random_spans(count, 1)
    sound = card.folder / "latency.wav"
    write_sound(sound, spans, end_s)
    options = [] if learnt else ["--buzzer", "bench"]
    options += ["--spoken"] if spoken else []
    book = card.folder / "latency.sqlite"
    command = [*THIRDEAR, "time", str(SHEET), "--plain", "--logbook", str(book), *options]
    if learnt:
        command += ["--sounding", "open"]
    program = subprocess.Popen(
        command, env=card.env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    assert program.stdout is not None and program.stdin is not None
    lines: list[tuple[float, str]] = []
    begun = threading.Event()

    def read() -> None:
        for line in program.stdout or ():
            lines.append((time.monotonic(), line))
            if "listening to" in line:
                begun.set()

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    begun.wait(30)
    witness = Witness(card)
    time.sleep(1.0)
    card.play(sound).wait()
    time.sleep(1.5)
    onsets = witness.onsets()
    program.stdin.write("quit\n")
    reader.join()
    program.wait()
    shown = np.array([at for at, line in lines if "points OPEN" in line])
    late = []
    for onset in onsets:
        after = shown[(shown > onset) & (shown < onset + 0.6)]
        if len(after):
            late.append(1000 * (after[0] - onset))
    print(
        f"{'learnt' if learnt else 'taught'} buzzer: {len(onsets)} openings at the card, ", end=""
    )
    print(f"{len(shown)} shown, {len(late)} of them within 0.6 s")
    p = np.percentile(late, [0, 50, 95, 100])
    print("  ms from the card to the line: least, median, 95 %, most: ", *p.round().astype(int))


def tree(pid: int) -> Iterator[int]:
    """Give a process and those it started."""
    yield pid
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text().split():
            yield from tree(int(child))


def used(pid: int) -> tuple[float, float]:
    """Return CPU seconds and memory in MB (proportional set size) of a process tree."""
    seconds = megabytes = 0.0
    for one in tree(pid):
        fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
        seconds += (int(fields[11]) + int(fields[12])) / TICKS
        rollup = Path(f"/proc/{one}/smaps_rollup").read_text()
        megabytes += int(re.search(r"^Pss:\s+(\d+)", rollup, re.M)[1]) / 1024  # type: ignore[index]
    return seconds, megabytes


class Screen:
    """The program on a terminal of 80 by 24 whose picture is thrown away."""

    def __init__(self, card: VirtualCard, *arguments: str) -> None:
        import fcntl

        master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [*THIRDEAR, *arguments],
            env={**card.env, "TERM": "xterm-256color"},
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self._master = master
        threading.Thread(target=self._drink, daemon=True).start()

    def _drink(self) -> None:
        try:
            while os.read(self._master, 65536):
                pass
        except OSError:
            pass

    def type(self, words: str) -> None:
        os.write(self._master, words.encode() + b"\r")
        time.sleep(0.3)


def cost(card: VirtualCard, seconds: float) -> None:
    teach(card)
    spans, end_s = random_spans(int(seconds / 10), 2)
    spans = [(10 * a / 2, 10 * a / 2 + 2.0) for a, _ in spans]
    sound = card.folder / "cost.wav"
    write_sound(sound, spans, max(end_s, seconds))
    book = str(card.folder / "cost.sqlite")
    screen = Screen(card, "time", str(SHEET), "--logbook", book, "--buzzer", "bench")
    time.sleep(4)
    for words in ("go centre", "18 before", "15 after", "go check"):
        screen.type(words)
    player = card.play(sound)
    time.sleep(2)
    before, _ = used(screen.process.pid)
    begun = time.monotonic()
    time.sleep(seconds - 4)
    after, megabytes = used(screen.process.pid)
    share = (after - before) / (time.monotonic() - begun)
    player.terminate()
    screen.type("quit")
    screen.process.wait()
    print(f"screen: {100 * share:.1f} % of one core, {megabytes:.0f} MB, over {seconds:.0f} s")


def spoken_session(card: VirtualCard) -> None:
    """Play the shipped sample; measure how late the answers are and what it all costs."""
    card.pactl("load-module", "module-null-sink", "sink_name=voice", f"rate={RATE}")
    card.pactl("set-default-sink", "voice")
    card.pactl("set-default-source", "shop.monitor")
    sound, book = card.folder / "sample.wav", card.folder / "spoken.sqlite"
    sample = SHEET.with_suffix(".m4a")
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(sample), str(sound)], check=True)
    command = [*THIRDEAR, "time", str(SHEET), "--plain", "--spoken", "--sounding", "open"]
    program = subprocess.Popen(
        [*command, "--logbook", str(book)],
        env=card.env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert program.stdout is not None and program.stdin is not None
    while "you may speak" not in program.stdout.readline():
        pass
    ready_s = time.monotonic()
    threading.Thread(target=program.stdout.read, daemon=True).start()
    time.sleep(2)
    witness = Witness(card, "voice")
    before, _ = used(program.pid)
    begun = time.monotonic()
    card.play(sound).wait()
    after, megabytes = used(program.pid)
    share = (after - before) / (time.monotonic() - begun)
    time.sleep(3)
    answers = witness.onsets()
    program.stdin.write("quit\n")
    program.stdin.flush()
    program.wait()
    db = sqlite3.connect(book)
    rows = db.execute("SELECT at_s, kind, body FROM journal").fetchall()
    db.close()
    zero_s = ready_s - next(at_s for at_s, kind, _ in rows if kind == "speech")
    heard = [json.loads(body).get("heard") for _, kind, body in rows if kind != "unheard"]
    ends = sorted({one["end_s"] + zero_s for one in heard if one})
    late = [min((a - end for a in answers if a > end), default=np.inf) for end in ends]
    p = np.percentile([one for one in late if one < 5], [50, 95, 100])
    print(f"{len(ends)} utterances understood, {sum(one < 5 for one in late)} answered aloud")
    print("  s from the end of an utterance to the answer: median, 95 %, most: ", *p.round(2))
    print(f"  {100 * share:.1f} % of one core, {megabytes:.0f} MB, all processes together")


def kills(card: VirtualCard, count: int) -> None:
    """Kill it at random instants; what was shown must be there, and it must go on."""
    teach(card)
    spans, end_s = random_spans(20, 3)
    sound = card.folder / "kills.wav"
    write_sound(sound, spans, end_s)
    book = card.folder / "kills.sqlite"
    chance = random.Random(9)
    shown_in_all = kept_s = 0.0
    resumed = 0
    player = card.play(sound)
    for number in range(count):
        if player.poll() is not None:
            player = card.play(sound)
        arguments = ["resume"] if number else ["time", str(SHEET), "--buzzer", "bench"]
        program = subprocess.Popen(
            [*THIRDEAR, *arguments, "--plain", "--logbook", str(book)],
            env=card.env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        assert program.stdin is not None and program.stdout is not None
        output = b""
        while b"!!" not in output:
            more = os.read(program.stdout.fileno(), 65536)
            assert more, output
            output += more
        resumed += 1
        until = time.monotonic() + chance.uniform(0.0, 2.5)
        while time.monotonic() < until:
            step = chance.choice(["go check", "28 before", "note x", "strike", "go centre"])
            program.stdin.write(step.encode() + b"\n")
            program.stdin.flush()
            time.sleep(chance.uniform(0.0, 0.15))
        os.kill(program.pid, signal.SIGKILL)
        output += program.stdout.read()
        program.wait()
        program.stdin.close()
        program.stdout.close()
        shown = [line for line in output.decode().split("\n")[:-1] if line.startswith("0:")]
        db = sqlite3.connect(book)
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        (events,) = db.execute("SELECT count(*) FROM journal").fetchone()
        (bodies,) = db.execute("SELECT max(seq) FROM journal").fetchone()
        db.close()
        assert events == bodies
        shown_in_all += len(shown)
        assert events >= shown_in_all, (events, shown_in_all, output)
        for kept in Path(f"{book}.sound").glob("*/*.flac"):
            if kept.stat().st_mtime > time.time() - 5:
                kept_s += played(kept)
    print(f"{resumed} runs killed, {resumed - 1} of them resumed ones: {int(shown_in_all)} events")
    print(f"shown, all in the logbook; the logbook whole each time; {kept_s:.0f} s of sound play")


def played(path: Path) -> float:
    """Decode a kept file and return its length; one killed before its first frame has none."""
    try:
        return max((block.end_s for block in open_recording(path).blocks()), default=0.0)
    except BadInput:
        return 0.0


def soak(card: VirtualCard, minutes: float) -> None:
    """Run for long, and see whether memory grows or sound is lost."""
    teach(card)
    spans, end_s = random_spans(30, 4)
    sound = card.folder / "soak.wav"
    write_sound(sound, spans, end_s)
    book = card.folder / "soak.sqlite"
    screen = Screen(card, "time", str(SHEET), "--logbook", str(book), "--buzzer", "bench")
    time.sleep(4)
    begun = time.monotonic()
    player = card.play(sound)
    print("minute  MB  % of a core")
    last, _ = used(screen.process.pid)
    while (gone := time.monotonic() - begun) < 60 * minutes:
        time.sleep(min(60, 60 * minutes - gone))
        if player.poll() is not None:
            player = card.play(sound)
        now, megabytes = used(screen.process.pid)
        minute, share = (time.monotonic() - begun) / 60, 100 * (now - last) / 60
        print(f"{minute:6.1f} {megabytes:4.0f} {share:5.1f}", flush=True)
        last = now
    screen.type("quit")
    screen.process.wait()
    player.terminate()
    db = sqlite3.connect(book)
    gaps = db.execute("SELECT at_s, body FROM journal WHERE kind IN ('gap', 'lost')").fetchall()
    changes = db.execute("SELECT count(*) FROM journal WHERE kind = 'change'").fetchone()[0]
    db.close()
    kept = sum(played(path) for path in Path(f"{book}.sound").glob("*/*.flac"))
    for at_s, body in gaps:
        print(f"at {at_s:.1f} s: {body}")
    print(f"{changes} changes, {len(gaps)} gaps, {kept / 60:.2f} minutes of sound kept")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=["latency", "cost", "spoken", "kills", "soak"])
    parser.add_argument("--learnt", action="store_true")
    parser.add_argument("--spoken", action="store_true")
    parser.add_argument("--openings", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=120.0)
    told = parser.parse_args()
    card = VirtualCard()
    try:
        if told.part == "latency":
            latency(card, told.learnt, told.openings, told.spoken)
        elif told.part == "cost":
            cost(card, told.seconds)
        elif told.part == "spoken":
            spoken_session(card)
        elif told.part == "kills":
            kills(card, told.count)
        else:
            soak(card, told.minutes)
    finally:
        card.end()


if __name__ == "__main__":
    main()
