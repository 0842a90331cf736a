"""Sessions through the real program and a sound card, virtual but with all the parts of one."""

import csv
import json
import os
import queue
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from virtual_card import SHEET, THIRDEAR, VirtualCard, why_not, write_sound

from listen.kept_sound import seconds_kept

SCHEMA = Path(__file__).parents[1] / "docs" / "record.schema.json"
OPEN_S = ((2.0, 3.6), (5.0, 6.5), (8.2, 9.9))
END_S = 11.0

pytestmark = pytest.mark.skipif(why_not() is not None, reason=str(why_not()))


class Running:
    """A program that is running, spoken to and listened to by lines."""

    def __init__(self, card: VirtualCard, *arguments: str | Path) -> None:
        command = [*THIRDEAR, *map(str, arguments)]
        self.process = subprocess.Popen(
            command,
            env=card.env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            bufsize=1,
        )
        self.lines: list[str] = []
        self._fresh: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._fresh.put(line)
        self._fresh.put(None)

    def say(self, words: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(words + "\n")

    def expect(self, text: str, patience_s: float = 20.0) -> str:
        """Wait for a line that has a text in it."""
        until = time.monotonic() + patience_s
        while (left := until - time.monotonic()) > 0:
            try:
                line = self._fresh.get(timeout=left)
            except queue.Empty:
                break
            if line is None:
                self._fresh.put(None)
                break
            self.lines.append(line)
            if text in line:
                return line
        raise AssertionError(f"{text!r} did not come; there was\n{''.join(self.lines)}")

    def end(self) -> int:
        """Wait for the end and return the exit status."""
        while (line := self._fresh.get(timeout=30)) is not None:
            self.lines.append(line)
        return self._close()

    def leave(self) -> None:
        """Stop as soon as it listens."""
        self.expect("listening to")
        self.say("quit")
        assert self.end() == 0

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        while (line := self._fresh.get(timeout=30)) is not None:
            self.lines.append(line)
        self._close()

    def _close(self) -> int:
        code = self.process.wait(timeout=30)
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()
        return code


def wait_for_sound(kept: Path, until_s: float) -> None:
    """Wait until a file that is being written holds so much sound."""
    patient_until = time.monotonic() + 20.0
    while seconds_kept(kept) < until_s:
        assert time.monotonic() < patient_until, f"{kept} holds {seconds_kept(kept)} s"
        time.sleep(0.1)


def thirdear(card: VirtualCard, *arguments: str | Path) -> "subprocess.CompletedProcess[str]":
    command = [*THIRDEAR, *map(str, arguments)]
    return subprocess.run(command, env=card.env, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def card() -> Iterator[VirtualCard]:
    card = VirtualCard()
    yield card
    card.end()


@pytest.fixture(scope="module")
def sound(card: VirtualCard) -> Path:
    """The sound to play, its buzzer taught under the name ``bench``."""
    path = card.folder / "pump.wav"
    write_sound(path, OPEN_S, END_S)
    lesson = card.folder / "lesson.wav"
    write_sound(lesson, ((0.0, 4.0),), 8.0)
    spans = ("--open-at", "0.3-3.7", "--closed-at", "4.3-7.7")
    taught = thirdear(card, "learn", "bench", lesson, *spans)
    assert taught.returncode == 0, taught.stderr
    return path


def test_a_live_session_is_what_replay_makes_of_the_same_sound(
    card: VirtualCard, sound: Path, tmp_path: Path
) -> None:
    book = tmp_path / "logbook.sqlite"
    live = Running(card, "time", SHEET, "--plain", "--logbook", book, "--buzzer", "bench")
    live.expect("listening to")
    for words in ("go centre", "18 before", "15 after", "go check"):
        live.say(words)
    with card.play(sound):
        for written in ("29 1/2 before", "29.25 before", "29 3/4 btdc"):
            live.expect("points OPEN")
            live.say(written)
            assert "for the opening" in live.expect(written)
            live.expect("points closed")
    for words in ("go record", "next"):
        live.say(words)
    live.expect("the record is closed")
    assert live.end() == 1  # cylinder 2 has no readings
    page = ("--out", tmp_path / "page", "--where", "museum", "--json")
    ours = json.loads(thirdear(card, "record", "1", *page, "--logbook", book).stdout)

    kept = next(Path(f"{book}.sound").glob("*/1.flac"))
    assert ours["inputs"]["recording"] == "1.flac"
    assert ours["inputs"]["sha256"] == sha256(kept.read_bytes()).hexdigest()
    assert ours["inputs"]["where"] == "museum"
    jsonschema.validate(ours, json.loads(SCHEMA.read_text(encoding="utf-8")))
    html = (tmp_path / "page" / "record.html").read_text(encoding="utf-8")
    assert html.count("The sound around") >= 1
    assert "Cylinder 1, opening 3" in html
    drawn = thirdear(card, "history", SHEET, "--logbook", book)
    assert (drawn.returncode, "one date" in drawn.stdout) == (0, True), drawn.stderr
    readings = tmp_path / "readings.csv"
    with readings.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time_s", "step", "cylinder", "reading", "phase"])
        for entry in ours["readings"]:
            table.writerow(
                [entry[key] for key in ("time_s", "step", "cylinder", "reading", "phase")]
            )
    options = ("--engine", SHEET, "--readings", readings, "--buzzer", "bench", "--json")
    theirs = json.loads(thirdear(card, "replay", kept, *options).stdout)

    assert ours["changes_heard"] == theirs["changes_heard"] == 6
    for one, other in zip(ours["cylinders"], theirs["cylinders"], strict=True):
        assert one["opens_at"] == other["opens_at"]
        assert one["verdict"] == other["verdict"]
        assert len(one["openings"]) == len(other["openings"])
        for mine, their in zip(one["openings"], other["openings"], strict=True):
            assert mine["reading"] == their["reading"]
            assert mine["time_s"] == pytest.approx(their["time_s"], abs=0.001)
    for mine, their in zip(ours["unpaired"]["changes"], theirs["unpaired"]["changes"], strict=True):
        assert mine["time_s"] == pytest.approx(their["time_s"], abs=0.001)
    apart = np.diff([opening["time_s"] for opening in ours["cylinders"][0]["openings"]])
    assert apart == pytest.approx(np.diff([start for start, _ in OPEN_S]), abs=0.002)


def test_a_pulled_plug_is_said_and_listening_goes_on_and_a_kill_loses_nothing(
    card: VirtualCard, sound: Path, tmp_path: Path
) -> None:
    book = tmp_path / "logbook.sqlite"
    live = Running(card, "time", SHEET, "--plain", "--logbook", book)
    live.expect("listening to")
    second = thirdear(card, "time", SHEET, "--plain", "--logbook", book)
    assert second.returncode == 2
    assert "another thirdear writes" in second.stderr
    live.say("go centre")
    live.say("18 before")
    live.expect("1: stop 18 before")
    pulled_s = time.monotonic()
    card.unplug()
    live.expect("the microphone is gone")
    assert time.monotonic() - pulled_s < 1.5  # a second, and the server's own delay
    card.plug_in()
    gap = live.expect("nothing was heard for")
    assert "the microphone was gone" in gap
    card.suspend(True)
    live.expect("the microphone is gone", 3.0)
    card.suspend(False)
    live.expect("nothing was heard for")
    with card.play(sound) as player:
        live.say("15 after")
        live.expect("2: stop 15 after")
        kept = next(Path(f"{book}.sound").glob("*/1.flac"))
        wait_for_sound(kept, seconds_kept(kept) + 1.0)
        live.kill()
        player.terminate()
    assert len(thirdear(card, "sessions", "--logbook", book).stdout.splitlines()) == 2
    shown = [line.split(maxsplit=1)[1].strip() for line in live.lines if line[:2] == "0:"]
    db = sqlite3.connect(book)
    (events,) = db.execute("SELECT count(*) FROM journal WHERE kind != 'began'").fetchone()
    (last_s,) = db.execute("SELECT max(at_s) FROM journal").fetchone()
    db.close()
    assert events >= len(shown) >= 5
    assert seconds_kept(kept) > last_s

    again = Running(card, "resume", "--plain", "--logbook", book)
    again.expect("== dead centre, cylinder 1")
    again.expect("listening to")
    again.say("next")
    again.expect("as found, cylinder 1")  # both stops are still there
    again.say("quit")
    again.expect("is kept")
    assert again.end() == 0
    assert len(list(kept.parent.glob("*.flac"))) == 2


@pytest.mark.skipif(not shutil.which("tmux"), reason="tmux is not installed")
def test_the_screen_in_80_by_24_with_no_colour(card: VirtualCard, tmp_path: Path) -> None:
    tmux = ["tmux", "-S", str(tmp_path / "tmux"), "-f", "/dev/null"]

    def run(*arguments: str) -> str:
        env = {**card.env, "NO_COLOR": "1", "LANG": "C.UTF-8"}
        done = subprocess.run([*tmux, *arguments], env=env, capture_output=True, text=True)
        return done.stdout

    def expect(text: str) -> list[str]:
        until = time.monotonic() + 20
        while time.monotonic() < until:
            screen = run("capture-pane", "-p", "-e").split("\n")
            if any(text in line for line in screen):
                return screen
            time.sleep(0.1)
        raise AssertionError("\n".join(screen))

    book = tmp_path / "logbook.sqlite"
    program = f"{sys.executable} -c 'from listen.cli import main; main()'"
    run(
        *("new-session", "-d", "-x", "80", "-y", "24"),
        f"cd {Path.cwd()}; {program} time {SHEET} --logbook {book} --no-sound-kept; sleep 60",
    )
    try:
        screen = expect("Step 1 of 10: before you start")
        assert any("Ignition dead" in line for line in screen)
        for words in ("go centre", "18 before", "15 after", "note greasxx"):
            run("send-keys", "-l", words)
            run("send-keys", *(["BSpace", "BSpace"] if "xx" in words else ["Enter"]))
        screen = expect("> note greas_")
        assert not any(re.search(r"\x1b\[([34][0-7]|9\d)m", line) for line in screen)
        run("send-keys", "-l", "y")
        run("send-keys", "Enter")
        screen = expect("noted: greasy")
        assert len(screen) <= 25
        assert any("16.5 each side" in line for line in screen)
        run("send-keys", "-l", "quit")
        run("send-keys", "Enter")
        expect("session 1 is kept")
        assert not Path(f"{book}.sound").exists()
    finally:
        run("kill-server")


@pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
def test_a_spoken_session_is_what_replay_makes_of_the_same_sound(
    card: VirtualCard, tmp_path: Path
) -> None:
    """The shipped sample, played to the program, is the whole job: no key is touched."""
    recording = SHEET.with_suffix(".m4a")
    played = tmp_path / "sample.wav"
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(recording), str(played)], check=True)
    book = tmp_path / "logbook.sqlite"
    options = ("--sounding", "open")
    live = Running(card, "time", SHEET, "--spoken", "--plain", "--logbook", book, *options)
    live.expect("you may speak", 60)
    time.sleep(1.5)  # it has said so
    card.play(played).wait()
    live.expect("10: 26.5 before", 10)
    live.say("done")
    live.say("done")
    live.expect("the record is closed")
    assert live.end() == 0
    ours = json.loads(thirdear(card, "record", "1", "--json", "--logbook", book).stdout)
    replayed = ("--engine", SHEET, "--readings", "spoken", "--json", *options)
    theirs = json.loads(thirdear(card, "replay", recording, *replayed).stdout)
    assert ours["changes_heard"] == theirs["changes_heard"] == 12
    assert ours["unpaired"]["readings"] == theirs["unpaired"]["readings"] == []
    for one, other in zip(ours["cylinders"], theirs["cylinders"], strict=True):
        for key in ("verdict", "correction"):
            assert one[key] == other[key]
        for key in ("angle_deg", "n", "sd_deg"):
            assert one["opens_at"][key] == other["opens_at"][key]
        mine, their = (c["dead_centre"]["wheel_error_deg"] for c in (one, other))
        assert mine == their
        readings = [[o["reading"] for o in c["openings"]] for c in (one, other)]
        assert readings[0] == readings[1]
        between = [np.diff([o["time_s"] for o in c["openings"]]) for c in (one, other)]
        assert between[0] == pytest.approx(between[1], abs=0.006)  # live: no second look


def test_a_speech_engine_that_is_killed_is_said_and_typing_goes_on(
    card: VirtualCard, tmp_path: Path
) -> None:
    book = tmp_path / "logbook.sqlite"
    live = Running(card, "time", SHEET, "--spoken", "--plain", "--logbook", book)
    live.expect("you may speak", 60)
    found = ["ps", "-o", "pid=,args=", "--ppid", str(live.process.pid)]
    children = subprocess.run(found, capture_output=True, text=True, check=True).stdout
    engine = next(line for line in children.splitlines() if "listen.recogniser" in line)
    os.kill(int(engine.split()[0]), signal.SIGKILL)
    live.expect("readings can still be typed")
    live.say("stop 18 before")
    live.expect("1: stop 18 before")
    live.say("quit")
    assert live.end() == 0


def test_a_missing_speech_model_is_said_and_typing_goes_on(
    card: VirtualCard, tmp_path: Path
) -> None:
    book = tmp_path / "logbook.sqlite"
    options = ("--spoken", "--model", tmp_path, "--plain", "--logbook", book)
    live = Running(card, "time", SHEET, *options)
    live.expect("is no model for faster-whisper")
    live.say("stop 18 before")
    live.expect("1: stop 18 before")
    live.say("quit")
    assert live.end() == 0


def test_a_machine_without_inputs(card: VirtualCard, tmp_path: Path) -> None:
    nothing = tmp_path / "none.conf"
    nothing.write_text("pcm.nothing { type empty }\n")
    deaf = type("Deaf", (), {"env": {**card.env, "ALSA_CONFIG_PATH": str(nothing)}})
    for command in (["time", SHEET, "--logbook", tmp_path / "l"], ["devices"]):
        done = thirdear(deaf, *command)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
        assert "no sound input was found" in done.stderr
    done = thirdear(deaf, "doctor", "--logbook", tmp_path / "l")
    assert done.returncode == 1
    assert "BAD  inputs" in done.stdout
    nothing.write_text("")  # at which PortAudio ends the program that asks it
    done = thirdear(deaf, "devices")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)


def test_a_full_disk_ends_the_keeping_of_sound_and_then_the_session(
    card: VirtualCard, sound: Path, small_disk: Path
) -> None:
    book = small_disk / "logbook.sqlite"
    Running(card, "time", SHEET, "--plain", "--logbook", book, "--no-sound-kept").leave()
    photographs = small_disk / "photographs"
    photographs.write_bytes(b"x" * (shutil.disk_usage(small_disk).free - 10_300_000))
    live = Running(card, "resume", "--plain", "--logbook", book)
    with card.play(sound) as player:
        live.expect("the disk is nearly full: the sound is no longer kept")
        with photographs.open("ab") as file:
            file.write(b"x" * (shutil.disk_usage(small_disk).free - 100_000))
        with pytest.raises((AssertionError, BrokenPipeError)):
            for _ in range(500):
                live.say("note " + "x" * 2000)
                live.expect("noted", 5)
        player.terminate()
    assert live.end() == 2
    assert "the disk is full" in live.lines[-1]
    photographs.unlink()
    notes = sum("noted:" in line for line in live.lines)
    (known,) = (
        sqlite3.connect(book).execute("SELECT count(*) FROM journal WHERE kind = 'note'").fetchone()
    )
    assert known == notes > 0
    Running(card, "resume", "--plain", "--logbook", book).leave()
