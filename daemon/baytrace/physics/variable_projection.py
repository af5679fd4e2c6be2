"""Exponential rises by variable projection: everything but the time constant is linear, so only it is searched.

`zoom` is the search the hold's fit runs on: from a grid that covers the whole range it closes in on the least sum of
squares, for several kinds of curve at once. A start given by hand can end in a wrong valley without a word; a grid over
the range of the data cannot. `fit_rise` is the same for one plain curve, finished by Gauss-Newton and checked.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_POINTS = np.linspace(-1.0, 1.0, 9)
_GRID = 200
_POLISH, _STILL = 50, 1e-12


class Rise(NamedTuple):
    """`y = offset + slope x + height (1 - exp(-x / time))` with standard deviations from the residuals (n - parameters).

    Terms that were not asked for are 0. `squares` is the residual sum of squares.
    """

    offset: float
    slope: float
    height: float
    time: float
    deviations: dict[str, float]
    squares: float


class Line(NamedTuple):
    """`y = intercept + slope x`, standard deviations, residual standard deviation (n - 2)."""

    intercept: float
    slope: float
    intercept_deviation: float
    slope_deviation: float
    residual_deviation: float


def zoom(  # noqa: PLR0917 - the parts of one search
    centres: Array, squares: Callable[[Array], Array], width: float, rounds: int, low: Array, high: Array
) -> Array:
    """Centres (k,) moved to the least `squares` of (k, 9) trials, in log space, the width quartered each round."""
    rows = np.arange(centres.size)
    for _ in range(rounds):
        trials = np.clip(centres[:, None] * np.exp(width * _POINTS), low[:, None], high[:, None])
        centres = trials[rows, np.argmin(squares(trials), axis=1)]
        width /= 4.0
    return centres


def fit_rise(x: Array, y: Array, *, offset: bool = True, slope: bool = True) -> Rise:
    """Raises ValueError when there are too few points or the search does not come to rest inside its range."""
    names = [name for name, asked in (("offset", offset), ("slope", slope)) if asked]
    if x.size < len(names) + 2:
        raise ValueError("too few points for this curve")
    given = [np.ones_like(x) if name == "offset" else x for name in names]

    def solved(time: float) -> tuple[Array, Array]:
        design = np.column_stack([*given, 1.0 - np.exp(-x / time)])
        coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
        return np.asarray(coefficients, dtype=np.float64), np.asarray(y - design @ coefficients, dtype=np.float64)

    def squares(times: Array) -> Array:
        return np.array([[float(rest @ rest) for rest in (solved(time)[1] for time in row)] for row in times.tolist()])

    span = float(x.max() - min(x.min(), 0.0))
    low, high = np.array([1e-3 * span]), np.array([1e3 * span])
    grid = np.geomspace(low[0], high[0], _GRID)
    start = grid[[int(np.argmin(squares(grid[None, :])))]]
    time = float(zoom(start, squares, 0.1, 8, low, high)[0])
    return _polished(x, names, given, time, solved)


def _polished(
    x: Array, names: list[str], given: list[Array], time: float, solved: Callable[[float], tuple[Array, Array]]
) -> Rise:
    """Gauss-Newton from the valley's floor until it stands still; the last Jacobian gives the deviations."""
    for _ in range(_POLISH):
        coefficients, rest = solved(time)
        shape = np.exp(-x / time)
        jacobian = np.column_stack([*given, 1.0 - shape, -coefficients[-1] * shape * x / time**2])
        step, *_ = np.linalg.lstsq(jacobian, rest, rcond=None)
        time += float(step[-1])
        if time <= 0.0:
            break
        if abs(step[-1]) <= _STILL * time:
            free = max(x.size - jacobian.shape[1], 1)
            left = float(rest @ rest)
            spread = np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)) * left / free)
            value = dict(zip(names, coefficients[:-1].tolist(), strict=True))
            deviations = dict(zip([*names, "height", "time"], spread.tolist(), strict=True))
            height = float(coefficients[-1])
            return Rise(value.get("offset", 0.0), value.get("slope", 0.0), height, time, deviations, left)
    raise ValueError("the fit of the rise did not converge: the points do not level off within their range")


def straight_line(x: Array, y: Array) -> Line:
    """Ordinary least squares about the means, so that large offsets cost no digits. Raises ValueError below 3 points."""
    if x.size < 3 or float(np.ptp(x)) == 0.0:
        raise ValueError("a line with deviations needs three points at different x")
    from_x, from_y = x - x.mean(), y - y.mean()
    power = float(from_x @ from_x)
    slope = float(from_x @ from_y) / power
    intercept = float(y.mean()) - slope * float(x.mean())
    rest = from_y - slope * from_x
    residual = float(np.sqrt(rest @ rest / (x.size - 2)))
    return Line(
        intercept,
        slope,
        residual * float(np.sqrt(1.0 / x.size + x.mean() ** 2 / power)),
        residual / float(np.sqrt(power)),
        residual,
    )
