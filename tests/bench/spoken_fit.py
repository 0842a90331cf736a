"""Fit the shares and the confidence of spoken readings to kept runs of ``spoken_table.py``.

    python -m tests.bench.spoken_table --voices fit --count 1000 --seed 1 --keep fit.jsonl
    python -m tests.bench.spoken_fit fit.jsonl

Prints SHARES and WEIGHTS for `analysis.spoken.judge`: those with the least log loss, with a little
shrinkage. People and voices near to theirs count LIKE_PEOPLE times: it is people who will speak.
What they are worth is judged on other voices and another seed: ``--voices judge``.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from analysis.spoken import judge
from analysis.spoken.commands import take_apart
from analysis.spoken.judge import Hypothesis, Meaning
from analysis.wheel import Mark

from .spoken_scenes import HUMAN

SHRINK = 0.0003
LIKE_PEOPLE = 2
PEOPLE = (HUMAN, "kokoro", "piper")
Array = npt.NDArray[np.float64]
Said = tuple[list[Hypothesis], float, Meaning | None]


def truth_of(item: dict[str, Any]) -> Meaning | None:
    """Return what an item says; None for other talk."""
    if item["kind"] == "r":
        return Meaning(mark=Mark(item["number"], item["side"]))
    said = take_apart(item["words"]) if item["kind"] == "c" else None
    if said is None:
        return None
    return Meaning(said.commands, said.senses[0].mark if said.senses else None)


def utterances(items: list[dict[str, Any]]) -> list[Said]:
    """Return hypotheses, length in seconds and truth of every utterance."""
    return [
        ([Hypothesis(*h) for h in u["h"]], u["end"] - u["start"], truth_of(item))
        for item in items
        for u in item["res"]
        for _ in range(LIKE_PEOPLE if item["voice"].split()[0] in PEOPLE else 1)
    ]


def fit_shares(said: list[Said]) -> tuple[Array, float]:
    """Return the weights of `evidence` and their loss, over utterances with a true candidate."""
    cases = []
    for hypotheses, seconds, truth in said:
        supports = judge.supports_of(hypotheses)
        true = [i for i, support in enumerate(supports) if support.meaning == truth]
        if true:
            cases.append((np.array([judge.evidence(s, seconds) for s in supports]), true[0]))

    def loss(w: Array) -> tuple[float, Array]:
        total, slope = 0.0, np.zeros_like(w)
        for x, true in cases:
            scores = x @ w
            shares = np.exp(scores - scores.max())
            shares /= shares.sum()
            total -= float(np.log(shares[true] + 1e-300))
            slope -= x[true] - shares @ x
        return total / len(cases) + SHRINK * w @ w, slope / len(cases) + 2 * SHRINK * w

    found = minimize(loss, np.zeros(cases[0][0].shape[1]), jac=True, method="BFGS")
    return found.x, float(found.fun)


def fit_confidence(said: list[Said]) -> tuple[Array, float]:
    """Return the weights of 1 and of `traits`, and their loss."""
    rows, right = [], []
    for hypotheses, seconds, truth in said:
        shared = judge.shares(hypotheses, seconds)
        if shared:
            best, share = shared[0]
            rows.append((1.0, *judge.traits(best, share, seconds, hypotheses)))
            right.append(best.meaning == truth)
    x, y = np.array(rows), np.array(right, float)

    def loss(w: Array) -> float:
        z = x @ w
        return float(np.mean(np.logaddexp(0.0, z) - y * z) + SHRINK * np.sum(w[1:] ** 2))

    found = minimize(loss, np.zeros(x.shape[1]), method="BFGS")
    return found.x, float(found.fun)


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("runs", nargs="+", type=Path, help="as spoken_table kept them")
    lines = [line for path in parser.parse_args().runs for line in path.read_text().splitlines()]
    said = utterances([json.loads(line) for line in lines])
    for name, fit in (("SHARES", fit_shares), ("WEIGHTS", fit_confidence)):
        weights, loss = fit(said)
        setattr(judge, name, tuple(weights))
        print(f"{name} = ({', '.join(f'{w:.3f}' for w in weights)})  # loss {loss:.4f}")


if __name__ == "__main__":
    main()
