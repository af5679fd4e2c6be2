"""How long a hold has yet to run before its figures can be decided, from what is known now.

What may really be going on (a leak, vapour, or both, each as likely as the readings leave it) is carried on without noise,
cut into the cells it would have then, and given the intervals that the scatter and memory seen so far would leave. The
first length at which the caller's rule decides is that explanation's answer; the answers are averaged in the logarithm,
by their weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from baytrace.physics.pressure_rise import RiseFit, Scatter, look_ahead, supposing
from baytrace.physics.rise_cells import CAPACITY

LONGEST_S = 86_400.0
_UNLIKELY = 0.1
_FIRST, _GROWTH, _CLOSE = 1.05, 2.0, 1.02
Decides = Callable[[RiseFit], bool]


def more_time(fit: RiseFit, period_s: float, decides: Decides) -> float | None:
    """Seconds beyond the present span; None when even a day would not do."""
    total = logs = 0.0
    for truth in fit.truths:
        if truth.weight < _UNLIKELY:
            continue
        span = _decided_at(supposing(fit, truth), period_s, decides)
        if span is not None:
            total += truth.weight
            logs += truth.weight * math.log(span - fit.span_s)
    return math.exp(logs / total) if total > 0.5 else None


def _decided_at(fit: RiseFit, period_s: float, decides: Decides) -> float | None:
    """The least span (s) at which it is decided, to 2 %: by doubling what is added, then by halving."""
    before, share = 1.0, _FIRST
    while not decides(foreseen(fit, fit.span_s * share, period_s)):
        before, share = share, 1.0 + (share - 1.0) * _GROWTH
        if fit.span_s * share > LONGEST_S:
            return None
    while (share - 1.0) / max(before - 1.0, _CLOSE - 1.0) > 1.3:
        middle = 1.0 + math.sqrt(max(before - 1.0, 0.01) * (share - 1.0))
        if decides(foreseen(fit, fit.span_s * middle, period_s)):
            share = middle
        else:
            before = middle
    return fit.span_s * share


def foreseen(fit: RiseFit, span_s: float, period_s: float) -> RiseFit:
    """The intervals this fit would have after `span_s`, were the loop to go on as fitted."""
    length = max(fit.length_s, period_s)
    while span_s / length > CAPACITY:
        length *= 2.0
    time_s = np.asarray((np.arange(max(int(span_s / length), 8)) + 0.5) * length, dtype=np.float64)
    ratio = length / fit.cell_step_s
    sigma, before = fit.scatter
    rho = before**ratio if before > 0.0 else 0.0
    # averaging keeps the variance at low frequency: (1 + rho) / (1 - rho) a cell, and one cell now stands for `ratio`
    slow = (1.0 + before) / (1.0 - before) / ratio
    scatter = Scatter(sigma * math.sqrt(slow * (1.0 - rho) / (1.0 + rho)), rho)
    return look_ahead(fit, time_s, length, scatter)
