"""Fixed draws of heavy-tailed vectors: the same on every computer and every time, spread more evenly than chance would.

Points of an additive recurrence with the generalised golden ratio (M. Roberts, "The unreasonable effectiveness of quasirandom
sequences", 2018), turned normal by Box and Muller and heavy-tailed by a chi-squared of an even number of degrees of freedom.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def _golden(dimensions: int) -> float:
    """The positive root of x^(d+1) = x + 1."""
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (dimensions + 1.0))
    return root


@cache
def points(count: int, dimensions: int) -> Floats:
    """`count` points in the unit cube, none on its faces."""
    steps = (1.0 / _golden(dimensions)) ** np.arange(1, dimensions + 1)
    found: Floats = (0.5 + np.outer(np.arange(1, count + 1), steps)) % 1.0
    return np.clip(found, 1e-9, 1.0 - 1e-9)


@cache
def heavy_tailed(count: int, dimensions: int, freedom: int) -> tuple[Floats, Floats]:
    """Vectors of Student's t with `freedom` (even, above 2) and unit covariance, and a share in 0..1 for each to choose by."""
    pairs, halves = (dimensions + 1) // 2, freedom // 2
    cube = points(count, 1 + 2 * pairs + halves)
    radius = np.sqrt(-2.0 * np.log(cube[:, 1 : 1 + pairs]))
    angle = 2.0 * np.pi * cube[:, 1 + pairs : 1 + 2 * pairs]
    normal = np.concatenate([radius * np.cos(angle), radius * np.sin(angle)], axis=1)[:, :dimensions]
    squared = -2.0 * np.log(cube[:, 1 + 2 * pairs :]).sum(axis=1)
    return normal * np.sqrt((freedom - 2.0) / squared)[:, None], cube[:, 0]
