"""What a buzzer sounds like: the print of its two states, and the odds between them in a frame.

Meaning
-------
A buzzer has two states, here called 0 and 1. Of each the print keeps, for a few telling columns
of the spectrum, how often each level occurs: a histogram, smoothed, with a share left for the
unforeseen. The odds of a frame are the product over the columns of the ratio of the two
frequencies ("naive Bayes"), tempered because neighbouring columns say the same thing twice.

A level that either state rarely shows (a hammer blow, a shout) is unlikely under both, so its
odds are even: a frame in which the buzzer is masked says nothing, and does not guess.

Sources
-------
I. J. Good, *Probability and the Weighing of Evidence* (1950): weight of evidence in decibels.
L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989) 257, section IV:
emission densities from labelled frames.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from analysis.ear.spectrum import FLOOR, FrameGrid, Levels

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

LOW_DB, HIGH_DB = -130, 20
STEPS = HIGH_DB - LOW_DB
SURPRISE = 0.05
"""Share of frames in which something else may be heard."""
USUAL_COLUMNS = 12
MOST_FRAMES = 2000
"""Of which it is counted how often each level occurs; evenly spread, for they overlap."""

LEAST_FAINTER_DB, MOST_FAINTER_DB, STANDS_OUT_DB = 3.0, 15.0, 10.0
"""By how much a buzzer that sounds in both states is fainter in one, and by how much at least its
tone stands out from the bins beside it in both."""
NEIGHBOURS = np.r_[-9:-4, 5:10]
"""How many bins from a tone its neighbours are, clear of the tone itself."""


@dataclass(frozen=True, eq=False)
class BuzzerPrint:
    """The two states of a buzzer.

    Attributes
    ----------
    columns_hz : ndarray, shape (n, 2)
        Lowest and highest frequency of each telling column, in Hz.
    evidence : ndarray, shape (n, STEPS)
        Log of the odds of state 1 over state 0 at each whole decibel from LOW_DB, tempered.
    spectrum_hz : ndarray, shape (m,)
        Frequencies of `spectrum`, in Hz.
    spectrum : ndarray, shape (2, m)
        Median power of each bin in each state; 1.0 is a full-scale sine.
    silent : int or None
        The state in which the buzzer is silent; None when it sounds in both.
    margin_db : float
        How far the states stand apart in the most telling column, in dB.
    quality : float
        Log odds that this is a buzzer and not something else in the room.
    pulse_s : (float, float) or None
        Lengths of beep and gap when the sound is a train of beeps, in seconds.
    open_state : int or None
        The state in which the points are open, when it was taught.
    """

    columns_hz: Array
    evidence: Array
    spectrum_hz: Array
    spectrum: Array
    silent: int | None
    margin_db: float
    quality: float
    pulse_s: tuple[float, float] | None = None
    open_state: int | None = None

    def known_as(self, known: "BuzzerPrint") -> "BuzzerPrint":
        """Return the print with what an earlier print of the same buzzer tells of its nature."""
        return replace(
            self, silent=known.silent, pulse_s=known.pulse_s, open_state=known.open_state
        )

    def exchanged(self) -> "BuzzerPrint":
        """Return the same print with its states numbered the other way."""
        return replace(
            self,
            evidence=-self.evidence,
            spectrum=self.spectrum[::-1],
            silent=None if self.silent is None else 1 - self.silent,
            open_state=None if self.open_state is None else 1 - self.open_state,
        )

    def columns_in(self, grid: FrameGrid) -> npt.NDArray[np.intp]:
        """Return the grid's column nearest to each of the print's, shape (n,)."""
        gaps = np.abs(grid.columns_hz[None, :, :] - self.columns_hz[:, None, :]).sum(axis=2)
        return np.asarray(gaps.argmin(axis=1))

    def spectrum_at(self, hz: Array) -> Array:
        """Return the power of both states at some frequencies in Hz, shape (2, len(hz))."""
        return np.stack([np.interp(hz, self.spectrum_hz, state) for state in self.spectrum])

    def louder_columns(self) -> Mask:
        """Say which of its columns are louder while it sounds, or all, where it always does."""
        usual = [
            (weight @ np.arange(STEPS)) / np.maximum(weight.sum(axis=1), FLOOR)
            for weight in (np.maximum(-self.evidence, 0.0), np.maximum(self.evidence, 0.0))
        ]
        louder = (usual[1] > usual[0]) == (self.silent == 0)
        return louder if louder.any() and self.silent is not None else np.full(len(louder), True)

    def sounds_in_both(self) -> bool:
        """Say whether it sounds at its pitch in both states, louder in one of them."""
        if self.pulse_s is not None:
            return False
        levels_db = 10 * np.log10(self.spectrum)
        gap_db = np.abs(levels_db[1] - levels_db[0])
        loudest_db = np.where(gap_db > LEAST_FAINTER_DB, levels_db.max(axis=0), -np.inf)
        peak = int(loudest_db.argmax())
        beside = np.clip(peak + NEIGHBOURS, 0, len(gap_db) - 1)
        stands_out_db = levels_db[:, peak] - np.median(levels_db[:, beside], axis=1)
        return bool(
            LEAST_FAINTER_DB < gap_db[peak] < MOST_FAINTER_DB
            and stands_out_db.min() > STANDS_OUT_DB
        )

    def log_odds(self, levels: Levels, columns: npt.NDArray[np.intp]) -> Array:
        """Return the log odds of state 1 over state 0 in each frame, shape (frames,)."""
        return weigh(self.evidence, as_steps(levels[:, columns]))


def weigh(evidence: Array, steps: npt.NDArray[np.int16]) -> Array:
    """Return the log odds of state 1 in each frame.

    Parameters
    ----------
    evidence : ndarray, shape (n, STEPS)
        Log odds of state 1 at each level of each of n columns.
    steps : ndarray, shape (frames, n)
        Levels of the columns that `evidence` speaks of, from :func:`as_steps`.
    """
    return np.asarray(evidence_of(evidence, steps).sum(axis=1))


def evidence_of(evidence: Array, steps: npt.NDArray[np.int16]) -> Array:
    """Return the same of each column by itself, shape (frames, n)."""
    return np.asarray(evidence[np.arange(len(evidence)), steps])


def evidence_temper(count: int) -> float:
    """Return by how much the evidence of each of so many columns is made less: they go together."""
    return max(1.0, count / 4)


def as_steps(levels: Levels) -> npt.NDArray[np.int16]:
    """Return levels in dB as indices of whole decibels from LOW_DB."""
    return np.clip(levels - LOW_DB, 0, STEPS - 1).astype(np.int16)


def some_of(frames: Mask, most: int) -> npt.NDArray[np.intp]:
    """Return the numbers of at most so many of the frames that are set, evenly spread."""
    there = np.flatnonzero(frames)
    return there[:: max(1, -(-len(there) // most))]


def level_shares(steps: npt.NDArray[np.int16], frames: Mask) -> Array:
    """Return how often each level occurs in each column over some frames, shape (columns, STEPS).

    Shares are smoothed over about a decibel; SURPRISE of the whole is spread over 80 dB.
    """
    chosen = steps[some_of(frames, MOST_FRAMES)]
    n, columns = chosen.shape
    flat = (chosen + np.arange(columns) * STEPS).ravel()
    counts = np.bincount(flat, minlength=columns * STEPS).reshape(columns, STEPS)
    shares = gaussian_filter1d(counts.astype(float), 1.2, axis=1) / max(1, n)
    return np.asarray((1 - SURPRISE) * shares + SURPRISE / 80)
