"""How long a hold has yet to run before its figures can be decided, from what is known now.

The fitted curve is carried on without noise, cut into the cells it would have then, and given the intervals that the
scatter and memory seen so far would leave. The first length at which the caller's rule decides is the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from baytrace.physics.pressure_rise import RiseFit, Scatter, look_ahead
from baytrace.physics.rise_cells import CAPACITY

LONGEST_S = 86_400.0
Decides = Callable[[RiseFit], bool]


def more_time(fit: RiseFit, period_s: float, decides: Decides) -> float | None:
    """Seconds beyond the present span; None when even a day would not do."""
    span = fit.span_s
    step = 1.2
    before = span
    while span < LONGEST_S:
        before, span = span, span * step
        if decides(foreseen(fit, span, period_s)):
            for share in (0.25, 0.5, 0.75):
                closer = before + share * (span - before)
                if decides(foreseen(fit, closer, period_s)):
                    return closer - fit.span_s
            return span - fit.span_s
    return None


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
