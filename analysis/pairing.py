"""Which reading belongs to which change.

Conventions
-----------
An ``opening`` reading belongs to the last opening heard before it that no other reading has
taken; a ``closing`` reading likewise to a closing. Readings are taken in the order they were
given. Nothing is dropped: a change or a reading that finds no partner is listed as unpaired.

Where it was not told which sound is which (``points`` is None), `tell_points` works it out. The
buzzer has two states, and a change leads from one to the other: a sound that starts is one way
and one that stops is the other; of sounds that shift, every second one is the same way. A
mechanic reads the wheel just after the change he reads it for, so the way of the last change
before the opening readings is the opening. They need not all agree, but three in four must.
What the mechanic says outright (`told`) goes before that.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.change import Change, Points
from analysis.reading import Reading

LATE_S = 60.0
MAJORITY = 0.75

Way = tuple[str, int]


@dataclass(frozen=True)
class Pair:
    """A reading and the change it was given for."""

    reading: Reading
    change: Change


@dataclass(frozen=True)
class Pairing:
    """Who belongs to whom.

    Attributes
    ----------
    openings, closings : tuple of Pair
    changes : tuple of Change
        Those without a reading, in order of time.
    readings : tuple of Reading
        Opening and closing readings without a change, in order of time.
    warnings : tuple of str
    """

    openings: tuple[Pair, ...] = ()
    closings: tuple[Pair, ...] = ()
    changes: tuple[Change, ...] = ()
    readings: tuple[Reading, ...] = ()
    warnings: tuple[str, ...] = ()


def pair(
    changes: Sequence[Change], readings: Sequence[Reading], end_s: float | None = None
) -> Pairing:
    """Give each opening and closing reading its change.

    Parameters
    ----------
    changes : sequence of Change
        In any order; those with ``points`` None are paired with nothing.
    readings : sequence of Reading
        Of any step; stops and zeroings are left out.
    end_s : float, optional
        End of what was heard. A reading after it is paired with nothing.

    Returns
    -------
    Pairing
    """
    ordered = sorted(changes, key=lambda change: change.time_s)
    free = dict.fromkeys(range(len(ordered)))
    pairs: dict[str, list[Pair]] = {"opening": [], "closing": []}
    alone: list[Reading] = []
    warnings: list[str] = []
    for reading in sorted(readings, key=lambda reading: reading.time_s):
        if reading.step not in pairs:
            continue
        points = "open" if reading.step == "opening" else "closed"
        before = [
            place
            for place in free
            if ordered[place].points == points and ordered[place].time_s <= reading.time_s
        ]
        if end_s is not None and reading.time_s > end_s:
            alone.append(reading)
            warnings.append(f"{reading.where()} lies past the end of the recording, {end_s:.1f} s")
        elif not before:
            alone.append(reading)
            warnings.append(f"{reading.where()}: no {reading.step} was heard for it")
        else:
            taken = before[-1]
            del free[taken]
            pairs[reading.step].append(Pair(reading, ordered[taken]))
            warnings += _doubts(reading, ordered[taken])
    return Pairing(
        tuple(pairs["opening"]),
        tuple(pairs["closing"]),
        tuple(ordered[place] for place in free),
        tuple(alone),
        tuple(warnings),
    )


def tell_points(
    changes: Sequence[Change],
    readings: Sequence[Reading],
    told: tuple[float, Points] | None = None,
) -> tuple[tuple[Change, ...], tuple[str, ...]]:
    """Work out which changes are openings where it was not told.

    Parameters
    ----------
    changes : sequence of Change
        All from one buzzer.
    readings : sequence of Reading
        The opening and closing readings among them decide.
    told : (float, {"open", "closed"}), optional
        How the points stood at a time in seconds, as the mechanic said. It decides before any
        reading does.

    Returns
    -------
    changes : tuple of Change
        In order of time, with ``points`` filled in where that was possible.
    warnings : tuple of str
        What was taken, or what is needed.
    """
    ordered = tuple(sorted(changes, key=lambda change: change.time_s))
    if all(change.points is not None for change in ordered):
        return ordered, ()
    ways = _ways(ordered)
    times = [change.time_s for change in ordered]
    votes: Counter[Way] = Counter()
    if told is not None:
        place = bisect_right(times, told[0])
        led_here = ways[place - 1] if place else _other(ways[0])
        votes[led_here if told[1] == "open" else _other(led_here)] += 1
    for reading in () if told else readings:
        before = ways[: bisect_right(times, reading.time_s)]
        if before and reading.step == "opening":
            votes[before[-1]] += 1
        elif before and reading.step == "closing":
            votes[_other(before[-1])] += 1
    if not votes:
        return ordered, ("which sound means open points was not told; say --sounding",)
    opening, most = votes.most_common(1)[0]
    if most < MAJORITY * votes.total():
        return ordered, (
            "which sound means open points was not told, and the readings do not show it "
            f"({most} of {votes.total()} agree); say --sounding open, closed or both",
        )
    # A change that goes neither way (a shift among starts and stops) stays untold.
    points: dict[Way, Points] = {opening: "open", _other(opening): "closed"}
    filled = tuple(
        replace(change, points=change.points or points.get(way))
        for change, way in zip(ordered, ways, strict=True)
    )
    if told:
        return filled, ()
    return filled, (
        f"which sound means open points was not told; from {most} of {votes.total()} readings, "
        f"the points open when the sound {_words(opening)} (--sounding says it for certain)",
    )


def _doubts(reading: Reading, change: Change) -> list[str]:
    late = reading.time_s - change.time_s
    if late <= LATE_S:
        return []
    return [
        f"{reading.where()} was given {late:.0f} s after the {reading.step} it belongs to, "
        f"at {change.time_s:.1f} s; was one not heard?"
    ]


def _ways(changes: Sequence[Change]) -> list[Way]:
    """Return which of the two ways each change goes.

    The second number numbers shifts 0, 1, 0, 1 …; a start and a stop tell their way themselves.
    """
    ways: list[Way] = []
    shifts = 0
    for change in changes:
        if change.change == "shifts":
            ways.append(("shifts", shifts % 2))
            shifts += 1
        else:
            ways.append((change.change, 0))
    return ways


def _other(way: Way) -> Way:
    kind, parity = way
    return {"starts": ("stops", 0), "stops": ("starts", 0)}.get(kind, (kind, 1 - parity))


def _words(way: Way) -> str:
    kind, parity = way
    if kind != "shifts":
        return kind
    return f"shifts the {'1st, 3rd' if parity == 0 else '2nd, 4th'} … time"
