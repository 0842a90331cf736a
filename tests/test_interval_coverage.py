"""A small run of the coverage bench: stated intervals hold the truth, without bias."""

import numpy as np
from bench.interval_coverage import job, table


def test_stated_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(3)
    rows = table([job(rng) for _ in range(250)])
    _, _, jobs, held, bias, _ = rows[0]
    # 96 % less three standard deviations of 250 draws; the whole run stands in docs/accuracy.md.
    assert jobs == 250 and held > 0.92
    assert abs(bias) < 0.1
