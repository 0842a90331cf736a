"""A taught buzzer beside the same one untaught: what is heard of it, and of it where it is not.

    python -m tests.bench.taught_table --seed 31
    python -m tests.bench.taught_table --seed 31 --buzzer growl --noise speech

Each buzzer is taught from the first part of its scene without any noise, as in a quiet room, and
heard in the whole of it among each noise. Then the print of each is listened for in noise alone,
where there is nothing to hear. Scenes and scoring are those of ``ear_table.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import click
import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.spectrum import FrameGrid
from analysis.ear.teaching import teach

from . import scenes
from .ear_table import Case, hear_ours
from .score import Score, score, total

TAUGHT_SHARE = 0.4
CLEAR_S = 0.05
"""How far from a change sound is taught."""
RATIOS = (0.0, 12.0)


@dataclass(frozen=True)
class Both:
    """How well one scene was heard untaught and taught."""

    case: Case
    untaught: Score
    taught: Score


def lesson(case: Case) -> BuzzerPrint:
    """Return the print of a scene's buzzer, taught without the noise."""
    scene = scenes.make_scene(case.buzzer, case.noise, None, case.seed, case.seconds)
    grid = FrameGrid.at_rate(scene.rate_hz)
    powers = grid.powers(scene.samples[: round(TAUGHT_SHARE * len(scene.samples))])
    at_s = np.array([grid.middle_s(i) for i in range(len(powers))])
    is_open = np.full(len(powers), scene.truth[0].points == "closed")
    clear = np.ones(len(powers), dtype=bool)
    for change in scene.truth:
        is_open[at_s > change.time_s] = change.points == "open"
        clear &= (at_s < change.time_s - CLEAR_S) | (at_s > change.settled_s + CLEAR_S)
    return teach(powers[clear & ~is_open], powers[clear & is_open], grid).buzzer


def run(case: Case) -> Both:
    """Hear a scene both ways."""
    scene = scenes.make_scene(case.buzzer, case.noise, case.snr_db, case.seed, case.seconds)
    heard = (hear_ours(scene, taught)[0] for taught in (None, lesson(case)))
    return Both(case, *(score(scene.truth, found, scene.seconds) for found in heard))


def rows(results: list[Both]) -> list[tuple[str, int, float, float]]:
    """Return what was heard by buzzer, by ratio and in all: changes, F1 untaught and taught."""
    groups = {b: [r for r in results if r.case.buzzer == b] for b in scenes.BUZZERS}
    groups |= {f"{ratio:g} dB": [r for r in results if r.case.snr_db == ratio] for ratio in RATIOS}
    groups["all"] = results
    return [
        (label, untaught.true, untaught.f1, total(r.taught for r in those).f1)
        for label, those in groups.items()
        if (untaught := total(r.untaught for r in those)).true
    ]


@click.command()
@click.option("--seed", default=31, show_default=True)
@click.option("--buzzer", "buzzers", multiple=True, type=click.Choice(scenes.BUZZERS))
@click.option("--noise", "noises", multiple=True, type=click.Choice(scenes.NOISES))
def main(seed: int, buzzers: tuple[str, ...], noises: tuple[str, ...]) -> None:
    """Print what is heard of each buzzer, and how much in noise alone."""
    buzzers, noises = buzzers or tuple(scenes.BUZZERS), noises or tuple(scenes.NOISES)
    console = Console()
    cases = [Case(b, n, ratio, seed, 40.0) for b in buzzers for n in noises for ratio in RATIOS]
    results = [run(case) for case in track(cases, "With the buzzer")]
    heard = Table("", "changes", "untaught F1", "taught F1")
    for label, changes, untaught, taught in rows(results):
        heard.add_row(label, str(changes), f"{untaught:.3f}", f"{taught:.3f}")
    console.print(heard)
    prints = {b: lesson(Case(b, noises[0], None, seed, 40.0)) for b in buzzers}
    alone = Table("false changes in a minute of", *buzzers)
    for noise in track(noises, "Without it"):
        scene = scenes.no_buzzer_scene(noise, seed, 60.0)
        alone.add_row(noise, *(str(len(hear_ours(scene, prints[b])[0])) for b in buzzers))
    console.print(alone)


if __name__ == "__main__":
    main()
