"""Many small systems at once: damped least squares, each with its own damping, step limits and bounds."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.properties import Floats

Residual = Callable[[Floats, npt.NDArray[np.intp]], Floats]
"""Of unknowns (n, m), for the systems of these numbers, to residuals (n, m)."""


class Solved(NamedTuple):
    unknowns: Floats
    worst: Floats
    """The largest residual of each."""


def solve(
    residual: Residual, start: Floats, low: Floats, high: Floats, scale: Floats, *, rounds: int = 60, good: float = 1e-7
) -> Solved:
    """From `start` (n, m), within `low` and `high` (n, m); a step moves an unknown by no more than its `scale` (m,)."""
    u = np.clip(start, low, high)
    every = np.arange(len(u))
    r = residual(u, every)
    damping = np.full(len(u), 1e-3)
    for _ in range(rounds):
        rows = every[np.abs(r).max(axis=1) > good]
        if not len(rows):
            break
        slope = _slopes(residual, u[rows], r[rows], rows, (high[rows], scale))
        square = np.einsum("nji,njk->nik", slope, slope)
        square[:, range(u.shape[1]), range(u.shape[1])] *= 1.0 + damping[rows, None]
        square[:, range(u.shape[1]), range(u.shape[1])] += 1e-12
        step = -np.linalg.solve(square, np.einsum("nji,nj->ni", slope, r[rows])[..., None])[..., 0]
        step /= np.maximum(np.abs(step).max(axis=1, keepdims=True), 1.0)
        tried = np.clip(u[rows] + step * scale, low[rows], high[rows])
        found = residual(tried, rows)
        better = (found**2).sum(axis=1) < (r[rows] ** 2).sum(axis=1)
        u[rows[better]], r[rows[better]] = tried[better], found[better]
        damping[rows] = np.clip(damping[rows] * np.where(better, 0.2, 5.0), 1e-9, 1e6)
    return Solved(u, np.abs(r).max(axis=1))


def _slopes(
    residual: Residual, u: Floats, r: Floats, rows: npt.NDArray[np.intp], limits: tuple[Floats, Floats]
) -> Floats:
    """(n, residual, unknown), per `scale` of the unknown; backwards where the upper bound is near."""
    high, scale = limits
    slope = np.empty((*u.shape, u.shape[1]))
    for k in range(u.shape[1]):
        move = np.where(u[:, k] + 1e-5 * scale[k] > high[:, k], -1e-5, 1e-5)
        moved = u.copy()
        moved[:, k] += move * scale[k]
        slope[:, :, k] = (residual(moved, rows) - r) / move[:, None]
    return slope
