"""Learning a buzzer from a stretch of sound, with no teaching.

Meaning
-------
What a buzzer has and the rest of a shop has not is a level that is *steady while it sounds* and
*comes back*. So each column of the spectrum is searched for levels held for longer than chance
would: a frame votes for its level where the level moved less than 2 dB over five frames. A level
with many votes is a suspect: frames near it are taken for one state of the buzzer, frames well
below it for the other, frames well above it for masked. From that start the two states' prints
and the labels of the frames are improved in turn until they agree, and the suspects are judged
by how much like a buzzer the outcome behaves.

Sources
-------
P. V. C. Hough's voting idea, here over level and frequency (US patent 3,069,654, 1962).
A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the EM
algorithm", J. Roy. Stat. Soc. B 39 (1977) 1; its hard-label form as in L. R. Rabiner, B.-H. Juang,
"The segmental K-means algorithm", IEEE Trans. ASSP 38 (1990) 1639.
H. Jeffreys, "An invariant form for the prior probability", Proc. R. Soc. A 186 (1946) 453: the
symmetric divergence by which columns are chosen.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import (
    binary_erosion,
    maximum_filter1d,
    median_filter,
    minimum_filter1d,
    uniform_filter1d,
)

from analysis.ear.buzzer import (
    LOW_DB,
    STEPS,
    USUAL_COLUMNS,
    BuzzerPrint,
    as_steps,
    level_shares,
)
from analysis.ear.spectrum import FrameGrid, Levels, Powers

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

STEADY_FRAMES = 5
STEADY_DB = 2.0
SUSPECTS = 10
LEAST_S = 0.25
"""Least time in each state from which a buzzer is learnt."""
SHORTEST_RUN_S = 0.028


@dataclass(frozen=True, eq=False)
class Suspect:
    """A possible buzzer: the votes behind it and the frames taken for its state 1."""

    votes_s: float
    column: int
    level_db: float
    labels: Mask


@dataclass(frozen=True, eq=False)
class Heard:
    """The frames of a stretch, as labelled by a print.

    Attributes
    ----------
    labels : ndarray of bool, shape (frames,)
        Whether the frame is taken for state 1.
    log_odds : ndarray, shape (frames,)
        Smoothed log odds of state 1.
    columns : ndarray of int
        Telling columns, most telling first.
    divergence : ndarray
        Jeffreys divergence between the states in each of them.
    evidence : ndarray, shape (len(columns), STEPS)
    """

    labels: Mask
    log_odds: Array
    columns: npt.NDArray[np.intp]
    divergence: Array
    evidence: Array
    shares: tuple[Array, Array]


def runs(labels: Mask) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Return the lengths of the runs of equal labels, and the label of each."""
    edges = np.flatnonzero(np.diff(labels)) + 1
    starts = np.concatenate([[0], edges])
    return np.diff(np.concatenate([starts, [len(labels)]])), labels[starts]


def steady(levels: Levels) -> Mask:
    """Return where a level moved less than STEADY_DB over STEADY_FRAMES, shape as `levels`."""
    highest = maximum_filter1d(levels, STEADY_FRAMES, axis=0)
    return np.asarray(highest - minimum_filter1d(levels, STEADY_FRAMES, axis=0) < STEADY_DB)


def find_suspects(levels: Levels, held: Mask, hop_s: float) -> list[Suspect]:
    """Return the levels that are held longest, best first, no two with nearly the same labels."""
    frames, columns = levels.shape
    half_db = np.clip((levels - LOW_DB) * 2, 0, 2 * STEPS - 1).astype(np.intp)
    flat = (half_db + np.arange(columns) * 2 * STEPS)[held]
    votes = np.bincount(flat, minlength=columns * 2 * STEPS).reshape(columns, 2 * STEPS)
    votes_s = uniform_filter1d(votes.astype(float), 6, axis=1) * 6 * hop_s
    smooth = uniform_filter1d(levels, 3, axis=0)
    ranked: list[tuple[float, int, int]] = []
    for _ in range(2):
        best = votes_s.argmax(axis=1)
        ranked += [(float(votes_s[k, b]), k, int(b)) for k, b in enumerate(best)]
        for k, b in enumerate(best):
            votes_s[k, max(0, b - 7) : b + 8] = 0
    ranked.sort(reverse=True)
    suspects: list[Suspect] = []
    for seconds, column, half in ranked[:150]:
        if seconds < LEAST_S / 2 or len(suspects) >= 2 * SUSPECTS:
            break
        level = half / 2 + LOW_DB
        found = _label(smooth[:, column], level, hop_s)
        if found is None:
            continue
        labels, worth = found
        if any(abs(float(np.mean(labels == s.labels)) - 0.5) > 0.42 for s in suspects):
            continue
        suspects.append(Suspect(seconds * worth, column, level, labels))
    suspects.sort(key=lambda s: -s.votes_s)
    return suspects[:SUSPECTS]


def _label(level: Array, at_db: float, hop_s: float) -> tuple[Mask, float] | None:
    near, below = np.abs(level - at_db) < 2.5, level < at_db - 4
    if min(near.sum(), below.sum()) * hop_s < LEAST_S:
        return None
    labels = carry_over(near, below)
    lengths, _ = runs(labels)
    lasting = lengths[lengths * hop_s > SHORTEST_RUN_S].sum() / len(labels)
    return labels, float(lasting**2 * min(1.0, below.sum() * hop_s / 3))


def carry_over(yes: Mask, no: Mask) -> Mask:
    """Label frames that are neither `yes` nor `no` like the last one that was."""
    known = np.where(yes | no, np.arange(len(yes)), -1)
    last = np.maximum.accumulate(known)
    last[last < 0] = max(0, int(np.argmax(yes | no)))
    return median_filter(yes[last].astype(np.uint8), 5).astype(bool)


def refine(levels: Levels, labels: Mask, rounds: int = 3) -> Heard | None:
    """Improve labels and print in turn; None when one of the states vanishes."""
    steps = as_steps(levels)
    known = np.ones(len(labels), dtype=bool)
    heard = None
    for _ in range(rounds):
        one = binary_erosion(labels, iterations=2, border_value=1) & known
        zero = binary_erosion(~labels, iterations=2, border_value=1) & known
        if one.sum() < 6 or zero.sum() < 6:
            return None
        shares = level_shares(steps, zero), level_shares(steps, one)
        weight = np.log(shares[1] / shares[0])
        divergence = ((shares[1] - shares[0]) * weight).sum(axis=1)
        columns = _telling(divergence)
        evidence = weight[columns] / max(1.0, len(columns) / 4)
        log_odds = evidence[np.arange(len(columns)), steps[:, columns]].sum(axis=1)
        log_odds = uniform_filter1d(log_odds, 3)
        yes, no = log_odds > 1.5, log_odds < -1.5
        known = yes | no
        labels = carry_over(yes, no)
        if labels.all() or not labels.any():
            return None
        heard = Heard(labels, log_odds, columns, divergence[columns], evidence, shares)
    return heard


def _telling(divergence: Array) -> npt.NDArray[np.intp]:
    chosen: list[int] = []
    for k in np.argsort(-divergence):
        if divergence[k] < 0.25 * divergence.max() or len(chosen) >= USUAL_COLUMNS:
            break
        if all(abs(int(k) - j) >= 2 for j in chosen):
            chosen.append(int(k))
    return np.array(chosen, dtype=np.intp)
