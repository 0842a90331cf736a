"""The sound card: its inputs, and a program of its own that reads one of them.

PortAudio can hang when a device goes, ends the whole program where the machine's sound settings
make no sense to it, and takes up new devices only when it is started afresh. So it runs in a
process of its own, which can be ended and started again at any time, and whose short callback
never waits for the rest of the program. The process is this module::

    python -m listen.soundcard list
    python -m listen.soundcard hear [INPUT]

The first writes the inputs to its standard output, as a line of JSON. The second writes a line of
JSON, either ``{"input": …, "rate_hz": …, "channels": …}`` or ``{"error": …}``, then for each piece
of sound a header (`HEADER`: bytes that follow, monotonic time of arrival in seconds, 1 when samples
were lost just before) and its samples, int16, of one channel or two in turn: a stereo input may
have its microphone on either.
"""

import contextlib
import json
import os
import queue
import struct
import subprocess
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from listen.errors import BadInput

HEADER = struct.Struct("<IdB")
PIECE_S = 0.03
BEHIND_S = 0.09
"""How far the process may fall behind before sound is lost. Three pieces: of more, the library
makes longer pieces, and each change would be told later."""
LIST_S = 20.0

_NO_LIBRARY = (
    "the sound library PortAudio is missing: install it (Debian, Ubuntu: sudo apt install "
    "libportaudio2) and try again"
)


@dataclass(frozen=True)
class Input:
    """An input of the sound card.

    Attributes
    ----------
    number : int
    name : str
    channels : int
    rate_hz : int
        The device's own.
    default : bool
    """

    number: int
    name: str
    channels: int
    rate_hz: int
    default: bool


def command(*arguments: str) -> list[str]:
    """Return the command line of the process; what lies in the current folder is not run."""
    return [sys.executable, "-P", "-m", "listen.soundcard", *arguments]


def inputs() -> tuple[list[Input], str]:
    """Return the inputs there are now, and the version of the sound library.

    Raises
    ------
    BadInput
        If the sound library is missing, or cannot make sense of this machine.
    """
    try:
        done = subprocess.run(
            command("list"), capture_output=True, text=True, timeout=LIST_S, check=False
        )
        told = json.loads(done.stdout)
    except (subprocess.TimeoutExpired, ValueError):
        raise BadInput(
            "the sound library PortAudio stops on this machine's sound settings: see that another "
            "program can record (Linux: arecord -l; look into .asoundrc)"
        ) from None
    if "error" in told:
        raise BadInput(told["error"])
    return [Input(**one) for one in told["inputs"]], told["library"]


def _inputs(sounddevice: Any) -> list[Input]:
    default = sounddevice.default.device[0]
    return [
        Input(
            device["index"],
            device["name"],
            device["max_input_channels"],
            round(device["default_samplerate"]),
            device["index"] == default,
        )
        for device in sounddevice.query_devices()
        if device["max_input_channels"] > 0
    ]


def choose(found: list[Input], wanted: str | None) -> Input:
    """Return the input that a name, a part of one, or a number means; the usual one for None.

    Raises
    ------
    BadInput
        If there is none, or more than one.
    """
    if not found:
        raise BadInput(
            "no sound input was found: plug the microphone in, allow this program to use it, and "
            "see thirdear devices"
        )
    if wanted is None:
        return next((one for one in found if one.default), found[0])
    if wanted.isdecimal():
        fitting = [one for one in found if one.number == int(wanted)]
    else:
        word = wanted.casefold()
        fitting = [one for one in found if one.name.casefold() == word] or [
            one for one in found if word in one.name.casefold()
        ]
    if len(fitting) == 1:
        return fitting[0]
    names = ", ".join(f"{one.number} {one.name}" for one in (fitting or found))
    why = "means more than one" if fitting else "is not among the inputs"
    raise BadInput(f"--device {wanted} {why}: {names}")


def _sounddevice() -> Any:
    try:
        import sounddevice
    except OSError:
        raise BadInput(_NO_LIBRARY) from None
    return sounddevice


def _say(about: dict[str, object]) -> None:
    sys.stdout.buffer.write(json.dumps(about).encode() + b"\n")
    sys.stdout.buffer.flush()


def _list() -> None:
    try:
        sounddevice = _sounddevice()
    except BadInput as trouble:
        _say({"error": str(trouble)})
        return
    library = sounddevice.get_portaudio_version()[1].split(",")[0]
    _say({"inputs": [asdict(one) for one in _inputs(sounddevice)], "library": library})


def _go_first() -> None:
    """Take the processor before other programs do, where the system allows it."""
    with contextlib.suppress(AttributeError, OSError):
        lowest = os.sched_param(os.sched_get_priority_min(os.SCHED_RR))
        for thread in Path("/proc/self/task").iterdir():  # the library's own, too
            os.sched_setscheduler(int(thread.name), os.SCHED_RR, lowest)


def _hear(wanted: str | None) -> None:
    try:
        sounddevice = _sounddevice()
        chosen = choose(_inputs(sounddevice), wanted)
    except BadInput as trouble:
        _say({"error": str(trouble)})
        return
    channels = min(2, chosen.channels)
    pieces: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()

    def arrived(samples: Any, _count: int, _time: Any, status: Any) -> None:
        pieces.put(HEADER.pack(len(samples), time.monotonic(), status.input_overflow))
        pieces.put(bytes(samples))

    try:
        stream = sounddevice.RawInputStream(
            device=chosen.number,
            samplerate=chosen.rate_hz,
            channels=channels,
            dtype="int16",
            blocksize=round(chosen.rate_hz * PIECE_S),
            latency=BEHIND_S,
            callback=arrived,
            finished_callback=lambda: pieces.put(None),
        )
        stream.start()
    except sounddevice.PortAudioError as trouble:
        _say({"error": f"the input {chosen.name} cannot be used: {trouble.args[0]}"})
        return
    _say({"input": chosen.name, "rate_hz": chosen.rate_hz, "channels": channels})
    _go_first()
    out = sys.stdout.buffer
    while (piece := pieces.get()) is not None:
        out.write(piece)
        out.flush()


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        if sys.argv[1] == "list":
            _list()
        else:
            _hear(sys.argv[2] if len(sys.argv) > 2 else None)
    os._exit(0)  # the library's own end can hang on a device that is gone
