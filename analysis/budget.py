"""The uncertainty budget: what adds to the doubt, and how much doubt there is in all.

What it measures
----------------
A `BudgetLine` is one source of doubt with its distribution, its standard uncertainty ``u`` and its
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
reading lies anywhere within half a step of what was written (common practice, no source). It
adds a twelfth of the step's square to the readings' variance, which is known and is taken out of
their spread before Student's factor is put on it. Where what is left scatters by much less than
a step, all readings are rounded alike and repeating does not help; where it scatters by a step,
rounding differs each time and goes down with their number. Between the two, ``exp(-2 pi^2
s^2)`` of it is common to all, ``s`` being the scatter in steps.

References
----------
JCGM 100:2008 (the GUM): 4.2 type A, 4.2.4 pooled variance, 4.3.7 rectangular and 4.3.9
triangular distribution, 5.1.2 combination, 6.2 expanded uncertainty, G.4 effective degrees of
freedom by the Welch-Satterthwaite formula (G.2b) and Student's t. Degrees of freedom are not cut
to a whole number. JCGM 101:2008, clauses 5 and 7: distributions propagated numerically.
B. Widrow and I. Kollar, *Quantization Noise*, 2008: how scatter smooths rounding, the first
harmonic of it; W. F. Sheppard's correction of 1898 takes rounding out of a variance (both from
memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtr, stdtrit

COVERAGE = 0.95

Distribution = Literal["Student", "normal", "rectangular", "triangular", "not included"]
Floats = npt.NDArray[np.float64]

_CELLS = 400
"""Cells of the numerical distribution, end to end."""


@dataclass(frozen=True)
class BudgetLine:
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
    distribution: Distribution
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
    lines : tuple of BudgetLine
    coverage : float
        Probability that the interval of plus and minus `U_deg` holds the true value.
    """

    lines: tuple[BudgetLine, ...]
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
        if self.u_deg == 0.0:
            return 0.0

        def missing(half_width: float) -> float:
            inside = self.chance_below(half_width) - self.chance_below(-half_width)
            return self.coverage - inside

        high = 2.0 * self.u_deg
        while missing(high) > 0.0:
            high *= 2.0
        return float(brentq(missing, 0.0, high, xtol=1e-7 * self.u_deg, rtol=1e-9))

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
        half_widths: list[float] = []
        for line in self.lines:
            if line.distribution == "rectangular":
                half_widths.append(line.u_deg * math.sqrt(3.0))
            elif line.distribution == "triangular":  # the sum of two equal rectangles
                half_widths += [line.u_deg * math.sqrt(1.5)] * 2
        cell = 2.0 * math.fsum(half_widths) / _CELLS or 1e-12
        weight = np.ones(1)
        for half_width in half_widths:
            cells = round(half_width / cell)
            if cells:
                rectangle = np.full(2 * cells + 1, 0.5 / cells)
                rectangle[[0, -1]] /= 2.0
                weight = np.convolve(weight, rectangle)
        off = cell * (np.arange(len(weight), dtype=np.float64) - len(weight) // 2)
        return off, weight, cell


def combine(lines: Sequence[BudgetLine], coverage: float = COVERAGE) -> Budget:
    """Combine independent lines into a budget.

    Parameters
    ----------
    lines : sequence of BudgetLine
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
    """Return k: Student's t for a two-sided interval, the normal one for infinite `dof`.

    Parameters
    ----------
    dof : float
        Effective degrees of freedom; may be infinite.
    coverage : float
        Probability that the interval holds the truth, from 0 to 1.
    """
    p = (1.0 + coverage) / 2.0
    return float(ndtri(p) if math.isinf(dof) else stdtrit(dof, p))


@dataclass(frozen=True)
class Scatter:
    """How far repeated readings of one thing differ.

    Attributes
    ----------
    sd_deg : float
        Standard deviation of one reading, without its rounding.
    dof : int
        Degrees of freedom it is known with; 0 when nothing was repeated.
    """

    sd_deg: float = 0.0
    dof: int = 0


def pooled(groups: Sequence[Sequence[float]], step_deg: float = 0.0) -> Scatter:
    """Return the scatter within groups, each about its own mean (GUM, 4.2.4).

    Parameters
    ----------
    groups : sequence of sequence of float
        Readings that repeat each other, group by group.
    step_deg : float
        What they are rounded to; the rounding's variance is taken out.
    """
    dof = sum(len(group) - 1 for group in groups if group)
    if dof == 0:
        return Scatter()
    squares = math.fsum(
        (value - math.fsum(group) / len(group)) ** 2 for group in groups for value in group
    )
    return Scatter(math.sqrt(max(0.0, squares / dof - step_deg**2 / 12.0)), dof)


def resolution(
    step_deg: float, scatter_deg: float = 0.0, n: int = 1, what: str = "readings"
) -> BudgetLine:
    """Return the line for reading the wheel to a step.

    Parameters
    ----------
    step_deg : float
        The finest step that is read.
    scatter_deg : float
        Standard deviation of the readings without the rounding.
    n : int
        Readings in the mean.
    what : str
        Which readings.
    """
    common = math.exp(-2.0 * (math.pi * scatter_deg / step_deg) ** 2)
    half_width = step_deg / 2.0 * math.hypot(common, math.sqrt((1.0 - common**2) / n))
    note = f"read to {step_deg:g} deg"
    if n > 1:
        note += f"; {common:.0%} of it alike in all {n}"
    return BudgetLine(f"{what}, resolution", half_width, "rectangular", math.sqrt(3.0), note=note)


def repeatability(scatter: Scatter, n: int, note: str, what: str = "readings") -> BudgetLine:
    """Return the line for the mean of `n` readings that scatter.

    Parameters
    ----------
    scatter : Scatter
        Of one reading, in degrees.
    n : int
        How many the mean is of.
    note, what : str
        For the budget's table.
    """
    return BudgetLine(
        f"{what}, spread", scatter.sd_deg, "Student", math.sqrt(n), dof=scatter.dof, note=note
    )


def standard_deviation(values_deg: Sequence[float]) -> float | None:
    """Return the sample standard deviation (GUM, 4.2.2); None for fewer than two values."""
    return pooled([values_deg]).sd_deg if len(values_deg) > 1 else None
