"""Fit how the ear judges which sound is a buzzer (`analysis.ear.learning`).

    python -m tests.bench.learning_fit suspects --first 1500 --count 1000 suspects.jsonl
    python -m tests.bench.learning_fit fit suspects.jsonl

``suspects`` draws scenes of the bench and of the trainer's wider world, half of them with the
points moved so slowly that a stretch holds a few changes or one, and noise with no buzzer in it. It
keeps the traits of every suspect and how far its labels agree with the truth. ``fit`` prints
LIKENESS, by which suspects are ranked (a conditional logit: the right one among a stretch's), and
BUZZER_LOG_ODDS of the likeliest (a logistic regression: right, or nearly so, or not).

The weights in the module are from an earlier form of this program, which drew the same kinds of
scenes in other shares: 1030 scenes and 405 minutes without a buzzer, seeds 1500 to 1563.

With an eighth of the scenes at a time left out of the fit, the likeliest suspect was nearly right
and believed in 956 of 1030, wrong and believed in 10, and something was believed in 3 of the 405
minutes; the weights before believed 968, 33 and 6.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt
from rich.progress import track
from scipy.optimize import minimize
from scipy.special import expit, log_softmax, logsumexp, softmax

from analysis.ear import learning
from analysis.ear.recording import WINDOW_S
from analysis.ear.spectrum import FrameGrid
from analysis.ear.window import frames_of, windows
from analysis.sound import Block

from . import scenes
from .ear_training import beeps_kept, draw_scene

Array = npt.NDArray[np.float64]
Suspects = list[dict[str, Any]]

SLOWEST = 25.0
"""How much more slowly than the bench's the points may move."""
RIGHT, NEARLY = 0.93, 0.8
"""Share of frames whose labels are true from which a suspect is the buzzer, and is worth hearing.
A suspect's states may be the other way about."""
SHRINK = 1e-3


@contextmanager
def slowed(factor: float) -> Iterator[None]:
    """Let the points of scenes rest `factor` times as long between their changes."""
    plain = scenes._contact

    def contact(rng: np.random.Generator, n: int, *more: Any) -> scenes._Contact:
        made = plain(rng, int(n / factor), *more)
        toggles: list[int] = []
        groups = []
        for first, last, is_open in made.groups:
            by = round(first * (factor - 1.0))
            toggles += [t + by for t in made.toggles if first <= t <= last]
            groups.append((first + by, last + by, is_open))
        return scenes._Contact(made.opens_first, toggles, groups)

    with mock.patch.object(scenes, "_contact", contact):
        yield


def suspects_in(scene: scenes.Scene, moves_s: list[float]) -> Suspects:
    """Return the suspects of a scene's first window; `moves_s` is when the sound goes over."""
    window = next(windows(Block(scene.samples, scene.rate_hz, 0.0).pieces(1.0), WINDOW_S))
    powers, grid = frames_of(window), FrameGrid.at_rate(scene.rate_hz)
    levels = grid.levels(powers)
    times_s = [grid.middle_s(i) for i in range(len(powers))]
    truth = np.searchsorted(moves_s, times_s) % 2 == 1
    kept = []
    for suspect, heard in learning.suspects_heard(levels, grid):
        found = learning.traits(levels, suspect.votes_s, heard, grid)
        if found is None:
            continue
        agrees = abs(float(np.mean(heard.labels == truth)) - 0.5) + 0.5 if moves_s else 0.0
        kept.append({"agrees": agrees, "traits": found})
    return kept


def gather(first: int, count: int, out: Path) -> None:
    """Write the suspects of scenes drawn from seeds, a line for each scene."""
    with out.open("w", encoding="utf-8") as file:
        for seed in track(range(first, first + count), "Scenes"):
            rng = np.random.default_rng([seed, 5])
            factor = float(np.exp(rng.uniform(0.0, np.log(SLOWEST)))) if seed % 2 else 1.0
            with slowed(factor), beeps_kept() as pieces:
                scene, moves = draw_scene(seed, "altered" if seed % 4 < 2 else "bench")
            in_turn = itertools.pairwise([(0.0, False), *pieces])
            beeps_s = [at_s for (_, before), (at_s, sounds) in in_turn if sounds != before]
            noise = scenes.NOISES[seed % len(scenes.NOISES)]
            lone = scenes.no_buzzer_scene(noise, seed)
            for of, moves_s in ((scene, beeps_s or [begin for begin, _ in moves]), (lone, [])):
                file.write(json.dumps(suspects_in(of, moves_s)) + "\n")


def fit(files: list[Path]) -> None:
    """Print the weights that the gathered suspects give."""
    lines = [line for path in files for line in path.read_text(encoding="utf-8").splitlines()]
    stretches = [stretch for line in lines if (stretch := json.loads(line))]
    likeness = _fitted(list(learning.LIKENESS), stretches, _choice)
    likeness.pop("")  # the same for all
    likeliest = [
        max(s, key=lambda one: sum(w * one["traits"][k] for k, w in likeness.items()))
        for s in stretches
    ]
    odds = _fitted(list(learning.BUZZER_LOG_ODDS), [[one] for one in likeliest], _yes_or_no)
    base = odds.pop("")
    for name, weights in (("LIKENESS", likeness), ("BUZZER_LOG_ODDS", odds)):
        print(name, json.dumps({k: round(w, 3) for k, w in weights.items()}, indent=4))
    print("BUZZER_LOG_ODDS_BASE", round(base, 2))


Loss = Callable[[Array, Array, Array], tuple[float, Array]]


def _choice(weights: Array, traits: Array, agrees: Array) -> tuple[float, Array]:
    """Return the log loss of choosing a right one of a stretch's suspects, and its slope."""
    right = agrees > RIGHT
    if right.all() or not right.any():
        return 0.0, np.zeros(len(weights))
    scores = traits @ weights
    loss = -float(logsumexp(log_softmax(scores)[right]))
    return loss, softmax(scores) @ traits - softmax(scores[right]) @ traits[right]


def _yes_or_no(weights: Array, traits: Array, agrees: Array) -> tuple[float, Array]:
    """Return the log loss of saying whether the likeliest suspect is nearly right."""
    score, near = float(traits[0] @ weights), float(agrees[0] > NEARLY)
    loss = float(np.logaddexp(0.0, score)) - near * score
    return loss, (expit(score) - near) * traits[0]


def _fitted(names: list[str], stretches: list[Suspects], loss: Loss) -> dict[str, float]:
    """Return each trait's weight, and under "" what is added, from the suspects of stretches."""
    traits = [np.array([[one["traits"][k] for k in names] for one in s]) for s in stretches]
    everything = np.concatenate(traits)
    usual, spread = everything.mean(axis=0), everything.std(axis=0) + 1e-9
    scaled = [np.column_stack([(t - usual) / spread, np.ones(len(t))]) for t in traits]
    agrees = [np.array([one["agrees"] for one in s]) for s in stretches]

    def total(weights: Array) -> tuple[float, Array]:
        each = (loss(weights, t, a) for t, a in zip(scaled, agrees, strict=True))
        losses, slopes = zip(*each, strict=True)
        held = SHRINK * len(losses) * np.r_[weights[:-1], 0.0]
        return sum(losses) + float(held @ weights), np.sum(slopes, axis=0) + 2 * held

    found = minimize(total, np.zeros(len(names) + 1), jac=True, method="L-BFGS-B").x
    weights = found[:-1] / spread
    return dict(zip(names, weights.tolist(), strict=True)) | {
        "": float(found[-1] - weights @ usual)
    }


def main() -> None:
    """Gather suspects, or fit to them."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parts = parser.add_subparsers(dest="part", required=True)
    gathering = parts.add_parser("suspects")
    gathering.add_argument("--first", type=int, default=1500)
    gathering.add_argument("--count", type=int, default=1000)
    gathering.add_argument("out", type=Path)
    fitting = parts.add_parser("fit")
    fitting.add_argument("suspects", type=Path, nargs="+")
    told = parser.parse_args()
    if told.part == "suspects":
        gather(told.first, told.count, told.out)
    else:
        fit(told.suspects)


if __name__ == "__main__":
    main()
