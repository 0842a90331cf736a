"""Fit when the ear believes that it hears a buzzer (`analysis.ear.belief`).

    apt-get install fluidsynth timgm6mb-soundfont
    python -m tests.bench.belief_fit gather --first 9000 --count 120 heard.jsonl
    python -m tests.bench.belief_fit fit heard.jsonl

``gather`` hears scenes as `learning_fit` draws them, and for each a minute with no buzzer in it: by
turns the bench's noises, instruments and blows (`rooms`). It keeps how good a buzzer the likeliest
sound was, and how broad, how doubtful its changes were and how sharp, and whether most of them were
true. ``fit`` prints the weights, and how many of either kind would be believed, with an eighth at a
time left out of the fit.

The weights in the module are from the seeds 9200 to 9311, and from 44 minutes of talk and 44
growls more: of 154 recordings in which a buzzer was heard 144 would be believed without them in the
fit; of 91 in which something else was, 9, most of them a lone organ, wind or voice.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from rich.progress import track
from scipy.optimize import minimize

from analysis.ear import recording
from analysis.ear.belief import SHARPEST_MS, breadth, haste
from analysis.ear.buzzer import BuzzerPrint
from analysis.sound import Block, Samples

from . import rooms
from .ear_training import draw_scene, heard_once
from .learning_fit import SLOWEST, slowed
from .scenes import NOISES, no_buzzer_scene

TALK = "voice", "speech", "radio"
"""Noises of which there are more, since a voice is most like a growl."""
NEAR_S = 0.05
"""A change this near a true one is true, if only its moment is wrong."""
BEST = 15.0
"""Quality from which all are as good."""
SHRINK = 0.02
PARTS = 8


def heard_in(samples: Samples, rate_hz: float, moves_s: list[float]) -> dict[str, Any] | None:
    """Return what decides belief, and whether there is a buzzer; None where nothing is heard."""
    found: dict[str, Any] = {}

    def keep(buzzer: BuzzerPrint, changes: Any, doubt: float, blur_ms: float) -> float:
        if changes:
            near = [min(abs(m - c.time_s) for m in [*moves_s, np.inf]) < NEAR_S for c in changes]
            found.update(quality=buzzer.quality, breadth=breadth(buzzer), haste=haste(changes))
            found.update(doubt=doubt, blur_ms=blur_ms, true=bool(np.mean(near) > 0.5))
        return 1.0

    with heard_once(), mock.patch.object(recording, "log_odds_of_buzzer", keep):
        recording.hear(lambda: Block(samples, rate_hz, 0.0).pieces(1.0))
    return found or None


def gather(first: int, count: int, out: Path) -> None:
    """Write what is heard in scenes and in rooms without a buzzer, a line each."""
    with out.open("w", encoding="utf-8") as file:
        for seed in track(range(first, first + count), "Hearing"):
            for name, samples, rate_hz, moves_s in _sounds(seed):
                heard = heard_in(samples, rate_hz, moves_s)
                if heard is not None:
                    file.write(json.dumps({"name": name, **heard}) + "\n")
                    file.flush()


def _sounds(seed: int) -> Iterator[tuple[str, Samples, float, list[float]]]:
    rng = np.random.default_rng([seed, 5])
    factor = float(np.exp(rng.uniform(0.0, np.log(SLOWEST)))) if seed % 8 == 1 else 1.0
    with slowed(factor):
        scene, moves = draw_scene(seed, "altered" if seed % 4 < 2 else "bench")
    yield f"buzzer {seed}", scene.samples, scene.rate_hz, [begin for begin, _ in moves]
    if seed % 3 == 0:
        noise = NOISES[seed // 3 % len(NOISES)] if seed % 2 else TALK[seed // 6 % len(TALK)]
        lone = no_buzzer_scene(noise, seed)
        yield f"noise {seed}", lone.samples, lone.rate_hz, []
    else:
        room = rooms.instruments if seed % 3 == 1 else rooms.blows
        yield f"{room.__name__} {seed}", room(seed), rooms.RATE, []


def fit(files: list[Path]) -> None:
    """Print the weights, and what they would believe."""
    lines = [line for path in files for line in path.read_text(encoding="utf-8").splitlines()]
    rows = [json.loads(line) for line in lines]
    x = np.array([_terms(row) for row in rows])
    true = np.array([r["true"] for r in rows])

    def fitted(some: Any) -> Any:
        sign = np.where(true[some], -1.0, 1.0)

        def loss(w: Any) -> float:
            held = SHRINK * float(w[1:] @ w[1:])
            return float(np.logaddexp(0.0, sign * (x[some] @ w)).sum()) + held

        return minimize(loss, np.zeros(x.shape[1])).x

    log_odds = np.zeros(len(rows))
    parts = np.arange(len(rows)) % PARTS
    for part in range(PARTS):
        log_odds[parts == part] = x[parts == part] @ fitted(parts != part)
    for kind, those in (("true", true), ("none", ~true)):
        print(f"{kind}: {np.sum(log_odds[those] > 0)} of {those.sum()} believed")
    for row, odds in zip(rows, log_odds, strict=True):
        if (odds > 0) != row["true"]:
            print(f"  {odds:5.1f}", json.dumps(row))
    base, *weights = fitted(np.full(len(rows), True)).round(2).tolist()
    print("PER_QUALITY, PER_DOUBT, PER_LOG_MS, PER_BREADTH, PER_HASTE, BASE =", *weights, base)


def _terms(row: dict[str, Any]) -> tuple[float, ...]:
    """Return 1 and what is weighed."""
    blur = float(np.log(max(row["blur_ms"], SHARPEST_MS)))
    return 1.0, min(row["quality"], BEST), row["doubt"], blur, row["breadth"], row["haste"]


def main() -> None:
    """Gather what decides, or fit to it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parts = parser.add_subparsers(dest="part", required=True)
    gathering = parts.add_parser("gather")
    gathering.add_argument("--first", type=int, default=9000)
    gathering.add_argument("--count", type=int, default=120)
    gathering.add_argument("out", type=Path)
    fitting = parts.add_parser("fit")
    fitting.add_argument("heard", type=Path, nargs="+")
    told = parser.parse_args()
    if told.part == "gather":
        gather(told.first, told.count, told.out)
    else:
        fit(told.heard)


if __name__ == "__main__":
    main()
