"""The uncertainty budget: what adds to the doubt, and how much doubt there is in all.

What it measures
----------------
A `Line` is one source of doubt with its standard uncertainty ``u`` and its degrees of freedom;
`combine` adds lines into a `Budget`: the combined standard uncertainty, the effective degrees of
freedom, the coverage factor ``k`` and the expanded uncertainty ``U = k u``.

Conventions
-----------
Crank degrees. The lines are independent of each other. Degrees of freedom that are infinite (a
line whose bounds are taken as known) are ``math.inf`` in the program and null in JSON.

References
----------
JCGM 100:2008 (the GUM): 4.2 type A, 4.3.7 rectangular distribution with divisor root 3,
5.1.2 combination, 6.2 expanded uncertainty, G.4 effective degrees of freedom by the
Welch-Satterthwaite formula (G.2b) and ``k`` from Student's t. Degrees of freedom are not cut to
a whole number; the t distribution is defined in between.

A reader takes the wheel to half a graduation, so a reading lies anywhere within a quarter of a
graduation of what was written (common practice, no source). Rounding is the same for every
reading of an angle that does not move, so repeating does not lessen it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtr, ndtri, stdtr, stdtrit

COVERAGE = 0.95

Distribution = Literal["Student", "rectangular", "combined", "not included"]


@dataclass(frozen=True)
class Line:
    """One line of a budget.

    Attributes
    ----------
    source : str
        Where the doubt comes from.
    value_deg : float
        The figure it starts from: a half-width, or a standard deviation.
    distribution : {"Student", "rectangular", "combined", "not included"}
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
    lines : tuple of Line
    u_deg : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom.
    k : float
        Coverage factor.
    coverage : float
        Probability that the interval of plus and minus `U_deg` holds the true value.
    """

    lines: tuple[Line, ...]
    u_deg: float
    dof: float
    k: float
    coverage: float

    @property
    def U_deg(self) -> float:
        """Expanded uncertainty, in degrees."""
        return self.k * self.u_deg


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
    u = math.hypot(*(line.u_deg for line in lines))
    dof = welch_satterthwaite([(line.u_deg, line.dof) for line in lines])
    return Budget(tuple(lines), u, dof, coverage_factor(dof, coverage), coverage)


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


def chance_below(limit_deg: float, mean_deg: float, u_deg: float, dof: float) -> float:
    """Return the probability that the true value lies below a limit.

    What is known of the value is Student's t about the mean, scaled by the standard uncertainty.
    """
    if u_deg == 0.0:
        return 1.0 if mean_deg < limit_deg else 0.5 if mean_deg == limit_deg else 0.0
    t = (limit_deg - mean_deg) / u_deg
    return float(ndtr(t) if math.isinf(dof) else stdtr(dof, t))


def resolution(graduation_deg: float, sensitivity: float = 1.0, what: str = "reading") -> Line:
    """Return the line for reading the wheel to half a graduation."""
    return Line(
        f"{what}, resolution",
        graduation_deg / 4.0,
        "rectangular",
        math.sqrt(3.0),
        sensitivity,
        note=f"wheel marked every {graduation_deg:g} deg, read to half of that",
    )


def repeatability(values_deg: Sequence[float], what: str = "readings") -> Line:
    """Return the line for the spread of repeated values, of which there must be two or more."""
    n = len(values_deg)
    sd = standard_deviation(values_deg)
    if sd is None:
        raise ValueError("a spread needs two values or more")
    return Line(f"{what}, spread", sd, "Student", math.sqrt(n), dof=n - 1, note=f"mean of {n}")


def standard_deviation(values_deg: Sequence[float]) -> float | None:
    """Return the sample standard deviation (GUM, 4.2.2); None for fewer than two values."""
    n = len(values_deg)
    if n < 2:
        return None
    mean = math.fsum(values_deg) / n
    return math.sqrt(math.fsum((v - mean) ** 2 for v in values_deg) / (n - 1))
