"""A buzzer that beeps: a train of beeps is one sound, not many.

A pulsed buzzer beeps 2 to 10 times a second while it sounds (common practice, no source). Its
clock is electronic, so the beeps of all trains follow each other at one period, which a hand on a
crank does not keep. An opening is the start of its first beep. A closing may fall into the gap
after the last beep, where nothing can be heard of it; then the gap stands in its uncertainty.

Where a beep is due and silence is heard, the train is over. Where noise may have hidden it, the
train goes on with what comes in time. A train whose first beep comes within a gap of where the
sound begins may have begun before: its start is not told.

Beeps that never pause may be the cam lobes of an engine that a motor turns, and are left alone;
unless they have come since the sound began, as of a buzzer that sounds while the points rest. Where
there are too few to show a clock, beeps and gaps that are alike in all trains tell as much. Live,
what may be the first of a train waits until the next is due, and what was in the midst of one
stays there.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.change import Change

Array = npt.NDArray[np.float64]
Sounds = Callable[[float, float], float]
"""Log odds that the buzzer sounds all the time between two moments, in s, by what was heard."""

SHORTEST_S, LONGEST_S = 0.09, 0.52
SAME_S, SAME = 0.006, 0.02
"""Difference up to which two periods are the same: as they are heard, and as clocks drift. Blows of
a hammer follow each other less evenly."""
LEAST_BEEPS = 6
MOST_LONGER, OFF, BROADER = 0.2, 0.1, 0.3
"""Largest share of the sounds that may be longer than a beep, or than some whose gaps noise has
filled, and by what part of a period: by more where no gap was, for a room draws beeps out. A crank
that is turned brings cam lobes to a clock as well; but it rests between whiles, and what sounds
then is long."""
EVENLY_S = 0.002
"""How far from its usual length the usual step may be, or by what is stated: no hand turns so."""
UNBROKEN, UNVARYING = 16, 0.01
"""So many steps without a pause since the sound began are a beeper's, if they keep to a clock by so
small a part of a period or to EVENLY_S: nobody had turned the engine before."""
ALIKE, STATED = 6, 2.0
"""So many beeps and gaps that are alike are a beeper's, where there are too few for a clock: to
EVENLY_S, so many times what is stated, or at most SAME_S. Four beeps in a row are enough."""
IN_TIME_S = 0.003
CHATTER_S = 0.1
"""By how much chatter may draw out the first beep of a train."""
MOST_OUT = 0.06
"""How far off the clock a beep may be heard beside its uncertainty, and in parts of a period."""
MOST_HIDDEN = 2
"""Most beeps of a train that noise may hide one after another; a closing waits for them."""
MOST_MISSED = 3
"""Most beeps that may go unheard between two that are heard."""
SHOWS_S = 0.05
"""How long after its beginning a beep shows."""
SHOWS_LATEST_S = 0.1
"""The same of one that is cut short (:mod:`.shortbeep`)."""
HARDLY_S = 0.03
"""So much of a beep is heard as nothing where the sound begins."""
PLAINLY_LOG_ODDS = 3.0
"""Log odds from which a beep that was due plainly did not come."""
QUICKER = 0.7
"""A clock is not so much quicker, in parts of its period, once it is known."""
LONG_S = 2.0
"""After which a beep in the midst of a train remains there."""
REMEMBERED = 200
"""Latest changes from which the clock of a live train is taken."""
MOST_ODD = 0.25
"""Largest share of short periods that do not fit the clock."""
EXACTLY, MOST_ODD_IF_EXACT = 0.02, 0.5
"""The same of a clock that is kept exactly: where noise makes and hides beeps, half must do."""


def unheard(begin_s: float, end_s: float) -> float:
    """Know nothing of the sound between two moments."""
    return 0.0


def gather_beeps(
    changes: list[Change],
    end_s: float = np.inf,
    begin_s: float = np.inf,
    pulse_s: tuple[float, float] | None = None,
    sounds: Sounds = unheard,
) -> list[Change]:
    """Return the changes with each train of beeps made one sound.

    Parameters
    ----------
    changes : list of Change
        In time order. Shifts between two sounds are left alone, as is a sound that comes and goes
        with no common period, or without a pause.
    end_s : float
        When the sound ends. A train whose next beep was not yet due by then goes on.
    begin_s : float
        When the sound begins, if that is known.
    pulse_s : (float, float) or None
        Lengths of a beep and a gap, where the buzzer is known to beep: for when too few were heard
        to show a clock.
    sounds : callable
        What was heard where no change was.

    Returns
    -------
    list of Change
    """
    beeping = _Beeping.of(changes, begin_s, end_s, pulse_s, sounds)
    return _gathered(beeping, changes, begin_s, end_s)


@dataclass(frozen=True)
class _Beeping:
    """How a buzzer beeps.

    Attributes
    ----------
    period_s, beep_s : float
        From the start of a beep to that of the next, and to its own end.
    longest_s : float
        Longest usual step from beep to beep.
    begin_s : float
        When the sound begins; infinite if that is not known.
    sounds : callable
        What was heard where no change was.
    """

    period_s: float
    beep_s: float
    longest_s: float
    begin_s: float
    sounds: Sounds

    @classmethod
    def of(
        cls,
        changes: list[Change],
        begin_s: float,
        end_s: float,
        pulse_s: tuple[float, float] | None,
        sounds: Sounds,
    ) -> "_Beeping | None":
        """Return how the buzzer beeps by its changes; None if it does not."""
        starts = [c for c in changes if c.change == "starts"]
        if not changes:
            return None
        starts_s = [c.time_s for c in starts]
        beeps_s = [
            b.time_s - a.time_s for a, b in itertools.pairwise(changes) if a.change == "starts"
        ]
        ticks = _ticks(starts_s)
        if ticks is None:
            if pulse_s is None:
                return None
            ticks = sum(pulse_s), 1.5 * sum(pulse_s)
        elif not _evenly(starts, ticks[0]):
            return None
        if not may_be_beeps(np.array(beeps_s), ticks[0]):
            return None
        beep_s = float(np.median(beeps_s)) if beeps_s else 0.5 * ticks[0]
        beeping = cls(ticks[0], beep_s, ticks[1], begin_s, sounds)
        quiet_s = _quiet_s(changes, begin_s, end_s)
        if pulse_s is None and not _alone(starts_s, *ticks, quiet_s):
            parted = len(beeping.trains(changes)) > 1
            return beeping if parted or _unbroken(starts_s, ticks[0], begin_s) else None
        return beeping

    def gathered(self, changes: list[Change], end_s: float) -> list[Change]:
        """Return the first change of each train, and the last of those that are over."""
        gathered: list[Change] = []
        for train in self.trains(changes):
            if train[0].change == "starts" and not self._had_begun(train[0].time_s):
                gathered.append(train[0])
            last = train[-1]
            if last.change == "stops":
                begin_s = _last_start(train, last)
                cut_short = last.time_s - begin_s < 0.9 * self.beep_s
                if not cut_short and begin_s + self.period_s + SHOWS_S > end_s:
                    continue
                gap_s = 0.0 if cut_short else max(0.0, self.period_s - self.beep_s)
                uncertainty_s = float(np.hypot(last.uncertainty_s, gap_s / np.sqrt(3)))
                gathered.append(replace(last, uncertainty_s=uncertainty_s))
        return gathered

    def is_quicker(self, other: "_Beeping") -> bool:
        """Say whether another beeps so much quicker that it is no clock: noise breaks beeps up."""
        return other.period_s < QUICKER * self.period_s

    def _had_begun(self, first_s: float) -> bool:
        """Say whether there may be a beep before the first that is heard."""
        after_s = first_s - self.begin_s
        return 0.0 <= after_s < self.period_s - self.beep_s + min(HARDLY_S, self.beep_s)

    def trains(self, changes: list[Change]) -> list[list[Change]]:
        """Part the changes into trains of beeps."""
        trains: list[list[Change]] = []
        for change in changes:
            goes_on = (
                trains
                and self._goes_on(change, _last_beep(trains[-1], self.beep_s))
                and not (change.change == "stops" and trains[-1][-1].change == "stops")
            )
            if goes_on:
                trains[-1].append(change)
            else:
                trains.append([change])
        return trains

    def _goes_on(self, change: Change, last_s: float) -> bool:
        """Say whether a train whose last beep began at `last_s` goes on: soon enough, or in time.

        Noise hides a beep here and there; a train that began anew keeps time by chance only.
        """
        step_s = change.time_s - last_s
        turns = round(step_s / self.period_s)
        out_s = abs(step_s - turns * self.period_s)
        in_time = out_s < min(IN_TIME_S + change.uncertainty_s, MOST_OUT * self.period_s)
        may = step_s < self.longest_s or (turns <= MOST_HIDDEN + 1 and in_time)
        return may and not (change.change == "starts" and self.is_over(last_s, change.time_s))

    def is_over(self, last_s: float, until_s: float) -> bool:
        """Say whether a beep that was due after the one at `last_s` plainly did not come."""
        due_s = last_s + self.period_s
        while due_s < until_s:
            if self.sounds(due_s, min(due_s + self.beep_s, until_s)) < -PLAINLY_LOG_ODDS:
                return True
            due_s += self.period_s
        return False

    @property
    def waits_s(self) -> float:
        """How long after a beep began another may still belong to its train, in s."""
        return max(self.longest_s, (MOST_HIDDEN + 1 + MOST_OUT) * self.period_s)


def _evenly(starts: list[Change], period_s: float) -> bool:
    """Say whether beeps keep to a clock as well as they are told."""
    _, short = _steps([c.time_s for c in starts])
    out_s = np.abs(short - period_s)
    stated_s = float(np.median([c.uncertainty_s for c in starts]))
    usual_s = np.median(out_s[out_s < MOST_OUT * period_s])
    return bool(usual_s <= max(EVENLY_S, stated_s))


def _unbroken(starts_s: list[float], period_s: float, begin_s: float) -> bool:
    """Say whether beeps that never paused since the sound began keep to a clock for so long that
    they are a beeper's, which sounds while the points rest.
    """
    _, short = _steps(starts_s)
    exact = np.abs(short - period_s) < max(UNVARYING * period_s, EVENLY_S)
    since_begin = 0.0 <= starts_s[0] - begin_s < period_s + HARDLY_S
    return since_begin and len(short) >= UNBROKEN and float(np.mean(exact)) >= 1 - MOST_ODD_IF_EXACT


def _quiet_s(changes: list[Change], begin_s: float, end_s: float) -> float:
    """Return the longer of the silences before the first sound and after the last, in s."""
    before_s = changes[0].time_s - begin_s if changes[0].change == "starts" else 0.0
    ended = changes[-1].change == "stops" and end_s < np.inf
    return max(before_s, end_s - changes[-1].time_s if ended else 0.0)


class BeepGatherer:
    """:func:`gather_beeps` for changes that come one by one.

    A beep is reported at once when it begins a train. The end of a train is known only when the
    next beep has not come. While no clock is known, what may be a train's first beeps, each alike
    the one before, waits until the next is due.
    """

    def __init__(self) -> None:
        self.pulse_s: tuple[float, float] | None = None  # of the buzzer, as soon as it is known
        self.sounds: Sounds = unheard
        self._raw: list[Change] = []
        self._began_s: float | None = None
        self._beeping: _Beeping | None = None
        self._first: _Run | None = None
        self._waiting: list[Change] = []
        self._reported_s = -np.inf

    def take(self, changes: list[Change], now_s: float) -> list[Change]:
        """Take fresh changes and return those that are settled by `now_s`, in seconds."""
        return self._take(changes, now_s, np.inf)

    def finish(self, changes: list[Change], end_s: float) -> list[Change]:
        """Take the last changes of a sound that ends and return all that were not yet settled."""
        return self._take(changes, np.inf, end_s)

    def _take(self, changes: list[Change], now_s: float, end_s: float) -> list[Change]:
        if self._began_s is None:
            self._began_s = min(now_s, end_s)
        if changes or end_s < np.inf:
            self._gather(changes, self._began_s, min(now_s, end_s), end_s)
        settled = []
        while self._waiting and self._settled(self._waiting[0], now_s):
            settled.append(self._waiting.pop(0))
            self._reported_s = settled[-1].time_s
        return settled

    def _gather(self, changes: list[Change], began_s: float, now_s: float, end_s: float) -> None:
        raw = [*self._raw, *changes]
        self._raw = raw[-REMEMBERED:]
        cut = len(raw) > len(self._raw)
        if cut:
            self._began_s = began_s = np.inf
        heard = _Beeping.of(self._raw, began_s, end_s, self.pulse_s, self.sounds)
        if heard is not None and not (self._beeping and self._beeping.is_quicker(heard)):
            self._beeping = heard
        runs = [] if self._beeping else _Run.all_in(self._raw, UNBROKEN)
        self._first = runs[-1] if runs else None
        # What is left of a train that was cut begins no train, and what has long been in the midst
        # of one does not end it.
        open_s = {c.time_s for c in (*self._waiting, *changes)}
        self._waiting = [
            c
            for c in _gathered(self._beeping, self._raw, began_s, end_s)
            if c.time_s > self._reported_s
            and (c.time_s in open_s or now_s < c.time_s + LONG_S)
            and not (cut and c is self._raw[0])
        ]

    def _settled(self, change: Change, now_s: float) -> bool:
        if self._first is not None and self._first.holds(change, self._began_s):
            return now_s > self._first.waits_until()
        if change.change != "stops":
            return True
        if self._beeping is None:
            return now_s > change.time_s
        if now_s > change.time_s + self._beeping.waits_s:
            return True
        began_s = [c.time_s for c in self._raw if c.change == "starts" and c.time_s < change.time_s]
        last_s = max([change.time_s - self._beeping.beep_s, *began_s[-1:]])
        return self._beeping.is_over(last_s, now_s - SHOWS_LATEST_S)


@dataclass(frozen=True, eq=False)
class _Run:
    """What may be beeps that follow each other evenly, each as long as the one before.

    Chatter may draw out the first, and the last may be cut short; the gaps are alike.

    Attributes
    ----------
    changes : list of Change
        Their starts and stops.
    off_s : float
        By how much they may differ.
    known_s : list of (float, float)
        Lengths of a beep and the gap after it, by runs before this one.
    """

    changes: list[Change]
    off_s: float
    known_s: list[tuple[float, float]]

    @classmethod
    def all_in(cls, changes: list[Change], fewer_than: int) -> "list[_Run]":
        """Part changes into runs, as long as can be; none of so many that a clock would show."""
        starts = [c for c in changes if c.change == "starts"]
        if len(_steps([c.time_s for c in starts])[1]) >= fewer_than:
            return []
        stated_s = STATED * float(np.median([c.uncertainty_s for c in starts] or [0.0]))
        off_s = min(max(EVENLY_S, stated_s), SAME_S)
        runs: list[_Run] = []
        for change in changes:
            if runs and runs[-1]._goes_on_with(change):
                runs[-1].changes.append(change)
            else:
                known_s = [*runs[-1].known_s, *runs[-1].pulses_s] if runs else []
                runs.append(cls([change], off_s, known_s))
        return runs

    @property
    def starts_s(self) -> list[float]:
        """When each began, in s."""
        return [c.time_s for c in self.changes if c.change == "starts"]

    @property
    def lasts_s(self) -> list[float]:
        """How long each of those that ended was, in s."""
        return self._after("starts")

    @property
    def gaps_s(self) -> list[float]:
        """How long it was silent before each but the first, in s."""
        return self._after("stops")

    def _after(self, change: str) -> list[float]:
        pairs = itertools.pairwise(self.changes)
        return [b.time_s - a.time_s for a, b in pairs if a.change == change]

    @property
    def pulses_s(self) -> list[tuple[float, float]]:
        """Lengths of each beep and the gap after it, in s."""
        return list(zip(self.lasts_s, self.gaps_s, strict=False))

    def _goes_on_with(self, change: Change) -> bool:
        last = self.changes[-1]
        if change.change == "stops":
            longest_s = min([*self.lasts_s[-1:], LONGEST_S]) + self.off_s
            return last.change == "starts" and change.time_s - last.time_s < longest_s
        if change.change != "starts" or last.change != "stops" or not self.starts_s:
            return False
        step_s = change.time_s - self.starts_s[-1]
        gaps_s = [*self.gaps_s[-1:], change.time_s - last.time_s]
        return bool(
            SHORTEST_S <= step_s <= LONGEST_S
            and np.ptp(gaps_s) <= self.off_s
            and (np.ptp(self.lasts_s[-2:]) <= self.off_s or self.drawn_out)
        )

    @property
    def drawn_out(self) -> bool:
        """Whether chatter has drawn out the first of no more than two beeps."""
        if len(self.lasts_s) != 2:
            return False
        return self.off_s < self.lasts_s[0] - self.lasts_s[1] < CHATTER_S

    def holds(self, change: Change, begin_s: float | None) -> bool:
        """Say whether a change may be none of its own, in sound that begins then: all but the first
        may, and that as well if a beep may have been before it.
        """
        first_s = self.changes[0].time_s
        if begin_s is not None and first_s - begin_s < np.diff(self.starts_s[:2]).sum():
            return change.time_s >= first_s
        return change.time_s > first_s

    def waits_until(self) -> float:
        """Return by when one more beep would show, in s; at once where none is due."""
        last = self.changes[-1]
        for beep_s, gap_s in self._alike():
            stops = last.change == "stops"
            cut_short = stops and self.lasts_s and self.lasts_s[-1] < beep_s - self.off_s
            if self.may_beep(beep_s, gap_s) and not cut_short:
                due_s = gap_s if stops else beep_s + gap_s
                return last.time_s + due_s + self.off_s + SHOWS_LATEST_S
        return -np.inf

    def _alike(self) -> list[tuple[float, float]]:
        """Return the lengths of beeps and gaps that were met twice: two beeps in a row here, or
        both elsewhere.
        """
        in_a_row = np.abs(np.diff(self.lasts_s)) <= self.off_s
        met = [*self.known_s, *self.pulses_s]
        twice = [
            one
            for one, other in itertools.combinations(met, 2)
            if max(abs(one[0] - other[0]), abs(one[1] - other[1])) <= self.off_s
        ]
        return [*itertools.compress(self.pulses_s, in_a_row), *twice]

    def ends_beep(self, beep_s: float, gap_s: float, after: "_Run", begin_s: float) -> bool:
        """Say whether it is the end of a beep that sounded as the sound began, and a gap of such a
        length comes after.
        """
        first, starts_s = self.changes[0], after.starts_s
        return bool(
            first.change == "stops"
            and len(self.changes) == 1
            and first.time_s - begin_s <= beep_s + self.off_s
            and starts_s
            and abs(starts_s[0] - first.time_s - gap_s) <= self.off_s
        )

    def may_beep(self, beep_s: float, gap_s: float) -> bool:
        """Say whether they may be beeps and gaps of such lengths."""
        longer_s = np.array(self.lasts_s) - beep_s
        off_s = np.array(self.gaps_s) - gap_s
        return bool(
            self.starts_s
            and np.all(longer_s < CHATTER_S)
            and np.all(longer_s[:-1] > -self.off_s)
            and np.all(np.abs(off_s) <= self.off_s)
        )


def _gathered(
    beeping: _Beeping | None, changes: list[Change], begin_s: float, end_s: float
) -> list[Change]:
    """Return the changes with each train made one sound, as it beeps if that is known."""
    if beeping is None:
        return _few_gathered(changes, begin_s, end_s)
    return beeping.gathered(changes, end_s)


def _few_gathered(changes: list[Change], begin_s: float, end_s: float) -> list[Change]:
    """Return the changes with each train of beeps made one sound, where they are too few to show a
    clock, but alike as no hand makes them.
    """
    runs = _Run.all_in(changes, LEAST_BEEPS)
    pulse_s = _alike_in(runs)
    if pulse_s is None:
        return changes
    if len(runs) > 1 and runs[0].ends_beep(*pulse_s, runs[1], begin_s):
        runs[:2] = [replace(runs[1], changes=[*runs[0].changes, *runs[1].changes])]
    beeping = _Beeping(sum(pulse_s), pulse_s[0], 1.5 * sum(pulse_s), begin_s, unheard)
    return [
        c
        for run in runs
        for c in (beeping.gathered(run.changes, end_s) if run.may_beep(*pulse_s) else run.changes)
    ]


def _alike_in(runs: list[_Run]) -> tuple[float, float] | None:
    """Return the lengths of a beep and a gap, in s, of which enough are alike, in all runs."""
    lasts_s = np.array([lasts_s for run in runs for lasts_s in run.lasts_s])
    gaps_s = np.array([gap_s for run in runs for gap_s in run.gaps_s])
    for beep_s, gap_s in (pulse_s for run in runs for pulse_s in run.pulses_s):
        beeps = int(np.sum(np.abs(lasts_s - beep_s) <= runs[0].off_s))
        gaps = int(np.sum(np.abs(gaps_s - gap_s) <= runs[0].off_s))
        longer = float(np.mean(lasts_s > beep_s + CHATTER_S))
        if min(beeps, gaps) > 1 and beeps + gaps >= ALIKE and longer <= MOST_LONGER:
            return beep_s, gap_s
    return None


def _last_beep(train: list[Change], beep_s: float) -> float:
    """Return when the last beep of a train began; noise may have filled the gap before it."""
    last = train[-1]
    start_s = _last_start(train, last)
    return max(start_s, last.time_s - beep_s) if last.change == "stops" else last.time_s


def _last_start(train: list[Change], before: Change) -> float:
    starts = [c.time_s for c in train if c.change == "starts" and c is not before]
    return starts[-1] if starts else train[0].time_s


def beat(starts_s: list[float]) -> float | None:
    """Return the period of the beeps in s; None when they keep to none.

    A beep here and there goes unheard, so that a step may be some periods long.
    """
    steps, short = _steps(starts_s)
    if len(short) < LEAST_BEEPS:
        return None
    # What comes twice as slowly at most and not in time is no beeper's: blows of a hammer.
    turns = steps[(steps >= SHORTEST_S) & (steps <= 2 * LONGEST_S)] / short[:, None]
    whole = np.round(turns)
    near = (turns > 0.5) & (whole <= MOST_MISSED + 1)
    exactly = np.full_like(short, EXACTLY)
    for most, most_odd in ((same(short), MOST_ODD), (exactly, MOST_ODD_IF_EXACT)):
        fits = near & (np.abs(turns - whole) < most[:, None] * np.maximum(turns, 1))
        share = fits.mean(axis=1)
        if share.max() >= 1 - most_odd:
            best = int(np.argmax(np.where(share > share.max() - 0.05, short, 0.0)))
            return float(np.median(short[np.abs(short / short[best] - 1) < most[best]]))
    return None


def may_be_beeps(lasts_s: npt.NDArray[np.floating], period_s: float) -> bool:
    """Say whether sounds that last so long may be beeps of one period, in s."""
    if len(lasts_s) < LEAST_BEEPS:
        return True
    over_s = lasts_s - np.median(lasts_s)
    turns = np.clip(np.round(over_s / period_s), 0, MOST_MISSED)
    off = np.where(turns > 0, OFF, BROADER)
    longer = (over_s > 0) & (np.abs(over_s - turns * period_s) > off * period_s)
    return bool(np.mean(longer) <= MOST_LONGER)


def same(period_s: Array) -> Array:
    """Return the relative difference up to which periods, in s, are the same."""
    return SAME_S / period_s + SAME


def clock(starts_s: list[float], quiet_s: float = 0.0) -> tuple[float, float] | None:
    """Return the period of the beeps and the longest usual step, in s; None when there is none.

    Beeps that never pause are no trains here. One train alone is, in silence of `quiet_s` before it
    or after it, if it keeps time as no hand on a crank does.
    """
    ticks = _ticks(starts_s)
    if ticks is None:
        return None
    pauses = bool(np.any(np.diff(starts_s) > _pause_s(*ticks)))
    return ticks if pauses or _alone(starts_s, *ticks, quiet_s) else None


def _ticks(starts_s: list[float]) -> tuple[float, float] | None:
    """Return the same, also of beeps that never pause."""
    period_s = beat(starts_s)
    if period_s is None:
        return None
    _, short = _steps(starts_s)
    usual = np.round(np.quantile(short, 0.9) / period_s)
    return period_s, float(usual + 0.5) * period_s


def _pause_s(period_s: float, longest_s: float) -> float:
    return longest_s + 0.3 * period_s


def _alone(starts_s: list[float], period_s: float, longest_s: float, quiet_s: float) -> bool:
    """Say whether beeps are one train, in silence."""
    _, short = _steps(starts_s)
    exact = len(short) > 0 and float(np.median(np.abs(short / period_s - 1))) < EXACTLY
    return exact and quiet_s > _pause_s(period_s, longest_s)


def _steps(starts_s: list[float]) -> tuple[Array, Array]:
    """Return the steps from beep to beep, in s, and those of them that one period could take."""
    steps = np.diff(starts_s)
    return steps, steps[(steps >= SHORTEST_S) & (steps <= LONGEST_S)]
