"""A sound card that is not there: a sound server with a sink whose monitor is the usual input.

What is played into the sink ``shop`` arrives at the input as if a microphone heard it.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Sequence
from pathlib import Path

import numpy as np

RATE = 48_000
SHEET = Path(__file__).parents[1] / "samples" / "fire-pump.toml"
THIRDEAR = [sys.executable, "-c", "from listen.cli import main; main()"]
NEEDED = ("pulseaudio", "pactl", "paplay")
PLUGIN = "libasound_module_pcm_pulse.so"


def why_not() -> str | None:
    """Say what is missing for a virtual card; None when nothing is."""
    missing = [name for name in NEEDED if not shutil.which(name)]
    if not any(Path("/usr/lib").glob(f"*/alsa-lib/{PLUGIN}")):
        missing.append("the ALSA plugin for pulse")
    if not any(Path("/usr/lib").glob("*/libportaudio.so.2")):
        missing.append("libportaudio2")
    return f"not installed: {', '.join(missing)} (.ci/run installs them)" if missing else None


class VirtualCard:
    """A running sound server; `env` makes a program use it."""

    def __init__(self, rate_hz: int = 48_000) -> None:
        self._rate_hz = rate_hz
        self.folder = Path(tempfile.mkdtemp(prefix="card"))
        self.folder.chmod(0o700)
        alsa = self.folder / "asound.conf"
        alsa.write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
        self.env = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(self.folder),
            "HOME": str(self.folder),
            "ALSA_CONFIG_PATH": str(alsa),
            "THIRDEAR_HOME": str(self.folder / "thirdear"),
        }
        command = ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"]
        for module in ("module-native-protocol-unix", self._sink(), "module-always-sink"):
            command += ["-L", module]
        self._server = subprocess.Popen(
            command, env=self.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + 10
        while "shop.monitor" not in self.pactl("list", "short", "sources"):
            if time.monotonic() > until:
                self.end()
                raise RuntimeError("the sound server does not come up")
            time.sleep(0.1)

    def pactl(self, *arguments: str) -> str:
        done = subprocess.run(
            ["pactl", *arguments], env=self.env, capture_output=True, text=True, check=False
        )
        return done.stdout

    def play(self, path: Path) -> "subprocess.Popen[bytes]":
        """Begin to play a WAV file; the caller waits for its end."""
        return subprocess.Popen(["paplay", "-d", "shop", str(path)], env=self.env)

    def unplug(self) -> None:
        """Take the card away."""
        for line in self.pactl("list", "short", "modules").splitlines():
            if "module-null-sink" in line and "shop" in line:
                self.pactl("unload-module", line.split()[0])

    def plug_in(self) -> None:
        """Put it back."""
        self.pactl("load-module", *self._sink().split())
        self.pactl("set-default-source", "shop.monitor")

    def suspend(self, yes: bool) -> None:
        """Stop the card from giving sound, or let it give sound again."""
        self.pactl("suspend-source", "shop.monitor", str(int(yes)))
        self.pactl("suspend-sink", "shop", str(int(yes)))

    def end(self) -> None:
        self._server.terminate()
        self._server.wait()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _sink(self) -> str:
        return f"module-null-sink sink_name=shop rate={self._rate_hz}"


def write_sound(path: Path, spans: Sequence[tuple[float, float]], end_s: float) -> None:
    """Write a buzzer that sounds while the points are open, in a shop."""
    t = np.arange(int(end_s * RATE)) / RATE
    gate = np.zeros_like(t)
    for start, end in spans:
        gate[(t >= start) & (t < end)] = 1.0
    gate = np.convolve(gate, np.ones(192) / 192)[: len(t)]
    tone = np.sin(2 * np.pi * 2870 * t) + 0.4 * np.sin(2 * np.pi * 5740 * t)
    sound = 0.15 * gate * tone + np.random.default_rng(3).normal(0, 0.003, len(t))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((sound * 32767).astype("<i2").tobytes())
