"""A taught print fitted to the sound of another day: another phone, distance, room or pitch.

Meaning
-------
Fresh prints are made of the day's sound, with the taught one's help and without. Those are kept
that go from state to state as the taught one would, made so much louder or fainter that it fits
best, in the noise there is, and with its pitch a little higher or lower: a battery sags.

Sources
-------
I. J. Good, *Probability and the Weighing of Evidence* (1950).
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analysis.ear.buzzer import BuzzerPrint, as_steps
from analysis.ear.learning import LEAST_S, carry_over, judge, learn, log_odds_by, make_print, refine
from analysis.ear.spectrum import FLOOR, FrameGrid, Levels, Powers
from analysis.ear.teaching import LEAST_MARGIN_DB, common_db

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

LEAST_AGREED = 0.8
LEAST_ALIKE = 0.6
"""Least part of the fitted way from state to state (of its square, in dB) that the taught one has
to explain."""
CHANCE_DB = 4.0
"""By so much the noise of two states differs by chance."""
GAINS_DB = np.arange(-80.0, 41.0, 2.0)
"""By how much a buzzer may be louder than when it was taught."""
SAGS = (1.0, 0.99, 1.01, 0.98, 1.02, 0.97, 1.03, 0.96, 1.04, 0.95, 1.05)
"""How much higher its pitch may be than then: a battery sags, and is changed."""
LEAST_WORTH = -0.5
"""Least log odds of being a buzzer; a taught one is expected, so it may be under even."""
TAUGHT_VOTES_S = 10.0
"""Votes of a taught buzzer, which none need find: as many as of one that is heard plainly."""


def find(powers: Powers, grid: FrameGrid, taught: BuzzerPrint | None) -> list[BuzzerPrint]:
    """Return what may be a buzzer, or what may be the one that was taught, in some frames."""
    return learn(powers, grid) if taught is None else retune(powers, grid, taught)


def retune(powers: Powers, grid: FrameGrid, known: BuzzerPrint) -> list[BuzzerPrint]:
    """Fit a taught print to the sound of another day: another phone, distance, room or pitch sag.

    Fresh prints are made in several ways: from the frames as the print labels them; from those as
    they lie along the way from the spectrum of one state to that of the other, on a scale found
    anew, so that no gain matters; and as if nothing had been taught. Those are kept that behave
    like a buzzer and go from state to state as the taught one would, at some loudness among the
    noise there is.

    Parameters
    ----------
    powers : ndarray, shape (frames, grid.bins)
        Some seconds of frames.
    grid : FrameGrid
        Frames and columns.
    known : BuzzerPrint
        The print as it was taught.

    Returns
    -------
    list of BuzzerPrint
        Prints for this sound, with the log odds that it is a buzzer as their `quality`, the
        likeliest first; none when this buzzer is not heard to change in it.
    """
    taught = _gap(known, grid)[known.columns_in(grid)]
    if len(powers) * grid.hop_s < 2 * LEAST_S or not taught.any():
        return []
    fitted = [
        fresh.known_as(known)
        for fresh in _fresh(powers, grid, known)
        if fresh.quality > LEAST_WORTH and _goes_alike(fresh, known, grid)
    ]
    return sorted(fitted, key=lambda one: -one.quality)


def _fresh(powers: Powers, grid: FrameGrid, known: BuzzerPrint) -> Iterator[BuzzerPrint]:
    """Yield prints of what may be a known buzzer."""
    levels = grid.levels(powers)
    gap, columns = _gap(known, grid), known.columns_in(grid)
    steps = as_steps(levels)
    for labels in (
        log_odds_by(known, levels, grid) > 0,
        _on_the_way(levels, gap[columns], columns),
    ):
        heard = None if labels is None else refine(steps, labels, grid.hop_s)
        if heard is None or np.mean(heard.labels == labels) < LEAST_AGREED:
            continue
        judged = judge(levels, TAUGHT_VOTES_S, heard, grid)
        if judged is not None:
            yield make_print(levels, powers, heard, grid, judged.quality)
    for found in learn(powers, grid):
        columns = found.columns_in(grid)
        alike = _gap(found, grid)[columns] @ gap[columns] > 0
        yield found if alike else found.exchanged()


def _on_the_way(levels: Levels, taught: Array, columns: npt.NDArray[np.intp]) -> Mask | None:
    """Label frames by their place along the way from state to state, on a scale found anew."""
    course = uniform_filter1d(levels[:, columns] @ (taught / (taught @ taught)), 5)
    low, high = _two_levels(course)
    if (high - low) * np.abs(taught).max() < LEAST_MARGIN_DB:
        return None
    share = (course - low) / (high - low)
    return carry_over(share > 0.65, share < 0.35)


def _goes_alike(fresh: BuzzerPrint, known: BuzzerPrint, grid: FrameGrid) -> bool:
    """Say whether a print goes from state to state as a known one would, in the noise there is, or
    there was, be it with or without what the whole spectrum has in common: a phone's gain; and at
    about its pitch.
    """
    now = _both_ways(_levels(fresh, grid), grid)
    return any(
        max(_explained(one, other), _explained(other, one)) > LEAST_ALIKE
        for sag in SAGS
        for one, other in zip(now, _both_ways(_levels(known, grid, sag), grid), strict=True)
    )


def _both_ways(levels: Array, grid: FrameGrid) -> tuple[Array, Array]:
    """Return the powers of both states, with and without what they have in common."""
    powers = 10 ** (levels / 10)
    return powers, _levelled(powers, grid)


def _levelled(powers: Array, grid: FrameGrid) -> Array:
    """Return the powers of both states without what they have in common."""
    common = common_db(10 * np.log10(powers[1] / powers[0]), grid)
    return np.asarray(powers * [[1.0], [10 ** (-common / 10)]])


def _explained(noisy: Array, clear: Array) -> float:
    """Return how much of the way from state to state another pair of spectra explains.

    Of its powers, made so much louder or fainter that they fit best, noise hides a part: what is
    left in the fainter state beside them.
    """
    scaled = clear * 10 ** (GAINS_DB[:, None, None] / 10)
    fainter = noisy.argmin(axis=0)[None, None]
    noise = np.maximum(np.take_along_axis(noisy - scaled, fainter, axis=1), FLOOR)
    zero, one = np.moveaxis(10 * np.log10(scaled + noise), 1, 0)
    gap = 10 * np.log10(noisy[1] / noisy[0])
    unlike, whole = (
        (np.maximum(np.abs(way) - CHANCE_DB, 0.0) ** 2).sum(axis=-1)
        for way in (one - zero - gap, gap)
    )
    return float(1.0 - unlike.min() / max(whole, FLOOR))


def _gap(buzzer: BuzzerPrint, grid: FrameGrid) -> Array:
    """Return how much louder state 1 is than state 0 in each column, in dB."""
    zero, one = _levels(buzzer, grid)
    return np.asarray(one - zero)


def _levels(buzzer: BuzzerPrint, grid: FrameGrid, sag: float = 1.0) -> Array:
    """Return the usual level of each column in both states, shape (2, columns), in dB.

    All its pitches are `sag` times as high as when the print was made.
    """
    spectrum = buzzer.spectrum_at(grid.bins_hz / sag)
    return np.asarray(grid.levels(spectrum.astype(np.float32)), dtype=np.float64)


def _two_levels(course: Array) -> tuple[float, float]:
    """Return the medians of the two groups into which the values fall best."""
    low, high = (float(q) for q in np.quantile(course, [0.05, 0.95]))
    for _ in range(20):
        upper = course > (low + high) / 2
        if upper.all() or not upper.any():
            break
        low, high = float(np.median(course[~upper])), float(np.median(course[upper]))
    return low, high
