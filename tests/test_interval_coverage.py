"""A small run of the coverage bench: stated intervals hold the truth, without bias."""

import numpy as np
from bench.interval_coverage import READERS, false_alarms, job, table


def test_stated_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(3)
    rows = table([job(rng) for _ in range(250)])
    _, _, jobs, held, bias, _ = rows[0]
    # 96 % less three standard deviations of 250 draws; the whole run stands in docs/accuracy.md.
    assert jobs == 250 and held > 0.92
    assert abs(bias) < 0.1


def test_a_drift_is_seldom_found_where_there_is_none() -> None:
    rng = np.random.default_rng(4)
    jobs = [job(rng, 3, reader, alone=True) for reader in READERS for _ in range(300)]
    for sessions in (2, 3, 5):
        histories, found = false_alarms(jobs, sessions)
        # 5 % and three standard deviations of that many draws
        assert 0 < found < 0.05 * histories + 3.0 * (0.05 * 0.95 * histories) ** 0.5
