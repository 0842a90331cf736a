"""Do the stated 95 % intervals hold the truth? Thousands of simulated jobs, counted by case.

Each job is one random engine, wheel and reader, with its own geometry worked out here: the piston
stop touches at equal heights of a slider-crank (bore offset or not), the wheel is set wrong and
may be off centre, the eye moves, sweeps scatter, the drive has lash, and everything is read to
half a graduation. The readings go through the same arithmetic as a real job's. One cylinder of
each job, taken at random, is counted. The last rows take such jobs for the sessions of an engine
whose points do not move: how often does its history find a drift?

    python -m tests.bench.interval_coverage --jobs 6000
"""

import argparse
import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from analysis.change import Change
from analysis.engine import CylinderFigure, Engine
from analysis.history import DatedAngle, drift
from analysis.reading import Reading
from analysis.timing import timing_record
from analysis.wheel import Wheel, nearest, parse, write

ENGINES = {
    "single": (0.0,),
    "180° twin": (0.0, 180.0),
    "360° twin": (0.0, 360.0),
    "vee": (0.0, 405.0),
    "four": (0.0, 180.0, 360.0, 540.0),
    "six": (0.0, 120.0, 240.0, 360.0, 480.0, 600.0),
}
READERS = {"steady": (0.1, 0.2), "usual": (0.2, 0.4), "rough": (0.4, 0.8)}
"""Standard deviation of a sweep, in degrees, from and to."""
SWEEPS = tuple(range(2, 13))


@dataclass(frozen=True)
class Count:
    """What one job gave.

    Attributes
    ----------
    case : dict
        The kind of job, by aspect.
    error_deg, u_deg, U_deg, dof : float
        Of the opening angle.
    lash : tuple of float or None
        The same of the lash, where it was taken.
    """

    case: dict[str, str]
    error_deg: float
    u_deg: float
    U_deg: float
    dof: float
    lash: tuple[float, float] | None


class Machine:
    """One engine with its wheel, as it really is."""

    def __init__(
        self, rng: np.random.Generator, wheel: Wheel, offset: str, stop_scatter: float = 0.0
    ) -> None:
        self.rng, self.wheel, self.stop_scatter = rng, wheel, stop_scatter
        self.throw = 1.0
        self.rod = 2.0 * rng.uniform(1.6, 2.2)
        share = {"none": 0.0, "not told": 0.02, "on the sheet": 0.08}[offset]
        self.offset = 2.0 * rng.uniform(-share, share)
        self.wheel_error = rng.uniform(-10.0, 10.0)
        self.off_centre = wheel.off_centre * rng.uniform(0.0, 1.0)
        self.off_phase = rng.uniform(0.0, 2.0 * math.pi)

    def height(self, p: float) -> float:
        return self.throw * math.cos(p) + math.sqrt(
            self.rod**2 - (self.throw * math.sin(p) - self.offset) ** 2
        )

    def stroke(self) -> float:
        heights = [self.height(p) for p in np.linspace(0.0, 2.0 * math.pi, 3601)]
        return max(heights) - min(heights)

    def stops(self) -> tuple[float, float]:
        """Angles before and after true dead centre at which the piston meets the stop."""
        top = math.asin(self.offset / (self.rod + self.throw))
        deep = self.height(top - math.radians(self.rng.uniform(10.0, 45.0)))
        after = brentq(lambda p: self.height(p) - deep, top, top + 2.0)
        before = brentq(lambda p: self.height(p) - deep, top - 2.0, top)
        ends = math.degrees(top - before), -math.degrees(after - top)
        if not self.stop_scatter:
            return ends
        return tuple(end + self.stop_scatter * self.rng.standard_normal() for end in ends)

    def shows(self, angle_deg: float, fires_at: float) -> str:
        """What is written down with a cylinder at a true angle from its dead centre."""
        at = angle_deg - fires_at
        off = math.degrees(self.off_centre) * math.sin(math.radians(at) + self.off_phase)
        eye = self.rng.uniform(-1.0, 1.0) * self.wheel.parallax_deg
        step = self.wheel.read_to_deg
        return write(round((at + self.wheel_error + off + eye) / step) * step, self.wheel)


def job(
    rng: np.random.Generator,
    n: int | None = None,
    reader: str | None = None,
    *,
    alone: bool = False,
    stop_scatter: float = 0.0,
) -> Count:
    """Simulate one job and put its readings through the program's arithmetic.

    Number of sweeps and reader are random where they are not given. `alone`: one cylinder, met
    forward only, so that no other sweeps tell how far readings differ. `stop_scatter`: standard
    deviation of a stop beyond what step and eye explain, in degrees.
    """
    n = n or int(rng.choice(SWEEPS))
    reader = reader or str(rng.choice(list(READERS)))
    case = {
        "sweeps": str(n),
        "reader": reader,
        "engine": str(rng.choice(list(ENGINES))),
        "marks": str(rng.choice(["before-after", "0-360", "quarters"])),
        "graduation": str(rng.choice(["0.5", "1", "2"])),
        "stop pairs": str(rng.choice(["1", "2", "3"])),
        "dead centre": str(rng.choice(["own stops", "carried", "zeroed"])),
        "bore offset": str(rng.choice(["none", "not told", "on the sheet"], p=[0.6, 0.2, 0.2])),
        "wheel centred": str(rng.choice(["yes", "off, told"], p=[0.7, 0.3])),
    }
    if alone:
        case |= {"engine": "single", "alone": f"{n} sweeps, {reader}"}
    wheel = Wheel(
        case["marks"], bool(rng.integers(2)), float(case["graduation"]),  # type: ignore[arg-type]
        off_centre=0.0 if case["wheel centred"] == "yes" else 0.01,
    )  # fmt: skip
    fires = ENGINES[case["engine"]]
    machine = Machine(rng, wheel, case["bore offset"], stop_scatter)
    figure = float(rng.integers(5, 36))
    stroke = machine.stroke()
    engine = Engine(
        "simulated", figure, 1.0, "half", wheel,
        tuple(CylinderFigure(str(place), at) for place, at in enumerate(fires)),
        stroke, machine.rod, None if case["bore offset"] == "not told" else machine.offset,
    )  # fmt: skip
    scored = int(rng.integers(len(fires)))
    script, truth, lash = _script(rng, machine, case, fires, figure)
    readings, changes = _played(script)
    record = timing_record(changes, readings, engine)
    cylinder = record.cylinders[scored]
    found = cylinder.opens_at
    assert found is not None and found.budget is not None
    play = cylinder.comparisons.get("lash")
    return Count(
        case,
        found.angle_deg - truth[scored],
        found.budget.u_deg,
        found.budget.U_deg,
        found.budget.dof,
        (play.value_deg - lash, play.budget.U_deg) if play else None,
    )


def _script(
    rng: np.random.Generator,
    machine: Machine,
    case: dict[str, str],
    fires: tuple[float, ...],
    figure: float,
) -> tuple[list[tuple[str, str, str, str]], list[float], float]:
    """Return the readings in order (step, cylinder, reading, sweep), the truths and the lash."""
    script = []
    stopped = range(len(fires)) if case["dead centre"] == "own stops" else range(1)
    for place in stopped:
        for _ in range(int(case["stop pairs"])):
            for angle in machine.stops():
                script.append(("stop", str(place), machine.shows(angle, fires[place]), "forward"))
    if case["dead centre"] == "zeroed":
        # Moved by what the stops said, to the nearest that can be set.
        said = _said(script, machine.wheel)
        step = machine.wheel.read_to_deg
        machine.wheel_error += rng.uniform(-step / 2.0, step / 2.0) - said
        script.append(("zeroed", "0", "", "forward"))
    low, high = READERS[case["reader"]]
    sigma = math.exp(rng.uniform(math.log(low), math.log(high)))
    lash = float(rng.uniform(0.0, 4.0)) if rng.random() < 0.3 and "alone" not in case else 0.0
    truth = []
    for place, at in enumerate(fires):
        opens = figure + rng.uniform(-4.0, 4.0)
        truth.append(opens)
        for _ in range(int(case["sweeps"])):
            shown = machine.shows(opens + sigma * rng.standard_normal(), at)
            script.append(("opening", str(place), shown, "forward"))
        for _ in range(int(case["sweeps"]) if lash else 0):
            shown = machine.shows(opens + lash + sigma * rng.standard_normal(), at)
            script.append(("closing", str(place), shown, "backward"))
    return script, truth, lash


def _said(script: list[tuple[str, str, str, str]], wheel: Wheel) -> float:
    """Return the wheel error that the first cylinder's stops give, worked out without leans."""
    angles = [nearest(parse(shown), wheel, 0.0) for _, _, shown, _ in script]
    return sum(angles) / len(angles)


def _played(script: list[tuple[str, str, str, str]]) -> tuple[list[Reading], list[Change]]:
    readings, changes = [], []
    for place, (step, cylinder, shown, sweep) in enumerate(script):
        time = 10.0 * (place + 1)
        mark = parse(shown) if shown else None
        readings.append(Reading(time, step, cylinder, mark, shown, sweep=sweep))  # type: ignore
        if step in ("opening", "closing"):
            points = "open" if step == "opening" else "closed"
            changes.append(Change(time - 2.0, time - 1.9, 0.001, "starts", points, 20.0))  # type: ignore
    return readings, changes


def table(counts: list[Count]) -> list[tuple[str, str, int, float, float, float]]:
    """Return by aspect and case: jobs, share held, bias, median U."""
    groups: dict[tuple[str, str], list[Count]] = defaultdict(list)
    for count in counts:
        groups["all", ""].append(count)
        for aspect, value in count.case.items():
            groups[aspect, value].append(count)
    order = list(dict.fromkeys(aspect for aspect, _ in groups))

    def place(key: tuple[str, str]) -> tuple[int, float, str]:
        number = float(key[1]) if key[1].replace(".", "").isdigit() else 0.0
        return order.index(key[0]), number, key[1]

    rows = []
    for key in sorted(groups, key=place):
        group = groups[key]
        errors = np.array([count.error_deg for count in group])
        bounds = np.array([count.U_deg for count in group])
        held = float(np.mean(np.abs(errors) <= bounds))
        rows.append((*key, len(group), held, float(errors.mean()), float(np.median(bounds))))
    lash = np.array([count.lash for count in counts if count.lash])
    if len(lash):
        held = float(np.mean(np.abs(lash[:, 0]) <= lash[:, 1]))
        bias, middle = float(lash[:, 0].mean()), float(np.median(lash[:, 1]))
        rows.append(("lash", "", len(lash), held, bias, middle))
    return rows


def false_alarms(counts: list[Count], sessions: int) -> tuple[int, int]:
    """Return histories, each of so many of the jobs in turn, and in how many a drift is found."""
    found = 0
    histories = len(counts) // sessions
    for first in range(0, histories * sessions, sessions):
        line = drift(
            [
                DatedAngle(365.0 * year, count.error_deg, count.u_deg, count.U_deg, count.dof)
                for year, count in enumerate(counts[first : first + sessions])
            ],
            0.0,
            1.0,
        )
        found += line is not None and line.beyond_chance
    return histories, found


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, default=6000)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--stop-scatter", type=float, default=0.0, metavar="DEG")
    options = asked.parse_args()
    rng = np.random.default_rng(options.seed)
    counts = [job(rng, stop_scatter=options.stop_scatter) for _ in range(options.jobs)]
    few = [
        job(rng, n, reader, alone=True)
        for n in (2, 3, 5)
        for reader in READERS
        for _ in range(options.jobs // 20)
    ]
    print("| case | | jobs | held | bias, deg | median U, deg |")
    print("| --- | --- | --- | --- | --- | --- |")
    alone = [row for row in table(few) if row[0] == "alone"]
    for aspect, value, jobs, held, bias, bound in [*table(counts), *alone]:
        print(f"| {aspect} | {value} | {jobs} | {held:.1%} | {bias:+.3f} | {bound:.2f} |")
    print("\n| jobs | sessions | histories | drift found where there is none |")
    print("| --- | --- | --- | --- |")
    for case in dict.fromkeys(count.case["alone"] for count in few):
        same = [count for count in few if count.case["alone"] == case]
        for sessions in (2, 3, 5):
            histories, found = false_alarms(same, sessions)
            if histories:
                print(f"| {case} | {sessions} | {histories} | {found / histories:.1%} |")


if __name__ == "__main__":
    main()
