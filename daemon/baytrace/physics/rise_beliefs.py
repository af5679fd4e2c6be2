"""What may really be going on in a hold, each as likely as its readings leave it: for looking ahead.

Nothing, a leak alone, vapour alone and both are four models, equally likely at first. An unknown rate or amount may lie
anywhere in three decades (evenly in the logarithm), a vapour's time anywhere in its family's range. What the readings leave
of a model is then its best chi2 and the share of that range which fits as well (Laplace's approximation of the evidence;
MacKay, Neural Computation 4, 1992, from memory): a slow vapour that could draw any straight line does not outweigh a leak.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.physics import rise_solver
from baytrace.physics.gauge_noise import Whitener
from baytrace.physics.pressure_rise import Look, RiseFit, grid
from baytrace.physics.rise_shapes import Candidates

Array = NDArray[np.float64]
_DECADES = math.log(1e3)
_FINER = 3


class Truth(NamedTuple):
    """One explanation of a rise and its weight: Pa/s, Pa, the vapour's kind (path included) and s."""

    weight: float
    rate: float
    vapour: float
    kind: int
    tau_s: float


def believed(fit: RiseFit, count: int) -> list[Truth]:
    """At most so many explanations, weights summing to 1, drawn evenly through all of them: the same fit, the same draw."""
    problem, sigma = fit.problem, fit.scatter.sigma
    shapes = grid(problem, _FINER)
    look = Look(problem, Whitener(problem.time_s, problem.spread, fit.scatter.memory))
    n, most = look.normal(shapes)
    models = (_no_vapour(n, sigma), _vapour_alone(n, most, sigma), _both(n, most, sigma))
    prior = _prior(shapes)
    logs = np.concatenate([models[0][0], *(log + prior for log, _, _ in models[1:])])
    rate, vapour = (np.concatenate([model[part] for model in models]) for part in (1, 2))
    kind = np.concatenate([np.zeros(2, dtype=np.int64), shapes.kind, shapes.kind])
    tau = np.concatenate([np.full(2, shapes.tau_s[0]), shapes.tau_s, shapes.tau_s])
    reached = np.cumsum(np.exp(logs - logs.max()))
    rows = np.searchsorted(reached, (np.arange(count) + 0.5) / count * reached[-1])
    drawn, times = np.unique(rows, return_counts=True)
    return [
        Truth(share / count, float(rate[row]), float(vapour[row]), int(kind[row]), float(tau[row]))
        for row, share in zip(drawn.tolist(), times.tolist(), strict=True)
    ]


_Model = tuple[Array, Array, Array]
"""By shape: logarithm of the evidence, Pa/s, Pa."""


def _fitting(share: Array) -> Array:
    """Logarithm of the share of a range in which a figure fits."""
    return np.log(np.clip(share, 1e-300, 1.0))


def _no_vapour(n: rise_solver.Normal, sigma: float) -> _Model:
    """Nothing at all, and a leak alone."""
    squares, rate = rise_solver.without_vapour(n)
    width = math.sqrt(2.0 * math.pi / n.tt) * sigma / max(rate, 1e-300)
    logs = np.array([-0.5 * n.yy / sigma**2, -0.5 * squares / sigma**2])
    logs[1] += float(_fitting(np.array(width / _DECADES))) if rate > 0.0 else -math.inf
    return logs, np.array([0.0, rate]), np.zeros(2)


def _vapour_alone(n: rise_solver.Normal, most: Array, sigma: float) -> _Model:
    found = rise_solver.without_leak(n, most)
    there = found.vapour > 0.0
    width = np.sqrt(2.0 * math.pi / n.gg) * sigma / np.where(there, found.vapour, 1.0)
    logs = -0.5 * found.chi2 / sigma**2 + _fitting(width / _DECADES)
    return np.where(there, logs, -np.inf), found.rate, found.vapour


def _both(n: rise_solver.Normal, most: Array, sigma: float) -> _Model:
    """Where the unbound minimum breaks a bound, one of the plainer models tells it already."""
    determinant = np.maximum(n.tt * n.gg - n.gt * n.gt, 1e-14 * n.tt * n.gg)
    rate = (n.gg * n.ty - n.gt * n.gy) / determinant
    vapour = (n.tt * n.gy - n.gt * n.ty) / determinant
    there = (rate > 0.0) & (vapour > 0.0) & (vapour <= most)
    area = 2.0 * math.pi * sigma**2 / np.sqrt(determinant) / np.where(there, rate * vapour, 1.0)
    logs = -0.5 * rise_solver.chi2(n, rate, vapour) / sigma**2 + _fitting(area / _DECADES**2)
    return np.where(there, logs, -np.inf), rate, vapour


def _prior(shapes: Candidates) -> Array:
    """Logarithm: every family alike, a pool's unseen paths sharing one family's part, every time of a family alike."""
    kinds, members = np.unique(shapes.kind, return_counts=True)
    paths = np.maximum(np.sum(kinds >= 3), 1)
    families = np.sum(kinds < 3) + (kinds >= 3).any()
    share = 1.0 / families / np.where(kinds >= 3, paths, 1) / members
    return np.asarray(np.log(share)[np.searchsorted(kinds, shapes.kind)])
