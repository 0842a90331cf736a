"""Learning a buzzer from a stretch of sound, with no teaching.

Meaning
-------
What a buzzer has and the rest of a shop has not is a level that is *steady while it sounds* and
*comes back*. So each column of the spectrum is searched for levels held for longer than chance
would: a frame votes for its level where the level moved less than 2 dB over five frames. A level
with many votes is a suspect: frames near it are taken for one state of the buzzer, frames well
below it for the other, frames well above it for masked. From that start the two states' prints
and the labels of the frames, by the best course of the states (:mod:`.chain`), are improved in
turn, and the suspects are judged by how much like a buzzer the outcome behaves.

Sources
-------
P. V. C. Hough's voting idea, here over level and frequency (US patent 3,069,654, 1962).
A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the EM
algorithm", J. Roy. Stat. Soc. B 39 (1977) 1; its hard-label form as in L. R. Rabiner, B.-H. Juang,
"The segmental K-means algorithm", IEEE Trans. ASSP 38 (1990) 1639.
H. Jeffreys, "An invariant form for the prior probability", Proc. R. Soc. A 186 (1946) 453: the
symmetric divergence by which columns are chosen.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter, minimum_filter1d, uniform_filter1d

from analysis.ear.beeps import LONGEST_S, clock, may_be_beeps, same
from analysis.ear.buzzer import (
    LOW_DB,
    NEIGHBOURS,
    STEPS,
    USUAL_COLUMNS,
    BuzzerPrint,
    as_steps,
    evidence_temper,
    level_shares,
    some_of,
    weigh,
)
from analysis.ear.chain import best_course_odds
from analysis.ear.spectrum import Columns, FrameGrid, Levels, Powers, sliding

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

STEADY_FRAMES = 5
STEADY_DB = 2.0
MOST_TRIED = 150
"""Most levels that are looked at more closely."""
SUSPECTS, FURTHER = 12, 4
"""How many suspects are looked at as closely as can be, and how many more of another kind."""
ALIKE = 3
"""Most of them near each other in frequency."""
SAME, NEARLY = 0.92, 0.85
"""Share of frames alike from which two suspects are one, and will most likely become one."""
MOST_LEARNT = 4
"""Most prints that are made of a stretch."""
AGREED = 0.99
"""Share of frames alike from which two prints will be heard to tell the same."""
BEEPS_TRIED = 8
BESIDE = 4
"""Columns on either side that the same beeps may be in."""
MOST_BEEPS = 150
"""Beeps that are enough to know a clock by."""
BEEP_DB = 10.0
"""How far a beep stands out from its neighbours."""
LOUD_SHARE, GAPS_DB = 0.7, (12.0, 8.0, 5.0)
"""Share of a tone's frames that are quieter than its beeps, and how far below these the gaps may
begin."""
LEAST_S = 0.12
"""Least time in each state from which a buzzer is learnt."""
SHORTEST_RUN_S = 0.028
FRAME_LOG_ODDS = 1.5
"""Log odds of a frame beyond which its label is certain."""
SILENCE = 1e-10
"""Power of a frame below which nothing was recorded: no microphone is as quiet."""
PLENTY = 400
"""Frames that are enough for a median."""
LONG_REST, WIDE_SPAN = 0.4, 0.6
"""Share of a stretch without a change, and from its first change to its last, that count as such:
someone may open the points once in a stretch, or all the time."""
LEAST_DIVERGENCE = 1.0
"""Divergence of a bin's levels in the two states below which they differ by chance: someone may
have spoken louder in one of them."""
TAIL_SHARE = 0.1
"""How often a sound that dies away is met between its two levels."""
TAIL_DB = 3.0
"""How far below the louder level that begins."""
FADE_DB, FADE_SHARE = 11.0, 0.14
"""How far a sound may fade, as where somebody walks between, and how often it is met so."""


@dataclass(frozen=True, eq=False)
class Suspect:
    """A possible buzzer: the votes behind it and the frames taken for its state 1."""

    votes_s: float
    labels: Mask


@dataclass(frozen=True, eq=False)
class Labelled:
    """The frames of a stretch, as labelled by a print.

    Attributes
    ----------
    labels : ndarray of bool, shape (frames,)
        Whether the frame is taken for state 1.
    log_odds : ndarray, shape (frames,)
        Log odds of state 1, in the light of all frames.
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
    starts = np.flatnonzero(np.diff(labels, prepend=~labels[:1]))
    return np.diff(starts, append=len(labels)), labels[starts]


def steady(levels: Levels) -> Mask:
    """Return where a level moved less than STEADY_DB over STEADY_FRAMES, shape as `levels`."""
    highest, lowest = (
        sliding(extreme, levels, STEADY_FRAMES // 2, axis=0) for extreme in (np.maximum, np.minimum)
    )
    return np.asarray(highest - lowest < STEADY_DB)


def find_suspects(levels: Levels, held: Mask, grid: FrameGrid) -> list[Suspect]:
    """Return the levels that are held longest, best first, no two with nearly the same labels.

    No more than ALIKE of them lie near each other in frequency, so that a loud voice leaves room
    for a faint buzzer.
    """
    smooth = uniform_filter1d(levels, 3, axis=0)
    middle_hz = grid.columns_hz.mean(axis=1)
    found: list[tuple[Suspect, float]] = []
    for seconds, column, at_db in _held_longest(levels, held, grid.hop_s):
        labelled = _label(smooth[:, column], at_db, grid.hop_s)
        if labelled is None:
            continue
        labels, worth = labelled
        if _is_alike(labels, [s.labels for s, _ in found], SAME):
            continue
        found.append((Suspect(seconds * worth, labels), float(middle_hz[column])))
    found.sort(key=lambda f: -f[0].votes_s)
    suspects: list[Suspect] = []
    taken: list[float] = []
    for suspect, hz in found:
        if np.sum(np.abs(np.log2(np.array(taken) / hz)) < 0.2) < ALIKE:
            suspects.append(suspect)
            taken.append(hz)
    return suspects


def _held_longest(levels: Levels, held: Mask, hop_s: float) -> list[tuple[float, int, float]]:
    """Return (seconds held, column, level in dB), longest first, at most two to a column.

    A level counts only where the column is also well below it for a while.
    """
    columns = levels.shape[1]
    half_db = np.clip((levels - LOW_DB) * 2, 0, 2 * STEPS - 1).astype(np.intp)
    flat = half_db + np.arange(columns) * 2 * STEPS
    shape = columns, 2 * STEPS
    votes, counts = (
        np.bincount(f, minlength=columns * 2 * STEPS).reshape(shape)
        for f in (flat[held], flat.ravel())
    )
    votes_s = uniform_filter1d(votes.astype(float), 6, axis=1) * 6 * hop_s
    below_s = np.cumsum(counts, axis=1) * hop_s
    votes_s[:, 8:][below_s[:, :-8] < LEAST_S] = 0.0
    votes_s[:, :8] = 0.0
    ranked: list[tuple[float, int, float]] = []
    for _ in range(2):
        for k, b in enumerate(votes_s.argmax(axis=1).tolist()):
            ranked.append((float(votes_s[k, b]), k, b / 2 + LOW_DB))
            votes_s[k, max(0, b - 7) : b + 8] = 0
    ranked.sort(reverse=True)
    return [held for held in ranked[:MOST_TRIED] if held[0] >= LEAST_S / 2]


def find_beeps(levels: Levels, grid: FrameGrid) -> list[Suspect]:
    """Return the narrow columns in which a tone beeps to a clock, however shortly, clearest first.

    A short beep is never held; but it stands out from its neighbours, again and again.
    """
    narrow = levels[:, : grid.bins]
    wide, near = (uniform_filter1d(narrow, width, axis=1) * width for width in (19, 9))
    above = uniform_filter1d(narrow - (wide - near) / 10, 3, axis=0)
    there = above > BEEP_DB
    seconds = there.sum(axis=0) * grid.hop_s
    comes_and_goes = np.minimum(seconds, len(levels) * grid.hop_s - seconds) >= LEAST_S
    clearness = np.where(there, above, 0.0).sum(axis=0) * comes_and_goes
    beeps: list[Suspect] = []

    def beeping_in(k: int) -> tuple[int, Mask] | None:
        if not comes_and_goes[k]:
            return None
        courses = above[:, k], uniform_filter1d(narrow[:, k], 3)
        found = [_beeping(course, there[:, k], grid.hop_s) for course in courses]
        return max((one for one in found if one), key=lambda one: one[0], default=None)

    for _ in range(BEEPS_TRIED):
        k = int(clearness.argmax())
        if clearness[k] == 0:
            break
        near_by = range(max(0, k - BESIDE), min(k + BESIDE + 1, grid.bins))
        best = beeping_in(k)
        if best is not None:
            # A note may lie beside the beeps, and be in the clearest column.
            others = (beeping_in(beside) for beside in near_by if beside != k)
            _, labels = max([best, *filter(None, others)], key=lambda one: one[0])
            beeps.append(Suspect(float(seconds[k]), labels))
        clearness[near_by.start : near_by.stop] = 0.0
    return beeps


def _beeping(level: Array, there: Mask, hop_s: float) -> tuple[int, Mask] | None:
    """Return how many beeps keep to a clock, and the frames that hold one, if any do.

    In a room the gaps hold the last beep's dying away, not far below it.
    """
    on, off = (float(np.median(level[m])) for m in (there, ~there))
    loud = float(np.quantile(level[there], LOUD_SHARE))
    best: tuple[int, Mask] | None = None
    for least in (0.5 * (on + off), *(loud - down for down in GAPS_DB)):
        labels = level > least
        starts = np.flatnonzero(np.diff(labels.astype(int)) == 1) * hop_s
        ticks = clock(starts.tolist(), _quiet_s(labels, hop_s))
        if ticks is None:
            continue
        out = np.abs(np.diff(starts) / ticks[0] - 1)
        count = int(np.sum(out < same(np.array(ticks[0]))))
        if best is None or count > best[0]:
            best = count, labels
    return best


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
    return np.asarray(median_filter(yes[last].astype(np.uint8), 5), dtype=bool)


def refine(
    steps: npt.NDArray[np.int16], labels: Mask, hop_s: float, rounds: int = 3
) -> Labelled | None:
    """Improve labels and print in turn; None when one of the states vanishes.

    `steps` are the levels of all columns, from :func:`as_steps`.
    """
    known = np.ones(len(labels), dtype=bool)
    heard = None
    for _ in range(rounds):
        zero, one = (core & known for core in cores(labels, 2))
        if one.sum() < 6 or zero.sum() < 6:
            return None
        shares = with_tails(_silent_shares(steps, labels, zero, hop_s), level_shares(steps, one))
        columns, divergence, evidence = telling(shares)
        log_odds = best_course_odds(weigh(evidence, steps[:, columns]), hop_s)
        labels, known = log_odds > 0, np.abs(log_odds) > FRAME_LOG_ODDS
        if labels.all() or not labels.any():
            return None
        heard = Labelled(labels, log_odds, columns, divergence, evidence, shares)
    return heard


def _silent_shares(steps: npt.NDArray[np.int16], labels: Mask, zero: Mask, hop_s: float) -> Array:
    """Return how often each level occurs in state 0; the gaps between beeps count half.

    They are few beside a long silence, and hold the last beep's dying away.
    """
    shares = level_shares(steps, zero)
    if _ticks(labels, 1, hop_s) is not None:
        lengths, states = runs(labels)
        gaps = zero & np.repeat(~states & (lengths < LONGEST_S / hop_s), lengths)
        if gaps.sum() >= 6:
            shares = 0.5 * (shares + level_shares(steps, gaps))
    return shares


def with_tails(zero: Array, one: Array) -> tuple[Array, Array]:
    """Grant each state the levels it is met at in passing: the louder those just below its own, to
    which it may fade, and the quieter those between the two, through which a sound dies away.
    """
    place = np.arange(STEPS)
    levels = [(s @ place)[:, None] for s in (zero, one)]
    granted = []
    for share, (own, other) in zip((zero, one), (levels, levels[::-1]), strict=True):
        between = (place > own) & (place < other - TAIL_DB)
        count = np.maximum(between.sum(axis=1, keepdims=True), 1)
        fades = (place < own) & (place > own - FADE_DB) & (own > other + 2 * FADE_DB)
        granted.append(share + TAIL_SHARE * between / count + FADE_SHARE * fades / FADE_DB)
    return granted[0], granted[1]


def cores(labels: Mask, margin: int) -> tuple[Mask, Mask]:
    """Return the frames of state 0 and of state 1 that are further than `margin` from a change."""
    lengths, states = runs(labels)
    sides = []
    for state in (False, True):
        usual = np.median(lengths[states == state]) if np.any(states == state) else 0.0
        inside = int(np.clip((usual - 2) // 2, 1, margin))
        sides.append(minimum_filter1d(labels == state, 2 * inside + 1, mode="nearest"))
    return sides[0], sides[1]


def telling(shares: tuple[Array, Array]) -> tuple[npt.NDArray[np.intp], Array, Array]:
    """Choose the columns that tell two states apart.

    Parameters
    ----------
    shares : (ndarray, ndarray), shape (columns, STEPS) each
        How often each level occurs in state 0 and in state 1.

    Returns
    -------
    columns : ndarray of int, shape (n,)
        Most telling first, no two neighbours.
    divergence : ndarray, shape (n,)
        Jeffreys divergence between the states in each.
    evidence : ndarray, shape (n, STEPS)
        Log odds of state 1 at each level of each, tempered.
    """
    divergence = divergence_between(shares)
    columns = _chosen(divergence)
    weight = np.log(shares[1][columns] / shares[0][columns])
    return columns, divergence[columns], weight / evidence_temper(len(columns))


def divergence_between(shares: tuple[Array, Array]) -> Array:
    """Return the Jeffreys divergence between the two states' levels in each column."""
    return np.asarray(((shares[1] - shares[0]) * np.log(shares[1] / shares[0])).sum(axis=1))


def _chosen(divergence: Array) -> npt.NDArray[np.intp]:
    chosen: list[int] = []
    for k in np.argsort(-divergence):
        if divergence[k] < 0.25 * divergence.max() or len(chosen) >= USUAL_COLUMNS:
            break
        if all(abs(int(k) - j) >= 2 for j in chosen):
            chosen.append(int(k))
    return np.array(chosen, dtype=np.intp)


LIKENESS = {
    "divergence": 0.787,
    "flat": 2.799,
    "certain": 1.435,
    "other_flat": 2.748,
    "step": 1.445,
    "least_step": 0.083,
    "votes": 1.52,
    "span": 4.522,
    "rest": -14.324,
    "changes": -1.191,
    "beeps": 3.086,
}
"""Weights by which the suspects of a stretch are ranked: a conditional logit fitted on simulated
scenes (tests/bench/learning_fit.py)."""
BUZZER_LOG_ODDS = {
    "flat": 11.675,
    "certain": 2.635,
    "other_flat": 2.863,
    "stands_out": 0.119,
    "gap": 0.269,
    "step": -2.83,
    "least_step": 2.527,
    "valley": -5.311,
    "votes": 1.108,
    "rest": -16.927,
    "beeps": 3.33,
}
"""Weights of the likeliest suspect's being a buzzer at all: a logistic regression on the same."""
BUZZER_LOG_ODDS_BASE = -23.04


@dataclass(frozen=True, eq=False)
class Judgement:
    """How much a suspect behaves like a buzzer, among others and at all, in log odds."""

    likeness: float
    quality: float

    @property
    def rank(self) -> tuple[bool, float]:
        """By which suspects are compared: what may be a buzzer first, then by likeness."""
        return self.quality > 0, self.likeness


def judge(levels: Levels, votes_s: float, heard: Labelled, grid: FrameGrid) -> Judgement | None:
    """Judge whether a suspect is a buzzer and not something else in the room.

    Returns
    -------
    Judgement or None
        None when one of its states is hardly heard.
    """
    behaviour = traits(levels, votes_s, heard, grid)
    if behaviour is None:
        return None
    likeness, quality = (
        sum(weight * behaviour[name] for name, weight in weights.items())
        for weights in (LIKENESS, BUZZER_LOG_ODDS)
    )
    return Judgement(likeness, quality + BUZZER_LOG_ODDS_BASE)


def traits(
    levels: Levels, votes_s: float, heard: Labelled, grid: FrameGrid
) -> dict[str, float] | None:
    """Measure how a suspect behaves.

    A buzzer's sounding state is flat (its level stays within 2.5 dB of its usual one) and stands
    out from its neighbours; it goes from state to state in one step, and both are certain in
    nearly every frame. A line that drifts out of a column does not step, and a noise is not flat.
    What drifts into a column late shows its changes late, and a long rest elsewhere; beyond
    LONG_REST and WIDE_SPAN a longer rest and a wider span are no sign of anything.
    """
    zero, one = cores(heard.labels, 3)
    if one.sum() < 6 or zero.sum() < 6:
        return None
    k = heard.columns
    telling_ones = levels[:, k]
    few = [some_of(m, PLENTY) for m in (zero, one)]
    middle = np.stack([np.median(telling_ones[f], axis=0) for f in few])
    usual = np.stack([s[k].argmax(axis=1) for s in heard.shares]) + LOW_DB + 0.5
    flat = np.stack(
        [
            np.mean(np.abs(telling_ones[m] - u) < 2.5, axis=0)
            for m, u in zip((zero, one), usual, strict=True)
        ]
    )
    louder = (middle[1] > middle[0]).astype(int)
    best = int(louder[:3].sum() * 2 > len(louder[:3]))
    course = levels[:, k[0]]
    low, high = middle[1 - best, 0], middle[best, 0]
    way = (course - low) / (high - low if abs(high - low) > 1e-6 else 1e-6)
    steps = _steps(way if best else 1 - way, heard.labels)
    narrow = k[k < grid.bins][:4]
    lengths, _ = runs(heard.labels)
    return {
        "votes": float(np.log(votes_s + 0.1)),
        "divergence": float(heard.divergence.mean()),
        "certain": -float(np.log(1.005 - np.mean(np.abs(heard.log_odds) > FRAME_LOG_ODDS))),
        "flat": float(np.average(flat[louder, np.arange(len(k))], weights=heard.divergence)),
        "other_flat": float(flat[:, :4].max(axis=1).min()),
        "stands_out": min(30.0, _stands_out(levels[few[best]], narrow, grid.bins)),
        "gap": min(20.0, float(np.abs(middle[1] - middle[0])[:3].max())),
        "valley": float(np.mean((way > 0.25) & (way < 0.75))),
        "step": min(1.0, float(np.mean(steps))),
        "least_step": min(0.8, float(np.quantile(steps, 0.2))),
        "span": min(WIDE_SPAN, float(lengths[1:-1].sum() / len(heard.labels))),
        "rest": min(LONG_REST, float(lengths.max() / len(heard.labels))),
        "changes": float(np.log(len(lengths) - 1)),
        "beeps": float(_beeps(heard.labels, grid.hop_s)),
    }


def _beeps(labels: Mask, hop_s: float) -> bool:
    """Say whether a sound both comes and goes to one clock, with pauses."""
    comes, goes = (_ticks(labels, way, hop_s) for way in (1, -1))
    if comes is None or goes is None or abs(comes[0] / goes[0] - 1) >= 0.05:
        return False
    lengths, states = runs(labels)
    return may_be_beeps(lengths[states] * hop_s, comes[0])


def _ticks(labels: Mask, way: int, hop_s: float) -> tuple[float, float] | None:
    """Return the clock by which a sound comes (1) or goes (-1), as :func:`beeps.clock`."""
    at = np.flatnonzero(np.diff(labels.astype(int)) == way)
    return clock((at[:MOST_BEEPS] * hop_s).tolist(), _quiet_s(labels, hop_s))


def _quiet_s(labels: Mask, hop_s: float) -> float:
    """Return how long state 0 lasts at the beginning or at the end, whichever is longer, in s."""
    sounds = np.flatnonzero(labels)
    ends = (sounds[0], len(labels) - 1 - sounds[-1]) if len(sounds) else (0, 0)
    return float(max(ends)) * hop_s


def _steps(way: Array, labels: Mask) -> Array:
    """Return how much of the way each change goes at once."""
    at = np.flatnonzero(np.diff(labels)) + 1
    at = at[(at > 6) & (at < len(way) - 6)]
    if len(at) == 0:
        return np.zeros(1)
    sign = np.where(labels[at], 1.0, -1.0)
    smooth = uniform_filter1d(way, 3)
    return np.asarray(np.clip(sign * (smooth[at + 4] - smooth[at - 5]), -1.0, 1.5))


def _stands_out(levels: Levels, narrow: npt.NDArray[np.intp], bins: int) -> float:
    """Return by how much the plainest of some narrow columns is above its neighbours, in dB."""
    if len(narrow) == 0:
        return 0.0
    usual = np.median(levels[:, np.column_stack([narrow, neighbours(narrow, bins)])], axis=0)
    return float((usual[:, 0] - np.median(usual[:, 1:], axis=1)).max())


def neighbours(columns: npt.NDArray[np.intp], bins: int) -> npt.NDArray[np.intp]:
    """Return the narrow columns around each, clear of its own tone, shape (columns, 10)."""
    return np.asarray(np.clip(columns[:, None] + NEIGHBOURS, 0, bins - 1))


def make_print(
    levels: Levels, powers: Powers, heard: Labelled, grid: FrameGrid, quality: float
) -> BuzzerPrint:
    """Make a print of what was heard in a stretch."""
    zero, one = cores(heard.labels, 3)
    one, zero = (m if m.any() else n for m, n in ((one, heard.labels), (zero, ~heard.labels)))
    k = heard.columns
    few = [powers[some_of(m, PLENTY)] for m in (zero, one)]
    spectrum = np.stack([np.median(p, axis=0) for p in few]).astype(float)
    by_chance = divergence_between(heard.shares)[: grid.bins] < LEAST_DIVERGENCE
    spectrum[:, by_chance] = spectrum[:, by_chance].max(axis=0)
    telling_ones = levels[:, k]
    usual = np.stack([np.median(telling_ones[m], axis=0) for m in (zero, one)]).astype(float)
    return BuzzerPrint(
        columns_hz=grid.columns_hz[k],
        evidence=heard.evidence,
        spectrum_hz=grid.bins_hz,
        spectrum=spectrum,
        silent=_silent(usual, heard.divergence),
        margin_db=float(np.abs(usual[1] - usual[0]).max()),
        quality=quality,
        pulse_s=_pulse_s(heard.labels, grid.hop_s),
    )


def _pulse_s(labels: Mask, hop_s: float) -> tuple[float, float] | None:
    """Return the lengths of beep and gap, in s, of a sound in state 1 that beeps; else None."""
    if not _beeps(labels, hop_s):
        return None
    lengths, states = runs(labels)
    beeps, gaps = lengths[states], lengths[~states & (lengths < LONGEST_S / hop_s)]
    return float(np.median(beeps)) * hop_s, float(np.median(gaps)) * hop_s


def _silent(usual: Array, divergence: Array) -> int:
    """Return the state that is the quieter one in the columns that tell most."""
    louder_one = np.average(np.sign(usual[1] - usual[0]), weights=divergence)
    return 0 if louder_one > 0 else 1


def learn(powers: Powers, grid: FrameGrid) -> list[BuzzerPrint]:
    """Learn the buzzers that may be heard in a stretch of frames.

    Parameters
    ----------
    powers : ndarray, shape (frames, grid.bins)
        Power of each bin in each frame, some seconds to some minutes of them.
    grid : FrameGrid
        Frames and columns.

    Returns
    -------
    list of BuzzerPrint
        The likeliest first, each with the log odds that it is one as its `quality`, and no two
        that go from state to state alike; empty when nothing is held and comes back.
    """
    sounds = powers.sum(axis=1) > SILENCE
    if not sounds.all():
        # Sound that was cut, muted or lost is no state of a buzzer if there is one without it.
        found = _learn(powers[sounds], grid)
        if found and found[0].quality > 0:
            return found
    return _learn(powers, grid)


def suspects_heard(levels: Levels, grid: FrameGrid) -> Iterator[tuple[Suspect, Labelled]]:
    """Yield suspects of a stretch with its frames as labelled by a print of each.

    After the first SUSPECTS, those that hold nearly the same frames as another are left out.
    """
    steps = as_steps(levels)
    steadily = find_suspects(levels, steady(levels), grid)
    first, further = steadily[:SUSPECTS], steadily[SUSPECTS:]
    gone_through: list[Mask] = []
    for suspect in itertools.chain(
        first,
        find_beeps(levels, grid),
        itertools.islice(
            (one for one in further if not _is_alike(one.labels, gone_through, NEARLY)), FURTHER
        ),
    ):
        heard = refine(steps, suspect.labels, grid.hop_s)
        if heard is not None:
            gone_through.append(heard.labels)
            yield suspect, heard


def _is_alike(labels: Mask, others: list[Mask], share: float) -> bool:
    """Say whether labels agree with others in so many frames, or disagree in so many."""
    return any(abs(float(np.mean(labels == one)) - 0.5) > share - 0.5 for one in others)


def _learn(powers: Powers, grid: FrameGrid) -> list[BuzzerPrint]:
    if len(powers) * grid.hop_s < 2 * LEAST_S:
        return []
    levels = grid.levels(powers)
    judged = []
    for suspect, heard in suspects_heard(levels, grid):
        judgement = judge(levels, suspect.votes_s, heard, grid)
        if judgement is not None:
            judged.append((judgement, heard))
    judged.sort(key=lambda one: one[0].rank, reverse=True)
    prints: list[BuzzerPrint] = []
    gone_through: list[Mask] = []
    for judgement, heard in judged:
        if len(prints) < MOST_LEARNT and not _is_alike(heard.labels, gone_through, NEARLY):
            gone_through.append(heard.labels)
            prints.append(make_print(levels, powers, heard, grid, judgement.quality))
    return prints


def log_odds_by(known: BuzzerPrint, levels: Levels, grid: FrameGrid, every: int = 1) -> Array:
    """Return what a print says of each frame in the light of all: log odds of state 1.

    `levels` are those of every frame, or of every second or third.
    """
    odds = known.log_odds(levels, known.columns_in(grid))
    return best_course_odds(odds, every * grid.hop_s)


def say_the_same(one: BuzzerPrint, other: BuzzerPrint, powers: Powers, grid: FrameGrid) -> bool:
    """Say whether two prints go from state to state alike in some frames, and both or neither beep.

    Parameters
    ----------
    one, other : BuzzerPrint
        Of what may be one buzzer.
    powers : ndarray, shape (frames, grid.bins)
        Power of each bin in each frame.
    grid : FrameGrid
        Frames and columns.
    """
    if (one.pulse_s is None) != (other.pulse_s is None):
        return False
    labels, others = (_state_one_by(known, powers, grid) for known in (one, other))
    return _is_alike(labels, [others], AGREED)


def _state_one_by(known: BuzzerPrint, powers: Powers, grid: FrameGrid) -> Mask:
    """Say in which frames a print hears state 1, by its own columns alone."""
    levels = Columns(grid, known.columns_in(grid)).levels(powers)
    return best_course_odds(weigh(known.evidence, as_steps(levels)), grid.hop_s) > 0


def adapt(
    powers: Powers, levels: Levels, grid: FrameGrid, known: BuzzerPrint, every: int = 1
) -> BuzzerPrint | None:
    """Follow a known buzzer whose pitch or level has drifted; None when it is not heard.

    `powers` and their `levels` are those of every frame, or of every second or third.
    """
    if len(powers) == 0:
        return None
    labels = log_odds_by(known, levels, grid, every) > 0
    heard = refine(as_steps(levels), labels, every * grid.hop_s, rounds=2)
    if heard is None or float(np.mean(heard.labels == labels)) < 0.8:
        return None
    return make_print(levels, powers, heard, grid, known.quality).known_as(known)
