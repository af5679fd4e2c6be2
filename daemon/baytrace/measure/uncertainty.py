"""Standard uncertainties and how they travel through a computation. JCGM 100:2008 (GUM).

Rules of this file:
- `u` is always a standard uncertainty (k = 1) in the unit of its value; nothing here expands it but `coverage_factor`.
- First order only (JCGM 100, 5.1.2): good while the computation is nearly straight over a few u.
- Plain floats, no arrays: these run for every reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

K95 = 1.959_964
"""Coverage factor of a 95 % interval of a normal distribution (JCGM 100, Table G.1), as `Figure.between` uses it."""


def rectangular(half_width: float) -> float:
    """Limits of error and nothing else known (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def resolution(step: float) -> float:
    """A display's last step: rectangular over half a step to either side (JCGM 100, F.2.2.1)."""
    return step / math.sqrt(12.0)


def expanded(half_width: float, coverage: float = 2.0) -> float:
    """From a certificate's expanded uncertainty and its stated k (JCGM 100, 4.3.3)."""
    return half_width / coverage


def combine(*parts: float) -> float:
    """Uncorrelated contributions already in the result's unit (JCGM 100, eq. 10)."""
    return math.hypot(*parts)


class Contribution(NamedTuple):
    """One line of an uncertainty budget, in the result's unit; `instrument` names what would have to be better."""

    name: str
    u: float
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Budget:
    """The uncorrelated contributions to one result."""

    parts: tuple[Contribution, ...] = ()

    @property
    def u(self) -> float:
        return math.hypot(*(part.u for part in self.parts))

    def with_part(self, name: str, u: float, instrument: str = "") -> Budget:
        return Budget((*self.parts, Contribution(name, abs(u), instrument)))

    def scaled(self, factor: float) -> Budget:
        """The budget of `factor` times the result."""
        return Budget(tuple(part._replace(u=abs(factor) * part.u) for part in self.parts))

    def largest(self) -> Contribution | None:
        return max(self.parts, key=lambda part: part.u, default=None)

    def allowed(self, part: Contribution, total: float) -> float:
        """How large `part` may be for the whole to reach `total`; 0.0 when the others alone exceed it."""
        others = math.hypot(*(other.u for other in self.parts if other is not part))
        return math.sqrt(max(0.0, total * total - others * others))


def propagate(
    function: Callable[..., float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    correlations: Sequence[Sequence[float]] | None = None,
) -> tuple[float, float]:
    """`function(*values)` and its standard uncertainty (JCGM 100, eq. 13), derivatives as differences over +-u (5.1.3, note 2).

    `correlations` is the matrix of r(i, j); without it inputs are independent. A function that cannot be had one u away
    raises what it raises.
    """
    result = function(*values)
    terms = []
    for index, u in enumerate(uncertainties):
        if u == 0.0:
            terms.append(0.0)
            continue
        up, down = list(values), list(values)
        up[index] += u
        down[index] -= u
        terms.append((function(*up) - function(*down)) / 2.0)
    if correlations is None:
        return result, math.hypot(*terms)
    total = sum(
        terms[i] * terms[j] * (1.0 if i == j else correlations[i][j])
        for i in range(len(terms))
        for j in range(len(terms))
    )
    return result, math.sqrt(max(0.0, total))


class Mean(NamedTuple):
    """A mean, the standard deviation of one value, and of the mean; `n` values."""

    value: float
    deviation: float
    u: float
    n: int


def mean(values: Iterable[float]) -> Mean:
    """Repeated readings (JCGM 100, 4.2). One value has no deviation: 0.0. Raises ValueError for none."""
    kept = list(values)
    if not kept:
        raise ValueError("no values to average")
    n = len(kept)
    middle = math.fsum(kept) / n
    if n == 1:
        return Mean(middle, 0.0, 0.0, 1)
    deviation = math.sqrt(math.fsum((value - middle) ** 2 for value in kept) / (n - 1))
    return Mean(middle, deviation, deviation / math.sqrt(n), n)


@dataclass(frozen=True, slots=True)
class Line:
    """`y = intercept + slope (x - origin)` by least squares, with the scatter about it. JCGM 100, H.3."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    scatter: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty on the line (JCGM 100, eq. H.15)."""
        reach = x - self.origin
        variance = (
            self.u_intercept**2
            + (reach * self.u_slope) ** 2
            + 2.0 * reach * self.correlation * self.u_intercept * self.u_slope
        )
        return self.intercept + self.slope * reach, math.sqrt(max(0.0, variance))


def fit_line(xs: Sequence[float], ys: Sequence[float], origin: float = 0.0) -> Line:
    """Raises ValueError for fewer than three points or no spread in x."""
    n = len(xs)
    if n < 3 or n != len(ys):
        raise ValueError("a line with its scatter needs three points or more")
    thetas = [x - origin for x in xs]
    middle = math.fsum(thetas) / n
    spread = math.fsum((theta - middle) ** 2 for theta in thetas)
    if spread == 0.0:
        raise ValueError("all points of the line share one x")
    y_mean = math.fsum(ys) / n
    slope = math.fsum((theta - middle) * (y - y_mean) for theta, y in zip(thetas, ys, strict=True)) / spread
    intercept = y_mean - slope * middle
    left = math.fsum((y - intercept - slope * theta) ** 2 for theta, y in zip(thetas, ys, strict=True))
    scatter = math.sqrt(left / (n - 2))
    squares = math.fsum(theta * theta for theta in thetas)
    return Line(
        intercept,
        slope,
        scatter * math.sqrt(squares / (n * spread)),
        scatter / math.sqrt(spread),
        -math.fsum(thetas) / math.sqrt(n * squares) if squares else 0.0,
        scatter,
        origin,
    )


def effective_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite (JCGM 100, G.4.1) from (u, degrees of freedom); inf when nothing is finite."""
    kept = list(parts)
    total = math.fsum(u * u for u, _ in kept) ** 2
    below = math.fsum(u**4 / freedom for u, freedom in kept if math.isfinite(freedom) and u)
    return total / below if below else math.inf


@lru_cache(maxsize=256)
def coverage_factor(freedom: float = math.inf, confidence: float = 0.95) -> float:
    """k for a two-sided interval, from Student's t (JCGM 100, G.3; Table G.2). Raises ValueError below one degree of freedom."""
    if freedom < 1.0:
        raise ValueError("an interval needs at least one degree of freedom")
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - the only line that needs scipy; most callers never do

    tail = 0.5 + confidence / 2.0
    return float(ndtri(tail) if math.isinf(freedom) else stdtrit(freedom, tail))
