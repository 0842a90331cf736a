"""Teaching: the print of a buzzer from sound of which it is known how the points were.

Meaning
-------
Told which frames belong to open and which to closed points, nothing need be guessed: the levels of
each state are counted, and the columns that tell them apart make the print. State 1 is open.

Two recordings differ for other reasons too: the phone's gain, the distance, the hum of a fan. What
most of the spectrum has in common is therefore taken for the room's and not the buzzer's, if it is
less than MOST_ROOM_DB, and the margin between the states is what a column stands apart beyond that.

Whether the states can be told apart is tried, not assumed: the print is made from every other
half second and judges the rest, a twentieth of a second at a time. More wrong judgements than
MOST_ERRORS, or a margin under LEAST_MARGIN_DB (a phone moved by a hand does as much), and they
are not told apart.

Nor are they where what is most of the sound is in both, as loud, wherever its pitch has gone to
meanwhile. Where the pitch slid on and it is not as loud, nobody knows: in a room either pitch may
be the louder one by itself.

Sources
-------
M. Stone, "Cross-validatory choice and assessment of statistical predictions", J. Roy. Stat. Soc. B
36 (1974) 111. I. J. Good, *Probability and the Weighing of Evidence* (1950).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_erosion, maximum_filter1d, median_filter

from analysis.change import Sounding
from analysis.ear.buzzer import BuzzerPrint, as_steps, level_shares, weigh
from analysis.ear.learning import GAPS_DB, neighbours, runs, telling
from analysis.ear.spectrum import FLOOR, FrameGrid, Levels, Powers, off_peak

Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]

LEAST_TAUGHT_S = 1.0
"""Least sound of each state from which a buzzer is taught."""
DECISION_S = 0.050
MOST_ERRORS = 0.05
MIXED_S, MIXED_SHARE = 0.3, 0.25
"""What is taken for the other state for longer is like it, where less than so much of all is: the
points were moved, or the buzzer failed."""
LEAST_MARGIN_DB = 3.0
LOWEST_TONE_HZ = 300.0
"""Below, mains hum stands out as a buzzer does."""
STANDS_OUT_DB = 8.0
FAINTEST_DB, ANOTHER_DB = 25.0, 15.0
"""By how much a buzzer that is heard in both states may be fainter in one, be it at the same pitch
or at another; what sounds at another is so much louder there than in the other state."""
MOST_DB = 5.0
"""A tone that is no further below all that is heard, but hum, is most of it."""
FAINT_DB = 20.0
"""What is fainter than the loudest tone by more may be lost in noise."""
MOVES, MOST_MOVES, MOVES_ON = 0.015, 0.06, 2.0
"""By what part of it a pitch may move between two states unheard within either, and within one at
most; and how many times as far between them as within: the lesson rests, the battery sags on."""
SLIDES, STEPS_ON = 0.006, 4.0
"""From what part of it a pitch is another; and how many times as far as it moves within a state it
is another because it was changed, and did not slide on."""
ROOM_BINS = 61
"""Over so many bins what differs is the room's and the phone's."""
PARTS = 5
"""In so many parts of a state it is asked where its pitch is."""
NEAR = 5
"""Of so many bins side by side the loudest has the tone."""
MOST_ROOM_DB = 30.0
"""More than this no gain or fan makes of the difference: a rattle in silence fills the spectrum."""
CLIPPED_SHARE = 0.001
LOUD_DBFS = -40.0
SILENT_DBFS = -100.0
OPEN = 1

Trouble = Literal["clipped", "dead", "slid", "alike", "mixed", "noise", "quiet"]
"""Why two states cannot be told apart."""


@dataclass(frozen=True, eq=False)
class Lesson:
    """What was learnt of a buzzer, and how good it is.

    Attributes
    ----------
    buzzer : BuzzerPrint
        With `open_state` set, and infinite `quality`: it has not met the sound of a day yet.
    margin_db : float
        How far the states stand apart in the column that shows it best, beyond what the whole
        spectrum does.
    at_hz : float
        Where that is.
    errors : float
        Share of stretches of DECISION_S that sound not used for the print would have been
        decided wrongly.
    trouble : {"clipped", "dead", "slid", "alike", "mixed", "noise", "quiet"} or None
        Why the states cannot be told apart; None when they can.
    """

    buzzer: BuzzerPrint
    margin_db: float
    at_hz: float
    errors: float
    trouble: Trouble | None


def teach(
    closed_powers: Powers, open_powers: Powers, grid: FrameGrid, clipped: float = 0.0
) -> Lesson:
    """Make the print of a buzzer from sound of closed and of open points.

    Parameters
    ----------
    closed_powers, open_powers : ndarray, shape (frames, grid.bins)
        Power of each bin in each frame, while the points were closed, open.
    grid : FrameGrid
        Frames and columns.
    clipped : float
        Share of the samples that stood at full scale.

    Returns
    -------
    Lesson

    Raises
    ------
    ValueError
        If there is less than LEAST_TAUGHT_S of either state.
    """
    powers = [closed_powers, open_powers]
    for name, p in zip(("closed", "open"), powers, strict=True):
        if len(p) * grid.hop_s < LEAST_TAUGHT_S:
            raise ValueError(
                f"{len(p) * grid.hop_s:.2g} s of sound with the points {name} is too little: "
                f"give {LEAST_TAUGHT_S:.0f} s or more, better five"
            )
    levels = [grid.levels(p) for p in powers]
    pulse_s, sounding = _beeps(levels, grid)
    dead = min(np.median(p.max(axis=1)) for p in powers) <= FLOOR  # not even a microphone's noise
    powers = [p[m] for p, m in zip(powers, sounding, strict=True)]
    states = [v[m] for v, m in zip(levels, sounding, strict=True)]
    usual = np.stack([np.median(v, axis=0) for v in states]).astype(np.float64)
    whole_gap = usual[1] - usual[0]
    gap = whole_gap - common_db(whole_gap, grid)
    columns, evidence = _evidence(states)
    narrow = int(np.abs(gap[: grid.bins]).argmax())
    margin_db = float(np.abs(gap[columns]).max())
    tones = np.stack([_tones(v, grid) for v in states])
    louder = int((gap + whole_gap)[columns].sum() > 0)  # a rattle is what most has in common
    buzzer = BuzzerPrint(
        columns_hz=grid.columns_hz[columns],
        evidence=evidence,
        spectrum_hz=grid.bins_hz,
        spectrum=np.stack([np.median(p, axis=0) for p in powers]).astype(float),
        silent=_silent(usual, tones, louder),
        margin_db=margin_db,
        quality=np.inf,
        pulse_s=pulse_s,
        open_state=OPEN,
    )
    errors, longest_s = _errors(states, grid)
    moves = max(_moves(p, grid) for p in powers)
    as_loud = _all_as_loud(powers, tones, moves, grid)
    trouble: Trouble | None = None
    if dead and not tones.any():
        trouble = "dead"
    elif not as_loud and _slides(buzzer.spectrum, tones, moves, grid):
        trouble = "slid"
    elif as_loud or errors > MOST_ERRORS or margin_db < LEAST_MARGIN_DB:
        alike = as_loud or any(_as_loud(one, tones).any() for one in (whole_gap, gap))
        loudest_db = float(usual[:, -1].max()) if not tones.any() else np.inf
        mixed = longest_s > MIXED_S and errors < MIXED_SHARE
        trouble = _trouble(clipped, alike, mixed, loudest_db)
    return Lesson(buzzer, margin_db, _centre_hz(buzzer.spectrum, narrow, grid), errors, trouble)


def _evidence(states: list[Levels]) -> tuple[npt.NDArray[np.intp], Array]:
    """Return the telling columns, and the log odds of open at each level in each of them."""
    closed, opened = (level_shares(as_steps(v), np.ones(len(v), dtype=bool)) for v in states)
    columns, _, evidence = telling((closed, opened))
    return columns, evidence


def _errors(states: list[Levels], grid: FrameGrid) -> tuple[float, float]:
    """Return the share of decisions that are wrong about sound the print was not made from, and for
    how long they are all wrong at most, in s.
    """
    halves = [(np.arange(len(v)) * grid.hop_s / 0.5).astype(int) % 2 == 0 for v in states]
    size = max(1, round(DECISION_S / grid.hop_s))
    wrong, longest = [], 0
    for _ in range(2):
        columns, evidence = _evidence([v[h] for v, h in zip(states, halves, strict=True)])
        for state, (v, h) in enumerate(zip(states, halves, strict=True)):
            odds = weigh(evidence, as_steps(v[~h][:, columns]))
            sums = odds[: len(odds) // size * size].reshape(-1, size).sum(axis=1)
            errs = (sums > 0) != (state == OPEN)
            wrong.append(np.mean(errs))
            lengths, are_wrong = runs(errs)
            longest = max(longest, int(lengths[are_wrong].max(initial=0)))
        halves = [~h for h in halves]
    return float(np.mean(wrong)), longest * size * grid.hop_s


def _beeps(levels: list[Levels], grid: FrameGrid) -> tuple[tuple[float, float] | None, list[Mask]]:
    """Return the lengths of beep and gap of a pulsed buzzer, and the frames of each state's sound.

    Between its beeps a pulsed buzzer sounds as in its silent state; those frames belong to neither.
    """
    everything = [np.ones(len(v), dtype=bool) for v in levels]
    high = np.stack([np.quantile(v[:, : grid.bins], 0.85, axis=0) for v in levels])
    column = int(np.abs(high[1] - high[0]).argmax())
    state = int(high[1, column] > high[0, column])
    if np.ptp(high[:, column]) < 2 * LEAST_MARGIN_DB:
        return None, everything
    level, loud = levels[state][:, column], high[state, column]
    # In a room the gaps hold the last beep's dying away.
    for least in (high[:, column].mean(), *(loud - down for down in GAPS_DB)):
        on = median_filter((level > least).astype(np.uint8), 5).astype(bool)
        pulse_s = _pulse_s(on, grid.hop_s)
        if pulse_s is not None:
            everything[state] = binary_erosion(on, iterations=2)
            return pulse_s, everything
    return None, everything


def _pulse_s(on: Mask, hop_s: float) -> tuple[float, float] | None:
    """Return the lengths of beep and gap, in s, of a sound that beeps all the time; else None."""
    lengths, which = runs(on)
    beeps, gaps = (lengths[1:-1][which[1:-1] == w] * hop_s for w in (True, False))
    if min(len(beeps), len(gaps)) < 3:
        return None
    pulse_s = float(np.median(beeps)), float(np.median(gaps))
    regular = all(
        np.subtract(*np.quantile(s, [0.75, 0.25])) < 0.3 * np.median(s) for s in (beeps, gaps)
    )
    throughout = abs(on.mean() * sum(pulse_s) / pulse_s[0] - 1) < 0.3
    return pulse_s if regular and throughout and 0.08 <= sum(pulse_s) <= 0.7 else None


def _tones(levels: Levels, grid: FrameGrid) -> Mask:
    """Return in which narrow columns something sounds steadily, shape (bins,)."""
    narrow = levels[:, : grid.bins]
    usual = np.median(narrow, axis=0)
    around = neighbours(np.arange(grid.bins), grid.bins)
    stands_out = usual - np.median(usual[around], axis=1) > STANDS_OUT_DB
    hz = grid.bins_hz
    return np.asarray(stands_out & (hz > LOWEST_TONE_HZ) & (usual > SILENT_DBFS))


def common_db(gap: Array, grid: FrameGrid) -> float:
    """Return what most of the spectrum has in common of a gap; 0 where that is too much.

    Parameters
    ----------
    gap : ndarray, shape (columns,) or (bins,)
        How much louder each column is in one state, in dB; the first are the bins.
    grid : FrameGrid
        Frames and columns.
    """
    common = float(np.median(gap[: grid.bins]))
    return common if abs(common) < MOST_ROOM_DB else 0.0


def _silent(usual: Array, tones: Mask, louder: int) -> int | None:
    """Return the state in which the buzzer is silent; None when it is heard in both.

    It is heard in the weaker state as well where that has a tone nearly as loud, at the pitch of
    the louder state's own or at one that the louder state has not.

    Parameters
    ----------
    usual : ndarray, shape (2, columns)
        Usual level of each column in both states, in dB.
    tones : ndarray of bool, shape (2, bins)
        From :func:`_tones`.
    louder : int
        The state that is louder, all told.
    """
    weaker = 1 - louder
    strong, weak = usual[louder, : tones.shape[1]], usual[weaker, : tones.shape[1]]
    own = tones[louder] & (strong - weak > LEAST_MARGIN_DB)
    if not own.any():
        return weaker
    top = int(np.where(own, strong, -np.inf).argmax())
    of_buzzer = weak - strong > ANOTHER_DB
    of_buzzer[max(0, top - 1) : top + 2] = True
    heard = tones[weaker] & of_buzzer & (weak > strong[top] - FAINTEST_DB)
    return None if heard.any() else weaker


def _centre_hz(spectrum: Array, column: int, grid: FrameGrid) -> float:
    bins = np.clip(np.arange(column - 1, column + 2), 0, grid.bins - 1)
    weight = np.abs(np.diff(spectrum[:, bins], axis=0))[0] + 1e-30
    return float((bins + grid.low) @ weight / weight.sum() * grid.bin_hz)


def _all_as_loud(powers: list[Powers], tones: Mask, moves: float, grid: FrameGrid) -> bool:
    """Say whether tones that are most of what is heard sound in both states, and as loud, or as
    loud beside the rest where that is not: then it is the background that tells them apart, or a
    phone's automatic gain has made them so, or a hand before it. `moves` is from :func:`_moves`.
    """
    usual = np.stack([_usual_db(power) for power in powers])
    louder = usual.max(axis=0)
    peaks = tones.any(axis=0) & (louder == maximum_filter1d(louder, NEAR))
    if not peaks.any():
        return False
    about = np.stack([_about_db(power, grid, max(MOVES, MOVES_ON * moves)) for power in powers])
    above_hum = grid.bins_hz > LOWEST_TONE_HZ
    heard = np.array([_usual_db(power[:, above_hum].sum(axis=1)) for power in powers])
    most = np.all(about[:, peaks].max(axis=1) > heard - MOST_DB)
    louder = about.max(axis=0)
    loud = peaks & (louder > louder[peaks].max() - FAINT_DB)
    apart = about[1] - about[0]
    rest = median_filter(usual[1] - usual[0], ROOM_BINS, mode="nearest")
    ways = [apart, apart - rest] if abs(np.median(rest)) > LEAST_MARGIN_DB else [apart]
    return bool(most and any(np.all(np.abs(way[loud]) < LEAST_MARGIN_DB) for way in ways))


def _slides(spectrum: Array, tones: Mask, moves: float, grid: FrameGrid) -> bool:
    """Say whether the loudest tone of a state is in the other at another pitch because that slides
    on, as where the battery sags: a room makes either louder, and nothing tells what the points do.
    """
    if not tones.any(axis=1).all():
        return False
    tops = (tones * spectrum).argmax(axis=1).tolist()
    one_db, other_db = 10 * np.log10(spectrum[[0, 1], tops])
    if abs(one_db - other_db) > FAINTEST_DB:
        return False
    one_hz, other_hz = (_pitch_hz(p, top, grid) for p, top in zip(spectrum, tops, strict=True))
    return SLIDES < abs(one_hz / other_hz - 1.0) < min(MOST_MOVES, STEPS_ON * moves)


def _moves(power: Powers, grid: FrameGrid) -> float:
    """Return by what part of its pitch the loudest tone of a state moves, as the battery sags."""
    if len(power) == 0:
        return 0.0
    above_hum = grid.bins_hz > LOWEST_TONE_HZ
    top_hz = grid.bins_hz[(above_hum * np.median(power, axis=0)).argmax()]
    near = np.flatnonzero(np.abs(grid.bins_hz / top_hz - 1.0) < MOST_MOVES)
    pitches_hz = []
    for part in np.array_split(power, min(PARTS, len(power))):
        level = np.median(part, axis=0)
        pitches_hz.append(_pitch_hz(level, int(near[level[near].argmax()]), grid))
    return float(np.ptp(pitches_hz) / top_hz)


def _pitch_hz(power: Array | Powers, peak: int, grid: FrameGrid) -> float:
    """Return the frequency of a tone that is loudest in a bin, in Hz."""
    at = min(max(peak, 1), grid.bins - 2)
    off = off_peak(*(np.log(power[[at + k]] + FLOOR) for k in (-1, 0, 1)))
    return float(grid.bins_hz[at] + off[0] * grid.bin_hz)


def _about_db(power: Powers, grid: FrameGrid, moves: float) -> Array:
    """Return the usual power within so small a part of each bin, and a bin more, in dB."""
    bins = np.arange(grid.bins)
    reach = 1 + np.round(moves * grid.bins_hz / grid.bin_hz).astype(np.intp)
    first, last = np.maximum(bins - reach, 0), np.minimum(bins + reach + 1, grid.bins)
    total = np.pad(np.cumsum(power, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    return _usual_db(total[:, last] - total[:, first])


def _usual_db(power: npt.NDArray[np.floating]) -> Array:
    """Return the median over frames of some power, in dB."""
    return np.asarray(10 * np.log10(np.median(power, axis=0) + FLOOR))


def _as_loud(gap: Array, tones: Mask) -> Mask:
    """Return in which narrow columns something sounds in both states, and as loud."""
    little = np.abs(gap[: tones.shape[1]]) < LEAST_MARGIN_DB
    return np.asarray(tones.all(axis=0) & little)


def _trouble(clipped: float, alike: bool, mixed: bool, loudest_db: float) -> Trouble:
    """Say why two states are not told apart, the surest reason first.

    Parameters
    ----------
    clipped : float
        Share of clipped samples.
    alike : bool
        Whether something sounds as loud in both.
    mixed : bool
        Whether one is for a while like the other.
    loudest_db : float
        How loud it was, where no tone stands out.
    """
    if clipped >= CLIPPED_SHARE:
        return "clipped"
    if alike:
        return "alike"
    if mixed:
        return "mixed"
    return "noise" if loudest_db > LOUD_DBFS else "quiet"


def sounding_of(buzzer: BuzzerPrint) -> Sounding | None:
    """Return when a buzzer sounds; None when it was not taught."""
    if buzzer.open_state is None:
        return None
    if buzzer.silent is None:
        return "both"
    return "closed" if buzzer.silent == buzzer.open_state else "open"
