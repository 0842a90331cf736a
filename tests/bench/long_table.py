"""Long sessions, heard from a file and live: how much of them, and from when on.

    python -m tests.bench.long_table --seed 301 --jobs 2
    python -m tests.bench.long_table --seed 301 --buzzer loudness --noise radio

A mechanic connects the buzzer, walks round the machine, and only then turns it, slowly. So in each
of these scenes of 100 s the points rest for the first 15 to 35 s, and are moved every 1 to 8 s from
then on; over all of it the battery sags. Every other one has a signal-to-noise ratio of 6 dB, the
rest of 15. All else is drawn, and scored, as in ``ear_table.py``.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import click
import numpy as np
from rich.console import Console
from rich.progress import track

from analysis.ear.live import LiveEar
from analysis.sound import Block
from listen.hearing import LIVE_BLOCK_S

from . import scenes
from .ear_table import Case, Sheet, as_found, as_markdown, hear_ours, shown
from .score import Score, score, total

SECONDS = 100.0
AT_FIRST_S, DWELL_S = (15.0, 35.0), (1.2, 8.0)
RATIOS = (6.0, 15.0)
LATE_S = 0.25
"""What is told later than this after the change was not heard as it came."""


@dataclass(frozen=True)
class Both:
    """How one session was heard, and how long after its first move live began to tell."""

    case: Case
    file: Score
    live: Score
    begun_after_s: float
    late: int


def run(case: Case) -> Both:
    """Hear a session both ways."""
    scene = scenes.make_scene(
        case.buzzer,
        case.noise,
        case.snr_db,
        case.seed,
        case.seconds,
        dwell_s=DWELL_S,
        at_first_s=AT_FIRST_S,
    )
    file = score(scene.truth, hear_ours(scene)[0], scene.seconds)
    ear, told, told_at_s = LiveEar(scene.rate_hz, scene.sounding), [], []
    for block in Block(scene.samples, scene.rate_hz, 0.0).pieces(LIVE_BLOCK_S):
        changes = ear.hear(block)
        told += changes
        told_at_s += [block.end_s] * len(changes)
    rest = ear.finish()
    told_at_s += [scene.seconds] * len(rest)
    told += rest
    begun_s = told_at_s[0] if told else np.inf
    return Both(
        case,
        file,
        score(scene.truth, as_found(told), scene.seconds),
        begun_s - scene.truth[0].time_s,
        sum(at_s > c.settled_s + LATE_S for c, at_s in zip(told, told_at_s, strict=True)),
    )


def long_sheet(results: list[Both]) -> Sheet:
    """Return what was heard, by buzzer, by ratio and in all."""
    groups = {b: [r for r in results if r.case.buzzer == b] for b in scenes.BUZZERS}
    groups |= {f"{ratio:g} dB": [r for r in results if r.case.snr_db == ratio] for ratio in RATIOS}
    groups["all"] = results
    heads = ["", "changes", "file", "file F1", "live", "live F1", "first told after s", "told late"]
    return Sheet("Long sessions", heads, [row(name, of) for name, of in groups.items() if of])


def row(label: str, results: list[Both]) -> list[str]:
    """Return what was heard of some sessions."""
    file, live = (total(getattr(r, way) for r in results) for way in ("file", "live"))
    return [
        label,
        *(str(count) for count in (file.true, file.found)),
        f"{file.f1:.3f}",
        str(live.found),
        f"{live.f1:.3f}",
        f"{np.median([r.begun_after_s for r in results]):.0f}",
        str(sum(r.late for r in results)),
    ]


@click.command()
@click.option("--seed", default=301, show_default=True)
@click.option("--jobs", default=1, show_default=True, help="Processes at a time.")
@click.option("--buzzer", "buzzers", multiple=True, type=click.Choice(scenes.BUZZERS))
@click.option("--noise", "noises", multiple=True, type=click.Choice(scenes.NOISES))
@click.option("--markdown", is_flag=True, help="Print it for a page.")
def main(
    seed: int, jobs: int, buzzers: tuple[str, ...], noises: tuple[str, ...], markdown: bool
) -> None:
    """Print what is heard of long sessions."""
    console = Console(width=120)
    cases = [
        Case(buzzer, noise, RATIOS[(i + j) % len(RATIOS)], seed, SECONDS)
        for i, buzzer in enumerate(scenes.BUZZERS)
        for j, noise in enumerate(scenes.NOISES)
        if buzzer in (buzzers or scenes.BUZZERS) and noise in (noises or scenes.NOISES)
    ]
    with ProcessPoolExecutor(jobs) as pool:
        waiting = [pool.submit(run, case) for case in cases]
        progress = Console(stderr=True)
        results = [job.result() for job in track(waiting, "hearing", console=progress)]
    sheet = long_sheet(results)
    console.print(as_markdown(sheet) if markdown else shown(sheet), soft_wrap=markdown)


if __name__ == "__main__":
    main()
