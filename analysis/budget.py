"""The uncertainty budget: what adds to the doubt, and how much doubt there is in all.

What it measures
----------------
A `Line` is one source of doubt with its distribution, its standard uncertainty ``u`` and its
degrees of freedom; `combine` adds lines into a `Budget`: the combined standard uncertainty, the
effective degrees of freedom, the coverage factor ``k`` and the expanded uncertainty ``U = k u``.

Conventions
-----------
Crank degrees. The lines are independent of each other. Degrees of freedom that are infinite (a
line whose bounds are taken as known) are ``math.inf`` in the program and null in JSON.

``k`` is not looked up for the effective degrees of freedom of the whole: with two or three
readings on a coarse wheel that misses the stated coverage either way. Student's lines are
combined into one by Welch-Satterthwaite, and the distributions of the others are laid over it
numerically; ``U`` is the half-width that holds the stated share of the outcome. Where one kind
of line rules, this is the textbook's ``k``.

Rounding. A reader takes the wheel to a step, half a graduation unless told otherwise, so a
reading lies anywhere within half a step of what was written (common practice, no source). Where
the readings scatter by much less than a step, all are rounded alike and repeating does not help;
where they scatter by a step, rounding is one more part of the scatter and is already in it.
Between the two, ``exp(-2 pi^2 s^2)`` of it stays, ``s`` being the scatter in steps. So
`resolution` is told the scatter, and counts only what stays.

References
----------
JCGM 100:2008 (the GUM): 4.2 type A, 4.2.4 pooled variance, 4.3.7 rectangular and 4.3.9
triangular distribution, 5.1.2 combination, 6.2 expanded uncertainty, G.4 effective degrees of
freedom by the Welch-Satterthwaite formula (G.2b) and Student's t. Degrees of freedom are not cut
to a whole number. JCGM 101:2008, clauses 5 and 7: distributions propagated numerically.
B. Widrow and I. Kollar, *Quantization Noise*, 2008: how scatter smooths rounding, the first
harmonic of it; Sheppard's correction takes the rounding out of the scatter (both from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri, stdtr, stdtrit

COVERAGE = 0.95

Shape = Literal["Student", "normal", "rectangular", "triangular", "not included"]
Floats = npt.NDArray[np.float64]

_CELLS = 600
"""Cells of the numerical distribution, end to end."""


@dataclass(frozen=True)
class Line:
    """One line of a budget.

    Attributes
    ----------
    source : str
        Where the doubt comes from.
    value_deg : float
        The figure it starts from: a half-width, or a standard deviation.
    distribution : {"Student", "normal", "rectangular", "triangular", "not included"}
    divisor : float
        What `value_deg` is divided by to make a standard uncertainty.
    sensitivity : float
        Degrees of the result for a degree of this.
    dof : float
        Degrees of freedom.
    note : str
        How the figure was come by.
    """

    source: str
    value_deg: float
    distribution: Shape
    divisor: float = 1.0
    sensitivity: float = 1.0
    dof: float = math.inf
    note: str = ""

    @property
    def u_deg(self) -> float:
        """Standard uncertainty that this line adds to the result, in degrees."""
        return abs(self.sensitivity) * self.value_deg / self.divisor

    def as_dict(self) -> dict[str, object]:
        """Return the line as the plain object that the record shows."""
        return {
            "source": self.source,
            "value_deg": self.value_deg,
            "distribution": self.distribution,
            "divisor": self.divisor,
            "sensitivity": self.sensitivity,
            "u_deg": self.u_deg,
            "dof": self.dof,
            "note": self.note,
        }


@dataclass(frozen=True)
class Budget:
    """Lines combined.

    Attributes
    ----------
    lines : tuple of Line
    coverage : float
        Probability that the interval of plus and minus `U_deg` holds the true value.
    """

    lines: tuple[Line, ...]
    coverage: float = COVERAGE

    @cached_property
    def u_deg(self) -> float:
        """Combined standard uncertainty, in degrees."""
        return math.hypot(*(line.u_deg for line in self.lines))

    @cached_property
    def dof(self) -> float:
        """Effective degrees of freedom."""
        return welch_satterthwaite([(line.u_deg, line.dof) for line in self.lines])

    @cached_property
    def U_deg(self) -> float:
        """Expanded uncertainty, in degrees."""
        low, high = 0.0, self.u_deg
        while self.chance_below(high) - self.chance_below(-high) < self.coverage:
            low, high = high, 2.0 * high
            if high == 0.0:
                return 0.0
        for _ in range(40):
            middle = (low + high) / 2.0
            inside = self.chance_below(middle) - self.chance_below(-middle)
            low, high = (middle, high) if inside < self.coverage else (low, middle)
        return high

    @property
    def k(self) -> float:
        """Coverage factor."""
        return self.U_deg / self.u_deg if self.u_deg else coverage_factor(math.inf, self.coverage)

    def chance_below(self, off_deg: float) -> float:
        """Return the probability that the true value lies less than this above the estimate."""
        t_u, t_dof = self._student
        off, weight, cell = self._bounded
        if t_u == 0.0:
            # Each cell's weight lies evenly over the cell.
            share = np.clip((off_deg - off) / cell + 0.5, 0.0, 1.0)
        else:
            t = (off_deg - off) / t_u
            share = ndtr(t) if math.isinf(t_dof) else stdtr(t_dof, t)
        return float(weight @ share)

    @cached_property
    def _student(self) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of the lines that have tails."""
        tails = [(x.u_deg, x.dof) for x in self.lines if x.distribution in ("Student", "normal")]
        return math.hypot(*(u for u, _ in tails)), welch_satterthwaite(tails)

    @cached_property
    def _bounded(self) -> tuple[Floats, Floats, float]:
        """Offsets, weights and cell of the sum of the lines that have ends."""
        half_widths = [abs(line.sensitivity) * line.value_deg for line in self.lines
                       if line.distribution == "rectangular"]  # fmt: skip
        for line in self.lines:
            if line.distribution == "triangular":  # the sum of two equal rectangles
                half_widths += [abs(line.sensitivity) * line.value_deg / 2.0] * 2
        cell = 2.0 * math.fsum(half_widths) / _CELLS or 1e-12
        weight = np.ones(1)
        for half_width in half_widths:
            cells = max(0, round(half_width / cell))
            weight = np.convolve(weight, np.full(2 * cells + 1, 1.0 / (2 * cells + 1)))
        off = cell * (np.arange(len(weight), dtype=np.float64) - len(weight) // 2)
        return off, weight, cell


def combine(lines: Sequence[Line], coverage: float = COVERAGE) -> Budget:
    """Combine independent lines into a budget.

    Parameters
    ----------
    lines : sequence of Line
        Each in crank degrees.
    coverage : float
        Between 0 and 1.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        If the coverage is not between 0 and 1.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"a coverage of {coverage:g} is not between 0 and 1")
    return Budget(tuple(lines), coverage)


def welch_satterthwaite(parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom of a sum (GUM, G.2b).

    Parameters
    ----------
    parts : sequence of (u, dof)
        Standard uncertainty and degrees of freedom of each term.
    """
    largest = max((u for u, _ in parts), default=0.0)
    if largest == 0.0:
        return math.inf
    # Divided by the largest first, so that fourth powers of small numbers do not vanish.
    total = sum((u / largest) ** 2 for u, _ in parts)
    spread = sum((u / largest) ** 4 / dof for u, dof in parts)
    return total**2 / spread if spread > 0.0 else math.inf


def coverage_factor(dof: float, coverage: float = COVERAGE) -> float:
    """Return k: Student's t for a two-sided interval, the normal one for infinite `dof`."""
    p = (1.0 + coverage) / 2.0
    return float(ndtri(p) if math.isinf(dof) else stdtrit(dof, p))


@dataclass(frozen=True)
class Scatter:
    """How far repeated readings of one thing differ.

    Attributes
    ----------
    sd_deg : float
        Standard deviation of one reading.
    dof : int
        Degrees of freedom it is known with; 0 when nothing was repeated.
    """

    sd_deg: float = 0.0
    dof: int = 0


def pooled(groups: Sequence[Sequence[float]]) -> Scatter:
    """Return the scatter within groups, each about its own mean (GUM, 4.2.4)."""
    dof = sum(len(group) - 1 for group in groups if group)
    if dof == 0:
        return Scatter()
    squares = math.fsum(
        (value - math.fsum(group) / len(group)) ** 2 for group in groups for value in group
    )
    return Scatter(math.sqrt(squares / dof), dof)


def rounding_left(step_deg: float, sd_deg: float) -> float:
    """Return the share of the rounding that is common to all readings, from 0 to 1."""
    in_steps = max(0.0, (sd_deg / step_deg) ** 2 - 1.0 / 12.0)  # less the rounding's own
    return math.exp(-2.0 * math.pi**2 * in_steps)


def resolution(step_deg: float, sd_deg: float = 0.0, what: str = "reading") -> Line:
    """Return the line for reading the wheel to a step, where readings scatter by `sd_deg`."""
    left = rounding_left(step_deg, sd_deg)
    note = f"read to {step_deg:g} deg"
    if left < 0.995:
        note += f"; {1.0 - left:.0%} of it is already in the spread"
    return Line(
        f"{what}, resolution", left * step_deg / 2.0, "rectangular", math.sqrt(3.0), note=note
    )


def repeatability(scatter: Scatter, n: int, note: str, what: str = "readings") -> Line:
    """Return the line for the mean of `n` readings that scatter."""
    return Line(
        f"{what}, spread", scatter.sd_deg, "Student", math.sqrt(n), dof=scatter.dof, note=note
    )


def standard_deviation(values_deg: Sequence[float]) -> float | None:
    """Return the sample standard deviation (GUM, 4.2.2); None for fewer than two values."""
    return pooled([values_deg]).sd_deg if len(values_deg) > 1 else None
