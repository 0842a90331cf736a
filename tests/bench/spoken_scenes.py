"""Spoken readings with known truth: who says what, how, and in what noise.

Speakers are a person's recorded digits (joined from the Debian package
``asterisk-core-sounds-en-g722``, where it is installed), the synthetic voices of ``espeak-ng``,
``flite`` and ``festival`` (Debian's ``festvox-kallpc16k``, ``-kdlpc16k`` and ``-us-slt-hts``), and
those of `neural_voices` where they are installed. They come in three parts: one to train the
matching of words on, one to fit the confidence to, one to judge by; the person is never trained on.
Conditions are quiet, a buzzer as loud as the voice, a shop 10 dB below it, and both. The buzzers
and the shop are those of `scenes`, which knows nothing of any recogniser.

Levels are the voice's power while it speaks against the other's while it sounds, full band at
16 kHz.
"""

from __future__ import annotations

import functools
import shutil
import subprocess
import tempfile
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal

from analysis.spoken.language import ONES, cardinal
from analysis.wheel import Mark

from . import neural_voices
from .scenes import BUZZERS, SENTENCES, make_scene, no_buzzer_scene

Sound = npt.NDArray[np.float32]

RATE = 16_000
SOUNDS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
CONDITIONS = ("quiet", "buzzer", "shop", "buzzer and shop")
WORDINGS = ("fraction", "point", "digits", "radio")
HUMAN = "human"
_RADIO = ["zero", "wun", "too", "tree", "fower", "fife", "six", "seven", "ait", "niner"]
_PARTS = {0.25: "a quarter", 0.5: "a half", 0.75: "three quarters"}
VOICES = {
    "train": {
        "espeak-ng": [
            f"{accent}{person}"
            for accent in ("en-gb", "en-us", "en-gb-scotland", "en-029")
            for person in ("", "+m1", "+m3", "+f2")
        ],
        "flite": ["slt", "awb"],
        "text2wave": ["kal_diphone"],
        "kokoro": [str(number) for number in range(40)],
        "pico": ["en-GB", "en-US"],
    },
    "fit": {
        "espeak-ng": [
            f"{accent}{person}"
            for accent in ("en-gb-x-rp", "en-gb-x-gbclan")
            for person in ("+m7", "+f4")
        ],
        "flite": ["rms"],
        "text2wave": ["ked_diphone"],
        "kokoro": ["jf_tebukuro"],
    },
    "judge": {
        "espeak-ng": [
            f"{accent}{person}"
            for accent in ("en-us-nyc", "en-gb-x-gbcwmd")
            for person in ("+m7", "+f4")
        ],
        "flite": ["kal16"],
        "text2wave": ["cmu_us_slt_arctic_hts"],
        "kokoro": ["jf_nezumi"],
        "piper": ["joe"],
    },
}
"""Synthetic voices by part and by the program that speaks with them."""
COMMANDS = (
    "next", "strike", "again", "done", "stop listening", "start listening", "what now", "stop",
    "opening", "closing", "zeroed", "wheel zeroed", "cylinder one", "cylinder two",
    "cylinder two, stop", "as found", "as left",
)  # fmt: skip
TALK = {
    "train": (
        *SENTENCES[::2],
        "I need about thirty of those by Friday", "he was born in nineteen fifty four, I think",
        "the bus leaves at five past two", "could you hold this for a second",
        "twenty quid for a gasket is robbery", "two of them are cracked", "half of it is rust",
        "is it lunch time yet", "a quarter of an hour at most", "oh dear", "good", "right",
        "that was the eighth time this week",
        "before you go, check the oil", "after that we can paint it", "try it now", "stop it",
        "one more turn and it will be fine", "what was that",
        "seventeen and a half thou on the feeler gauge", "three of us can lift it",
        "the points want setting to fifteen thou", "nine times out of ten it is the condenser",
    ),
    "fit": (
        "my daughter turned thirty last week", "forty minutes and it is still not dry", "oh no",
        "we need a dozen of the half inch ones", "I will be back before four", "after you",
        "nine volts is not enough for that", "it must have been nineteen sixty or so", "stand back",
        "do you want sugar in yours", "the top one is loose again", "that is a two man job",
        "there were eleven of us in the end", "a quarter turn and no more", "is that the door",
        "he had it apart in twenty five minutes", "what a mess", "you missed the point", "not yet",
        "one of these days it will bite you", "the left one sits higher than the right one",
        "mind the step", "seven quid each", "put it down before you drop it", "listen to that",
        "eight millimetre, or is it nine", "I have done that side already", "next time, perhaps",
    ),
    "judge": (
        *SENTENCES[1::2],
        "there are sixteen studs and I have found twelve", "she is eighty next week",
        "my train is the ten forty", "give it a wipe first", "about half a pint should do",
        "you want the smaller spanner for that", "is this yours", "seven or eight people came",
        "the second one from the left", "leave it alone for a bit", "it was fifty pounds new",
        "that will do nicely", "pull harder", "turn it back a little", "wait", "cold in here",
        "after dinner, maybe", "I asked him before", "point it at the wall", "zero chance of that",
        "dot the i and cross the t", "ten to one it floods again",
    ),
}  # fmt: skip
"""What is said in a shop and is no reading."""
SPEEDS = (130, 150, 175)


@dataclass(frozen=True, eq=False)
class Utterance:
    """One thing said, and the truth about it."""

    sound: Sound
    truth: Mark | None
    words: str
    voice: str
    wording: str
    condition: str


def speakers(part: str = "") -> list[str]:
    """Return the speakers this machine has, of one part or of all."""
    found = [HUMAN] if SOUNDS.is_dir() else []
    for name, programs in VOICES.items():
        if part in ("", name):
            for program, voices in programs.items():
                if _installed(program):
                    found += [f"{program} {voice}" for voice in voices]
    return found


def _installed(program: str) -> bool:
    if program in neural_voices.PACKAGES:
        return neural_voices.installed(program)
    return shutil.which(program) is not None


def words_for(mark: Mark, wording: str) -> str:
    """Say a reading in one of the `WORDINGS`."""
    whole, part = int(mark.number), round(mark.number % 1.0, 6)
    decimals = f"{part:g}"[2:] if part else ""
    side = f" {mark.side}" if mark.side else ""
    if wording == "fraction":
        if not part:
            return cardinal(whole) + side
        return (f"{cardinal(whole)} and {_PARTS[part]}" if whole else _PARTS[part]) + side
    if wording == "point":
        start = cardinal(whole)
    else:
        start = " ".join(_figure(figure, wording) for figure in str(whole))
    if not part:
        return start + side
    point = "decimal" if wording == "radio" else "point"
    return f"{start} {point} {' '.join(_figure(figure, wording) for figure in decimals)}{side}"


def _figure(figure: str, wording: str) -> str:
    return _RADIO[int(figure)] if wording == "radio" else ONES[int(figure)]


def say(words: str, voice: str, words_a_minute: int = 150, pitch: int = 50) -> Sound:
    """Speak words with a synthetic voice at RATE, unit power while it speaks.

    `pitch` is espeak-ng's, from 0 to 99.
    """
    program, _, name = voice.partition(" ")
    if program in neural_voices.PACKAGES:
        sound, rate = neural_voices.speak(program, name, words, words_a_minute)
        return unit_power(signal.resample_poly(sound, RATE, rate))
    with tempfile.NamedTemporaryFile(suffix=".wav") as made:
        if program == "espeak-ng":
            command = [program, "-v", name, "-s", str(words_a_minute), "-p", str(pitch)]
            command += ["-w", made.name, words]
        elif program == "text2wave":
            stretch = f"(Parameter.set 'Duration_Stretch {150 / words_a_minute:.3f})"
            command = [program, "-eval", f"(voice_{name})", "-eval", stretch, "-o", made.name]
        else:
            stretch = f"duration_stretch={150 / words_a_minute:.3f}"
            command = [program, "-voice", name, "--setf", stretch, "-t", words, "-o", made.name]
        subprocess.run(command, check=True, capture_output=True, input=words.encode())
        with wave.open(made.name) as file:
            rate = file.getframerate()
            said = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    return unit_power(signal.resample_poly(said, RATE, rate))


def human(mark: Mark, wording: str, rng: np.random.Generator) -> Sound:
    """Join a person's recorded digits into a reading; a side is said as plus or minus only."""
    whole, part = int(mark.number), round(mark.number % 1.0, 6)
    names = ["minus"] if mark.side == "after" else []
    if wording == "digits" or whole <= 20 or whole % 10 == 0:
        names += list(str(whole)) if wording == "digits" else [str(whole)]
    else:
        names += [str(whole // 10 * 10), str(whole % 10)]
    if part:
        names += ["dot", *f"{part:g}"[2:]]
    pieces: list[Sound] = []
    for name in names:
        pieces += [_clip(name), np.zeros(int(rng.uniform(0.0, 0.12) * RATE), np.float32)]
    return unit_power(np.concatenate(pieces))


@functools.cache
def _clip(name: str) -> Sound:
    path = SOUNDS / ("letters" if name == "dot" else "digits") / f"{name}.g722"
    command = ["ffmpeg", "-v", "quiet", "-f", "g722", "-i", str(path)]
    raw = subprocess.run(
        [*command, "-f", "f32le", "-ac", "1", "-ar", str(RATE), "-"],
        check=True,
        capture_output=True,
    ).stdout
    x = np.frombuffer(raw, np.float32)
    loud = np.flatnonzero(np.abs(x) > 0.01)
    return x[max(0, loud[0] - 600) : loud[-1] + 1000]


def unit_power(x: npt.NDArray[np.floating]) -> Sound:
    """Bring a sound to unit power while it sounds."""
    level = np.abs(x) > 0.05 * np.abs(x).max()
    return np.asarray(x / np.sqrt(np.mean(x[level] ** 2)), np.float32)


@functools.cache
def _buzzer(name: str, seed: int) -> Sound:
    scene = make_scene(name, "broadband", None, seed, 40.0, agc=False, codec="none", room=False)
    x = signal.resample_poly(scene.samples, RATE, scene.rate_hz)
    return np.asarray(x / np.sqrt(np.mean(x[np.abs(x) > 0.1 * np.abs(x).max()] ** 2)), np.float32)


@functools.cache
def _shop(seed: int) -> Sound:
    scene = no_buzzer_scene("shop", seed, 60.0, agc=False, codec="none")
    x = signal.resample_poly(scene.samples, RATE, scene.rate_hz)
    return np.asarray(x / np.std(x), np.float32)


def in_place(said: Sound, condition: str, rng: np.random.Generator, around_s: float = 0.8) -> Sound:
    """Put a voice into its condition, with the place's sound before and after it."""
    pad = np.zeros(int(around_s * RATE), np.float32)
    x = np.concatenate([pad, said, pad])
    x = x + 0.005 * rng.normal(size=len(x)).astype(np.float32)
    if "buzzer" in condition:
        other = _buzzer(BUZZERS[int(rng.integers(len(BUZZERS)))], int(rng.integers(3)))
        at = int(rng.integers(len(other) - len(x)))
        x = x + other[at : at + len(x)]
    if "shop" in condition:
        other = _shop(int(rng.integers(4)))
        at = int(rng.integers(len(other) - len(x)))
        x = x + 10 ** (-10 / 20) * other[at : at + len(x)]
    return np.asarray(0.3 * x / np.abs(x).max() * rng.uniform(0.3, 2.0), np.float32)


def draw(seed: int, count: int, voices: list[str], conditions: tuple[str, ...] = CONDITIONS):
    """Yield utterances drawn from all readings 0-60 in halves and quarters."""
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        # A person's recordings are few; they get a fair share.
        voice = voices[0] if rng.random() < 0.3 else voices[int(rng.integers(len(voices)))]
        number = float(rng.integers(0, 241)) / 4.0
        wording = WORDINGS[int(rng.integers(len(WORDINGS)))]
        condition = conditions[i % len(conditions)]
        side = (None, "before", "after")[int(rng.integers(3))]
        if voice == HUMAN:
            wording = ("point", "digits")[int(rng.integers(2))]
            side = "after" if rng.random() < 0.15 else None
            mark = Mark(number, side if number else None)
            said, words = human(mark, wording, rng), words_for(mark, wording)
        else:
            mark = Mark(number, side if number else None)
            words = words_for(mark, wording)
            said = say(words, voice, int(rng.choice(SPEEDS)))
        yield Utterance(in_place(said, condition, rng), mark, words, voice, wording, condition)
