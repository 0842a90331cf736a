"""A detector that is told everything but the times: how well could anyone do?

It is given the two tones as they would sound without end, the envelope with which the buzzer
follows the contact, the noise's spectrum and its power at each moment; not its samples, and not
when the contact moved. It works on the direct sound before automatic gain and codec, which can
only take information away. What remains is a known signal in Gaussian noise, switched at unknown
times, and the most likely times are found in two steps:

1. the most likely path of the contact on a grid of a quarter of a millisecond (half for slow
   buzzers), by the Viterbi algorithm over (contact, level of the envelope): A. J. Viterbi,
   "Error bounds for convolutional codes and an asymptotically optimum decoding algorithm",
   IEEE Trans. Inf. Theory 13 (1967), 260-269;
2. the first toggle of each change to a fiftieth of a millisecond, by the likelihood of the
   known transition: S. M. Kay, "Fundamentals of Statistical Signal Processing", vol. 1 (1993),
   section 7.

Toggles less than 30 ms apart belong to one change. The noise is whitened by linear prediction.
Noise that is not Gaussian (blows, clicks) leaves room for a better detector than this one, and
an unresolved glide between two pitches costs it a little; otherwise it is hard to beat.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import linalg, signal

from .scenes import Known, Scene

Array = npt.NDArray[np.float64]

ONE_CHANGE_S = 0.030
TOGGLE_COST = 9.0  # log odds against a toggle in one step
CHATTER_COST = 4.0  # the same while the contact chatters


def times(scene: Scene, known_rate_hz: int = 48_000) -> list[float]:
    """Return the most likely times of the changes of a scene made with ``keep_known``."""
    known = scene.known
    if known is None:
        raise ValueError("make the scene with keep_known=True")
    rate = known_rate_hz
    match, power = _evidence(known, rate)
    slow = max(known.attack_s, known.release_s) > 0.008
    step = round((0.0005 if slow else 0.00025) * rate)
    toggles, first = _viterbi(known, match, power, rate, step, TOGGLE_COST)
    toggles = _with_chatter(known, match, power, rate, step, toggles, first)
    moves = _refined(known, match, power, rate, toggles, first, step)
    if scene.buzzer == "pulsed":
        return _bursts(moves, first, scene)
    return [change[0] for change in _grouped(moves) if len(change) % 2]


def _evidence(known: Known, rate: int) -> tuple[Array, Array]:
    """Return per sample ``m`` and ``p``: the log likelihood of envelope e is m e - p e^2 / 2."""
    order = 64
    spectrum = np.abs(np.fft.rfft(known.noise, 2 * len(known.noise))) ** 2
    lags = np.fft.irfft(spectrum)[: order + 1]
    lags[0] *= 1.0 + 1e-6
    whiten = np.concatenate([[1.0], -linalg.solve_toeplitz(lags[:-1], lags[1:])])
    noise = signal.lfilter(whiten, [1.0], known.noise)
    rest = signal.lfilter(whiten, [1.0], known.direct - known.other_tone)
    tone = signal.lfilter(whiten, [1.0], known.main_tone - known.other_tone)
    size = round(0.004 * rate)
    local = np.convolve(noise**2, np.ones(size) / size, mode="same")
    local += 0.05 * np.mean(noise**2)
    return rest * tone / local, tone**2 / local


@cache
def _compiled() -> Any:
    from numba import njit

    return njit(cache=False)(_best_path)


def _best_path(match, power, levels, moves, cost):  # type: ignore[no-untyped-def]
    """Viterbi over (contact, level); `moves[g, i]` is the level that follows level i."""
    steps, count = len(match), len(levels)
    best = np.full((2, count), -1e18)
    best[0, 0] = 0.0
    best[1, count - 1] = 0.0
    came = np.zeros((steps, 2, count), dtype=np.int16)
    fresh = np.empty((2, count))
    for t in range(steps):
        fresh[:] = -1e18
        for was in range(2):
            for i in range(count):
                old = best[was, i]
                if old < -1e17:
                    continue
                for now in range(2):
                    j = moves[now, i]
                    gain = match[t] * levels[j] - 0.5 * power[t] * levels[j] ** 2
                    value = old + gain - (cost if now != was else 0.0)
                    if value > fresh[now, j]:
                        fresh[now, j] = value
                        came[t, now, j] = was * count + i
        for now in range(2):
            for i in range(count):
                best[now, i] = fresh[now, i]
    state = 0
    top = -1e18
    for now in range(2):
        for i in range(count):
            if best[now, i] > top:
                top = best[now, i]
                state = now * count + i
    path = np.empty(steps, dtype=np.int8)
    for t in range(steps - 1, -1, -1):
        now = state // count
        path[t] = now
        state = came[t, now, state - now * count]
    return path


def _viterbi(
    known: Known, match: Array, power: Array, rate: int, step: int, cost: float
) -> tuple[list[int], bool]:
    """Return the samples at which the contact most likely toggles, and whether it began so as to
    give the main tone."""
    n = len(match) // step * step
    took = max(known.attack_s, known.release_s) * rate / step
    count = int(np.clip(4 * took, 33, 257))
    phase = np.linspace(0.0, 1.0, count)  # of the rise, not the level itself
    up = phase + step / rate / max(known.attack_s, 1e-4)
    down = phase - step / rate / max(known.release_s, 1e-4)
    if known.shape == "exponential":
        up = 1.0 - (1.0 - phase) * np.exp(-3.0 * step / rate / max(known.attack_s, 1e-4))
        down = phase * np.exp(-3.0 * step / rate / max(known.release_s, 1e-4))
    moves = np.round(np.clip([down, up], 0.0, 1.0) * (count - 1)).astype(np.int64)
    index = np.arange(count)
    moves[0] = np.minimum(moves[0], np.maximum(index - 1, 0))
    moves[1] = np.maximum(moves[1], np.minimum(index + 1, count - 1))
    levels = 0.5 - 0.5 * np.cos(np.pi * phase) if known.shape == "raised-cosine" else phase
    path = _compiled()(
        match[:n].reshape(-1, step).sum(axis=1),
        power[:n].reshape(-1, step).sum(axis=1),
        levels,
        moves,
        cost,
    )
    return [int(i) * step for i in np.flatnonzero(np.diff(path)) + 1], bool(path[0])


def _with_chatter(
    known: Known,
    match: Array,
    power: Array,
    rate: int,
    step: int,
    toggles: list[int],
    first: bool,
) -> list[int]:
    """Look again around each change, where more toggles are likely."""
    again: list[int] = []
    for group in _grouped([toggle / rate for toggle in toggles]):
        inside = [round(move * rate) for move in group]
        start = max(inside[0] - round(0.1 * rate), (again[-1] + inside[0]) // 2 if again else 0)
        start -= start % step
        later = [toggle for toggle in toggles if toggle > inside[-1]]
        end = min(inside[-1] + round(0.05 * rate), later[0] if later else len(match))
        if end - start < 2 * step:
            again += inside
            continue
        moves, began = _viterbi(known, match[start:end], power[start:end], rate, step, CHATTER_COST)
        moves = [start + move for move in moves]
        same = began == (first == (len(again) % 2 == 0)) and len(moves) % 2 == len(inside) % 2
        again += moves if same else inside
    return again


def _rise(known: Known, since_s: Array, up: bool) -> Array:
    """Return the envelope some time after a toggle that found it at rest."""
    took = max(known.attack_s if up else known.release_s, 1e-5)
    phase = np.clip(since_s, 0.0, None) / took
    level = 1.0 - np.exp(-3.0 * phase) if known.shape == "exponential" else np.minimum(phase, 1.0)
    if known.shape == "raised-cosine":
        level = 0.5 - 0.5 * np.cos(np.pi * level)
    return level if up else 1.0 - level


def _refined(
    known: Known,
    match: Array,
    power: Array,
    rate: int,
    toggles: list[int],
    first: bool,
    step: int,
) -> list[float]:
    """Return toggle times in seconds; those that begin a change to a fiftieth of a millisecond."""
    moves = [toggle / rate for toggle in toggles]
    for i, toggle in enumerate(toggles):
        if i and toggle - toggles[i - 1] < ONE_CHANGE_S * rate:
            continue
        up = first == bool(i % 2)
        start = max(toggle - round(0.005 * rate), 0)
        end = min(toggle + round(0.06 * rate), len(match))
        if i + 1 < len(toggles):
            end = min(end, toggles[i + 1])
        at = np.arange(start, end) / rate
        reach = 2.0 * step / rate
        candidates = toggle / rate + np.arange(-reach, reach, 0.00002)
        levels = _rise(known, at[None, :] - candidates[:, None], up)
        likely = levels @ match[start:end] - 0.5 * levels**2 @ power[start:end]
        moves[i] = float(candidates[np.argmax(likely)])
    return moves


def _grouped(moves: list[float]) -> list[list[float]]:
    groups: list[list[float]] = []
    for move in moves:
        if groups and move - groups[-1][-1] < ONE_CHANGE_S:
            groups[-1].append(move)
        else:
            groups.append([move])
    return groups


def _bursts(moves: list[float], first: bool, scene: Scene) -> list[float]:
    """Turn beeps into openings and closings; told the beeps' period."""
    edges = list(moves)
    if first:  # it sounded already
        edges.insert(0, 0.0)
    if len(edges) % 2:
        edges.append(scene.seconds)
    beeps = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    period = scene.beep_period_s
    trains: list[list[tuple[float, float]]] = []
    for beep in beeps:
        if trains and beep[0] - trains[-1][-1][1] < 1.1 * period:
            trains[-1].append(beep)
        else:
            trains.append([beep])
    found = []
    for train in trains:
        start = train[0][0]
        whole = [beep for beep in train if beep[1] - beep[0] > 0.02]
        if not whole:  # no opening is as short as this
            continue
        if start > 0.0:
            found.append(start)
        # short beeps out of step are chatter after the points closed
        late = [(beep[0] - whole[0][0] + 0.5 * period) % period - 0.5 * period for beep in train]
        own = [
            beep for beep, off in zip(train, late, strict=True) if abs(off) < 0.005 or beep in whole
        ]
        last = own[-1]
        if last[0] + period < scene.seconds:
            found.append(last[1])
    return found
