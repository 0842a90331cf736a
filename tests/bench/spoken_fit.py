"""Fit the confidence of spoken readings to a kept run of ``spoken_table.py``.

    python tests/bench/spoken_table.py --count 1000 --seed 1 --keep train.jsonl
    python tests/bench/spoken_fit.py train.jsonl

Prints WEIGHTS for `analysis.spoken.judge`: those with the least log loss of a logistic model, with
a little shrinkage.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from analysis.spoken import judge  # noqa: E402
from analysis.spoken.commands import take_apart  # noqa: E402
from analysis.spoken.judge import Hypothesis, Meaning  # noqa: E402
from analysis.wheel import Mark  # noqa: E402

SHRINK = 0.0002


def examples(items: list[dict]) -> tuple[np.ndarray, np.ndarray, int]:
    """Return traits and rightness of each utterance's likeliest meaning, and how many are right."""
    rows, right = [], []
    for item in items:
        truth = None
        if item["kind"] == "r":
            truth = Meaning(mark=Mark(item["number"], item["side"]))
        elif item["kind"] == "c":
            said = take_apart(item["words"])
            assert said is not None
            truth = Meaning(said.commands, said.senses[0].mark if said.senses else None)
        for u in item["res"]:
            hypotheses = [Hypothesis(*h) for h in u["h"]]
            pooled = judge.pool(hypotheses)
            if pooled:
                best = pooled[0].meaning
                shown = judge.support(best, hypotheses)
                rows.append(judge.traits(best, shown, u["end"] - u["start"]))
                right.append(best == truth and len(item["res"]) == 1)
    return np.array(rows), np.array(right, float), int(sum(right))


def fit(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the weights of least log loss and that loss, per example."""
    x = np.column_stack([np.ones(len(x)), x])

    def loss(w: np.ndarray) -> float:
        z = x @ w
        return float(np.mean(np.logaddexp(0.0, z) - y * z) + SHRINK * np.sum(w[1:] ** 2))

    found = minimize(loss, np.zeros(x.shape[1]), method="BFGS")
    return found.x, float(found.fun)


def main() -> None:
    """Fit and print."""
    items = [json.loads(line) for line in Path(sys.argv[1]).read_text().splitlines()]
    x, y, right = examples(items)
    weights, loss = fit(x, y)
    print(f"{right} right of {len(y)}, loss {loss:.4f}")
    print("WEIGHTS = (" + ", ".join(f"{w:.3f}" for w in weights) + ")")


if __name__ == "__main__":
    main()
