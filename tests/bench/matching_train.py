"""Train the matching of words (`analysis.spoken.matching`) on synthetic speech in a shop's noises.

    pip install torch -e '.[voices]'
    python -m tests.bench.matching_train make --seed 11 --count 500 sayings11.npz
    python -m tests.bench.matching_train train sayings*.npz --seed 2 --out network2.npz
    python -m tests.bench.matching_train join network*.npz --out listen/matching.npz

The weights here are of three networks of 6 epochs each: of seed 2, on the sayings of seeds 11 to 38
of 500 each; of seed 1, on those of 11 to 35; and of seed 0, on those of 11 to 31. From 22 on they
are among ambient sounds of their own (from 220 on, 20 further each). All were also given, of 250
sayings in five places each, 100 to 103 among the ambient sounds from 220 on and 200 to 203 among
those from 240 on. On sayings that none had seen, the log loss of the mean of two networks was 10 %
less than that of either, of three 13 %, of four 15 %, in a trial of smaller ones.

In all these a bare "zero" came far less often than "zeroed", and a person's "zero" was as often
taken for it. So each was then trained on for one epoch (``--on``, with seeds 10 to 12) with the
sayings of 30, 33, 36 and 38 and of ``make --alike``: 220 each of seeds 501 and 502, among the
ambient sounds from 220 and from 240 on.

Those for what the second encoder hears (``make --encoder moonshine``, then ``join`` to
listen/matching_again.npz) are of three networks of 7 epochs, on the sayings of seeds 22 to 31, 33
and 34, with the same ambient sounds: of seed 2, trained on for one epoch (seed 12) with 30, 33 to
35 and both ``--alike``; of seed 3, on 35 and both ``--alike`` as well; of seed 4, on 37 and 38 too.
Networks of 8 files more, a quarter of two among other people's talk, were no surer of a person.

``make`` says readings, words for the session and other talk with the voices of "train" in
`spoken_scenes`, and with many more throats of espeak-ng: each is slowed, sharpened, coloured by a
microphone and a room, and put into quiet, a buzzer, a shop or both, with the shop 5 to 18 dB below
the voice. A third of the readings are said word by word, as a person's recorded digits are. The
buzzer's lines are taken out, and the recogniser's encoder hears the rest. The ambient sounds are
not those of the bench. ``train`` fits a network to that. No person's voice is used.

Other talk is sentences out of the documentation of Python's own libraries, with numbers put in.
"""

from __future__ import annotations

import argparse
import functools
import inspect
import re
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rich.progress import track
from scipy import signal

from analysis.spoken.language import cardinal
from analysis.spoken.lines import LineRemover
from analysis.spoken.matching import LARGEST, WORDS
from analysis.wheel import Mark
from listen import moonshine
from listen.speech import Recogniser

from .rooms import echo
from .scenes import BUZZERS, NOISES, make_scene, no_buzzer_scene
from .spoken_scenes import (
    COMMANDS,
    RATE,
    TALK,
    VOICES,
    WORDINGS,
    Sound,
    say,
    unit_power,
    words_for,
)

Rng = np.random.Generator

OTHER = len(WORDS) + 1
ALIKE = {
    "wun": "one", "too": "two", "tree": "three", "fower": "four", "fife": "five", "ait": "eight",
    "niner": "nine",
}  # fmt: skip
EIGHTHS = {
    0.125: "an eighth",
    0.375: "three eighths",
    0.625: "five eighths",
    0.875: "seven eighths",
}
ZEROS = (
    "zero", "zeroed", "zero", "zeroed", "zero", "zeroed", "wheel zeroed", "zero point five",
    "zero after", "two zero", "four zero", "zero point two five",
)  # fmt: skip
"""The reading and the step that sound alike, in equal shares."""
MORE_THROATS = (
    "", "+m1", "+m2", "+m3", "+m4", "+m5", "+m6", "+m8", "+f1", "+f2", "+f3", "+f5", "+klatt",
    "+klatt2", "+klatt4", "+Alex", "+Alicia", "+Andy", "+Annie", "+Denis", "+Gene", "+Hugo",
    "+Jacky", "+Lee", "+Marco", "+Michael", "+Mike", "+adam", "+anika", "+antonio", "+belinda",
    "+benjamin", "+boris", "+caleb", "+david", "+ed", "+edward", "+grandma", "+grandpa", "+john",
    "+linda", "+max", "+michel", "+norbert", "+paul", "+quincy", "+rob", "+robert", "+shelby",
    "+steph", "+travis", "+victor", "+zac", "+aunty", "+Storm", "+pablo", "+pedro", "+miguel",
)  # fmt: skip
PROGRAMS = {
    "kokoro": 0.4, "espeak-ng": 0.25, "pico": 0.17, "flite": 0.15, "text2wave": 0.03,
}  # fmt: skip
"""How often each speaks."""
ACCENTS = ("en-gb", "en-us", "en-gb-scotland", "en-029")
LONGEST_S = 9.5
BEFORE_S, AFTER_S = 0.8, 0.2
"""What the line remover hears and is then cut off."""
WIDTH, DILATIONS, DROPPED = 128, (1, 2, 4, 1), 0.15
AT_ONCE = 32
SELDOM = 0.1
"""How often a word follows whatever was said before: people say what nobody thought of."""


def reading(rng: Rng) -> str:
    """Say some reading."""
    number, side = _number(rng), rng.choice([None, "before", "after"])
    part, whole = round(number % 1.0, 6), int(number)
    wording = rng.choice(WORDINGS)
    mark = Mark(number, side)
    if wording == "fraction" and part in EIGHTHS:
        words = f"{cardinal(whole)} and {EIGHTHS[part]}" if whole else EIGHTHS[part]
        words += f" {side}" if side else ""
    elif wording == "fraction" and part not in (0.0, 0.25, 0.5, 0.75):
        words = words_for(mark, "point")
    else:
        words = words_for(mark, wording)
    if rng.random() < 0.25:
        words = words.replace("point", "dot")
    if rng.random() < 0.1:
        words = words.replace("zero", "oh")
    chance = rng.random()
    if side and chance < 0.06:
        words += f" {rng.choice(['top', 'bottom'])} dead centre"
    elif side and chance < 0.14:
        words = words.replace(f" {side}", f" degrees {side}")
    elif not side and chance < 0.14:
        words = f"minus {words}" if chance < 0.05 else f"{words} degrees"
    elif not side and chance < 0.16:
        words = f"plus {words}"
    elif chance > 0.98:
        words = "top dead centre"
    if rng.random() < 0.07:
        before = ("stop", "opening", "closing", "cylinder two", "cylinder one, stop")
        words = f"{rng.choice(before)}, {words}"
    return words


def _number(rng: Rng) -> float:
    chance = rng.random()
    if chance < 0.75:
        whole = int(rng.integers(0, 61))
    elif chance < 0.9:
        whole = int(rng.integers(0, 181))
    else:
        whole = int(rng.choice([*range(13, 20), 30, 40, 50, 60]))
    chance = rng.random()
    if chance < 0.3:
        return float(whole)
    if chance < 0.8:
        return whole + float(rng.choice([0.25, 0.5, 0.75]))
    return whole + float(rng.integers(1, 10) / 10 if chance < 0.93 else rng.choice(list(EIGHTHS)))


def command(rng: Rng) -> str:
    """Say something that steers the session."""
    chance = rng.random()
    if chance < 0.4:
        return str(rng.choice(COMMANDS))
    if chance < 0.9:
        cylinder = f"cylinder {rng.choice(WORDS[:9])}"
        step = str(rng.choice(["stop", "opening", "closing", "as found", "as left", "zeroed"]))
        return f"{cylinder}, {step}" if chance < 0.65 else str(rng.choice([cylinder, step]))
    return str(
        rng.choice(["say again", "on the stop", "note the spring is weak", "note new points"])
    )


def talk(rng: Rng) -> str:
    """Say something that is meant for somebody else."""
    if rng.random() < 0.2:
        return str(rng.choice(TALK["train"]))
    sentences = _sentences()
    words = sentences[int(rng.integers(len(sentences)))]
    count = int(rng.integers(1, min(9, len(words)) + 1))
    at = int(rng.integers(len(words) - count + 1))
    words = words[at : at + count]
    if rng.random() < 0.45:
        words.insert(int(rng.integers(count + 1)), cardinal(int(rng.integers(100))))
    if rng.random() < 0.15:
        words.insert(int(rng.integers(count + 1)), str(rng.choice(WORDS)))
    return " ".join(words)


@functools.cache
def _sentences() -> list[list[str]]:
    import argparse as a
    import asyncio as b
    import collections as c
    import datetime as d
    import email as e
    import logging as f
    import shutil as g
    import sqlite3 as h
    import statistics as i
    import typing as j
    import unittest as k

    found = []
    for module in (a, b, c, d, e, f, g, h, i, j, k, np, signal):
        for _, one in inspect.getmembers(module, lambda x: inspect.isclass(x) or callable(x)):
            for sentence in re.split(r"[.\n]\s*\n|\. ", inspect.getdoc(one) or ""):
                words = re.findall(r"[A-Za-z]+", sentence.lower())
                if len(words) >= 4 and all(len(w) > 1 or w in ("a", "i") for w in words):
                    found.append(words)
    return found


def spoken(words: str, one_by_one: bool, rng: Rng) -> Sound:
    """Say words with some voice, and other throats still."""
    program = str(rng.choice(list(PROGRAMS), p=list(PROGRAMS.values())))
    voice = f"{program} {rng.choice(VOICES['train'][program])}"
    if program == "espeak-ng":
        voice = f"espeak-ng {rng.choice(ACCENTS)}{rng.choice(MORE_THROATS)}"
    pace, pitch = int(rng.integers(110, 200)), int(rng.integers(25, 80))
    if one_by_one:
        pause_s = rng.uniform(0.02, 0.17)
        parts: list[Sound] = []
        for word in re.findall(r"[a-z']+", words):
            parts += [_trimmed(say(word, voice, pace, pitch))]
            parts += [np.zeros(int(rng.uniform(0.0, pause_s) * RATE), np.float32)]
        x = np.concatenate(parts)
    else:
        x = say(words, voice, pace, pitch)
    # Pitch, formants and pace move together.
    longer = int(np.clip(round(100 * np.exp(rng.normal(0.0, 0.07))), 82, 122))
    return _coloured(signal.resample_poly(x, longer, 100), rng)


def _trimmed(x: Sound) -> Sound:
    loud = np.flatnonzero(np.abs(x) > 0.02 * np.abs(x).max())
    return x[max(0, loud[0] - 400) : loud[-1] + 800]


def _coloured(x: npt.NDArray[np.floating], rng: Rng) -> Sound:
    """Hear it through some microphone, half the time in some room."""
    hz = np.array([0, 150, 400, 1000, 2500, 5000, 8000])
    gain = 10.0 ** (rng.normal(0.0, 4.0, len(hz)) / 20.0)
    gain[-1] *= 0.1 if rng.random() < 0.3 else 1.0
    x = np.convolve(x, signal.firwin2(257, hz / 8000.0, gain), "same")
    if rng.random() < 0.5:
        n = int(rng.uniform(0.1, 0.6) * RATE)
        room = echo(rng.normal(size=n), rng.uniform(0.1, 0.7))
        x = signal.fftconvolve(x, room)[: len(x) + RATE // 10]
    return unit_power(x)


def ambient_sounds(first_seed: int) -> dict[str, list[Sound]]:
    """Return ambient sounds by kind, at unit power; the bench's own are of seeds below 200."""
    seeds = range(first_seed, first_seed + 14)
    plain: dict[str, Any] = {"agc": False, "codec": "none"}
    shop = [no_buzzer_scene("shop", seed, 60.0, **plain) for seed in seeds]
    noise = [no_buzzer_scene(name, seed, 40.0, **plain) for name in NOISES for seed in seeds[:2]]
    buzzer = [
        make_scene(name, "broadband", None, seed, 40.0, room=bool(seed % 2), **plain)
        for name in BUZZERS
        for seed in seeds[:6]
    ]
    scenes = {"shop": shop, "noise": noise, "buzzer": buzzer}
    sounds = {
        kind: [unit_power(signal.resample_poly(s.samples, RATE, s.rate_hz)) for s in those]
        for kind, those in scenes.items()
    }
    return sounds | {"babble": [babble(40.0, np.random.default_rng(seed)) for seed in seeds[:8]]}


def babble(seconds: float, rng: Rng) -> Sound:
    """Return one to four people who talk at once, at unit power."""
    whole = np.zeros(int(seconds * RATE), np.float32)
    for _ in range(rng.integers(1, 5)):
        at, gain = 0, 10.0 ** (rng.normal(0.0, 3.0) / 20.0)
        while at < len(whole):
            said = spoken(talk(rng), False, rng)[: len(whole) - at]
            whole[at : at + len(said)] += gain * said
            at += len(said) + int(rng.uniform(0.05, 1.0) * RATE)
    return unit_power(whole)


def _some(those: list[Sound], n: int, rng: Rng) -> Sound:
    x = those[int(rng.integers(len(those)))]
    at = int(rng.integers(len(x) - n))
    return x[at : at + n]


def heard(said: Sound, ambient: dict[str, list[Sound]], rng: Rng) -> Sound:
    """Put a voice into some place, and take out the buzzer's lines, as a listener does."""
    before, after = BEFORE_S + rng.uniform(0.25, 1.2), AFTER_S + rng.uniform(0.15, 0.5)
    x = np.concatenate([np.zeros(int(before * RATE)), said, np.zeros(int(after * RATE))])
    x = x[: int(LONGEST_S * RATE)]
    x = x + 0.005 * 10.0 ** rng.normal(0.0, 0.4) * rng.normal(size=len(x))
    place = rng.choice(["quiet", "buzzer", "shop", "both"], p=[0.15, 0.25, 0.35, 0.25])
    if place in ("buzzer", "both"):
        x = x + 10.0 ** (rng.uniform(-10.0, 4.0) / 20.0) * _some(ambient["buzzer"], len(x), rng)
    if place in ("shop", "both"):
        kind = str(rng.choice(["shop", "noise", "babble"], p=[0.5, 0.25, 0.25]))
        x = x + 10.0 ** (-rng.uniform(5.0, 18.0) / 20.0) * _some(ambient[kind], len(x), rng)
    x = 0.3 * x / np.abs(x).max() * rng.uniform(0.3, 2.0)
    remover = LineRemover(RATE)
    clean = np.concatenate([remover.take(x.astype(np.float32)), remover.finish()])
    return clean[int(BEFORE_S * RATE) : len(x) - int(AFTER_S * RATE)]


def classes(words: str) -> list[int]:
    """Return the classes of words; a run of other words is one."""
    found: list[int] = []
    for word in re.findall(r"[a-z']+", words.lower()):
        word = ALIKE.get(word, word)
        one = WORDS.index(word) + 1 if word in WORDS else OTHER
        if one != OTHER or found[-1:] != [OTHER]:
            found.append(one)
    return found


def make(
    encoder: str, seed: int, count: int, places: int, first_seed: int, out: Path, alike: bool
) -> None:
    """Write what an encoder hears of `count` sayings, each in so many places.

    With `alike` they are of ZEROS alone.
    """
    hearer = moonshine.Encoder() if encoder == "moonshine" else Recogniser()
    ambient = ambient_sounds(first_seed)
    features, labels = [], []
    for i in track(range(count), "Saying"):
        rng = np.random.default_rng([seed, i])
        kind = rng.choice(["reading", "command", "talk"], p=[0.6, 0.2, 0.2])
        words = {"reading": reading, "command": command, "talk": talk}[kind](rng)
        if alike:
            kind, words = "reading", ZEROS[i % len(ZEROS)]
        one_by_one = kind == "reading" and rng.random() < 0.5
        try:
            said = spoken(words, one_by_one, rng)
        except (subprocess.CalledProcessError, IndexError):
            continue  # a voice that cannot say it
        for _ in range(places):
            x = heard(said, ambient, rng)
            features.append(hearer.features(x).astype(np.float16))
            labels.append(classes(words))
    np.savez(
        out,
        features=np.concatenate(features),
        frames=[len(x) for x in features],
        labels=np.concatenate(labels),
        words=[len(y) for y in labels],
    )


Example = tuple[npt.NDArray[np.float16], npt.NDArray[np.int64]]


def read(paths: list[Path]) -> list[Example]:
    """Return features and classes of the sayings in files of ``make`` that are long enough."""
    examples = []
    for path in paths:
        with np.load(path) as kept:
            frames, words = np.cumsum(kept["frames"])[:-1], np.cumsum(kept["words"])[:-1]
            features = np.split(kept["features"], frames)
            labels = np.split(kept["labels"].astype(np.int64), words)
        for x, y in zip(features, labels, strict=True):
            if 0 < len(y) + np.count_nonzero(np.diff(y) == 0) < len(x):
                examples.append((x, y))
    return examples


def train(
    examples: list[Example], epochs: int, seed: int, on: Mapping[str, Sound] | None = None
) -> dict[str, Sound]:
    """Fit a network and return its weights, and what follows what; see `joined`.

    `on` are the weights of one that is trained on, gently, and keeps what follows what.
    """
    import torch
    from torch import nn
    from torch.nn import functional

    rng = np.random.default_rng(seed)
    torch.manual_seed(seed)
    some = np.concatenate([examples[i][0] for i in rng.choice(len(examples), 300)])
    some = np.clip(some.astype(np.float32), -LARGEST, LARGEST)
    mean, spread = some.mean(axis=0), some.std(axis=0) + 1e-3
    network = _new_network(len(mean))
    kept = _weights(network)
    fastest = 3e-3
    if on is not None:
        mean, spread, fastest = on["mean"].astype(np.float32), on["spread"].astype(np.float32), 4e-4
        for name, weight in kept.items():
            weight.copy_(torch.from_numpy(on[name].astype(np.float32)))
    rounds = epochs * -(-len(examples) // AT_ONCE)
    optimiser = torch.optim.AdamW(network.parameters(), weight_decay=0.01)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, fastest, rounds, pct_start=0.15)
    for epoch in range(epochs):
        losses = []
        for batch in track(list(_batches(examples, rng)), f"Epoch {epoch + 1}"):
            log_probs = network(torch.from_numpy(_padded(batch, mean, spread, rng))).transpose(0, 1)
            loss = functional.ctc_loss(
                log_probs,
                torch.from_numpy(np.concatenate([y for _, y in batch])),
                torch.tensor([len(x) for x, _ in batch]),
                torch.tensor([len(y) for _, y in batch]),
                zero_infinity=True,
            )
            optimiser.zero_grad()
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 2.0)
            optimiser.step()
            pace.step()
            losses.append(loss.item())
        print(f"epoch {epoch + 1}: loss {np.mean(losses):.3f}", flush=True)
    weights = {
        "follows": _follows(examples) if on is None else on["follows"],
        "mean": mean,
        "spread": spread,
        "dilations": np.array(DILATIONS),
        **{name: weight.numpy() for name, weight in kept.items()},
    }
    return {name: np.asarray(weight, np.float16) for name, weight in weights.items()}


def _new_network(width_in: int) -> Any:
    from torch import nn
    from torch.nn import functional

    class Network(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.first = nn.Conv1d(width_in, WIDTH, 3, padding=1)
            self.blocks = nn.ModuleList(
                nn.Conv1d(WIDTH, WIDTH, 3, padding=d, dilation=d) for d in DILATIONS
            )
            self.norms = nn.ModuleList(nn.LayerNorm(WIDTH) for _ in DILATIONS)
            self.last = nn.Linear(WIDTH, len(WORDS) + 2)

        def forward(self, x: Any) -> Any:
            x = functional.dropout1d(x.transpose(1, 2), DROPPED, self.training)
            x = functional.gelu(self.first(x))
            for block, norm in zip(self.blocks, self.norms, strict=True):
                y = functional.gelu(block(norm(x.transpose(1, 2)).transpose(1, 2)))
                x = x + functional.dropout(y, DROPPED, self.training)
            return functional.log_softmax(self.last(x.transpose(1, 2)), -1)

    return Network()


def _padded(batch: list[Example], mean: Sound, spread: Sound, rng: Rng) -> Sound:
    """Return the features of a batch as one array, now and then with a stretch not heard."""
    features = np.zeros((len(batch), max(len(x) for x, _ in batch), len(mean)), np.float32)
    for row, (x, _) in zip(features, batch, strict=True):
        row[: len(x)] = (np.clip(x.astype(np.float32), -LARGEST, LARGEST) - mean) / spread
        if rng.random() < 0.3:
            at = int(rng.integers(len(x)))
            row[at : at + int(rng.integers(1, 6))] = 0.0
    return features


def _weights(network: Any) -> dict[str, Any]:
    """Return views of a network's weights, as they are kept: taps first, then courses in."""
    weights = {
        "first": network.first.weight.permute(2, 1, 0),
        "first_bias": network.first.bias,
        "last": network.last.weight.T,
        "last_bias": network.last.bias,
    }
    for i, (block, norm) in enumerate(zip(network.blocks, network.norms, strict=True)):
        weights |= {
            f"block{i}_gain": norm.weight,
            f"block{i}_offset": norm.bias,
            f"block{i}_weights": block.weight.permute(2, 1, 0),
            f"block{i}_bias": block.bias,
        }
    return {name: weight.detach() for name, weight in weights.items()}


def joined(networks: Sequence[Mapping[str, Sound]]) -> dict[str, Sound]:
    """Return the weights of a matcher of several networks; what follows what is the first's."""
    weights = {
        f"{i}.{name}": weight
        for i, network in enumerate(networks)
        for name, weight in network.items()
        if name != "follows"
    }
    return {"follows": networks[0]["follows"], **weights}


def _follows(examples: list[Example]) -> npt.NDArray[np.float64]:
    """Return the log probability that a word follows another; see `WordMatcher`."""
    counts = np.zeros((OTHER + 1, OTHER + 1))
    for _, words in examples:
        np.add.at(counts, (np.r_[0, words], np.r_[words, 0]), 1.0)
    usual = counts.sum(axis=0) / counts.sum()
    counts += 1.0  # whatever was never said
    follows = counts / counts.sum(axis=1, keepdims=True)
    return np.log((1.0 - SELDOM) * follows + SELDOM * usual + 1e-9)


def _batches(examples: list[Example], rng: Rng) -> Iterator[list[Example]]:
    """Yield sayings of about the same length, in any order."""
    lengths = np.array([len(x) for x, _ in examples])
    order = np.argsort(lengths + rng.uniform(-15.0, 15.0, len(lengths)))
    for at in rng.permutation(np.arange(0, len(order), AT_ONCE)):
        yield [examples[i] for i in order[at : at + AT_ONCE]]


def main() -> None:
    """Make sayings, train a network on them, or join networks."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parts = parser.add_subparsers(dest="part", required=True)
    making = parts.add_parser("make")
    making.add_argument("--encoder", choices=["whisper", "moonshine"], default="whisper")
    making.add_argument("--seed", type=int, required=True)
    making.add_argument("--count", type=int, default=500)
    making.add_argument("--places", type=int, default=3)
    making.add_argument("--ambient", type=int, default=200, metavar="FIRST_SEED")
    making.add_argument("--alike", action="store_true", help="zero and zeroed alone")
    making.add_argument("out", type=Path)
    training = parts.add_parser("train")
    training.add_argument("sayings", type=Path, nargs="+")
    training.add_argument("--epochs", type=int, default=6)
    training.add_argument("--seed", type=int, default=0)
    training.add_argument("--on", type=Path, metavar="NETWORK", help="train this one on, gently")
    training.add_argument("--out", type=Path, required=True)
    joining = parts.add_parser("join")
    joining.add_argument("networks", type=Path, nargs="+")
    joining.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    if told.part == "make":
        places, first = told.places, told.ambient
        make(told.encoder, told.seed, told.count, places, first, told.out, told.alike)
    elif told.part == "join":
        np.savez_compressed(told.out, **joined([np.load(path) for path in told.networks]))
    else:
        on = np.load(told.on) if told.on else None
        np.savez_compressed(told.out, **train(read(told.sayings), told.epochs, told.seed, on))


if __name__ == "__main__":
    main()
