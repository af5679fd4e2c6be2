"""How long a hold has yet to run before its figures can be decided, from what is known now, and how surely.

Each thing that may really be going on (`rise_beliefs`) is carried on behind the cells that are there, without noise, with
the scatter and memory seen so far and the temperature along its trend; the first length at which the caller's rule decides
is its answer. Noise yet to come moves that length by about a tenth either way. Both together, given that it is not decided
yet, are the odds of when it will be. Where not decided by now and soon to be, the time from now is known least.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from baytrace.physics import rise_shapes
from baytrace.physics.pressure_rise import Problem, RiseFit, Scatter, pool_factor, weigh_known
from baytrace.physics.rise_beliefs import Truth, believed
from baytrace.physics.rise_shapes import Candidates
from baytrace.physics.rise_warmth import unseen_factors

Array = NDArray[np.float64]
Decides = Callable[[RiseFit], bool]
LONGEST_S = 86_400.0
_TRUTHS = 8
_CELLS = 64
_SPANS = np.array(
    [1.02, 1.05, 1.09, 1.14, 1.2, 1.28, 1.4, 1.55, 1.75, 2.05, 2.5, 3.1, 4.0, 5.5, 8.0, 12.0, 20.0, 40.0, 100.0, 300.0]
)
"""Lengths of the whole hold that are tried, in lengths of the present one."""
_FIRST = 6
_NOISE, _EARLIER = 0.12, 0.03
"""Standard deviation of the logarithm of the length by noise to come, and how much sooner than without it a rule that is
asked again and again decides (from simulated holds)."""
_MOST_CHANGE_K = 3.0
"""The temperature is carried on no further than this (common practice, no source)."""
_LENGTHS = np.concatenate([1.0 + np.geomspace(5e-4, 0.03, 12), np.geomspace(1.035, 300.0, 240)])


class Outlook(NamedTuple):
    """Seconds from now: as likely sooner as later, and the span that holds the decision with 90 %.

    `sure` is the probability that the decision falls between half of `middle_s` and twice that.
    """

    middle_s: float
    low_s: float
    high_s: float
    sure: float


def more_time(fit: RiseFit, decides: Decides) -> Outlook | None:
    """None when even a day would likely not do. `high_s` is infinite when it may be never."""
    last = len(_SPANS) - 1
    while fit.span_s * _SPANS[last] > LONGEST_S and last > _FIRST:
        last -= 1
    odds, near = np.zeros_like(_LENGTHS), _FIRST
    for truth in believed(fit, _TRUTHS):
        at = _decided_at(fit, truth, decides, near, last)
        if at is not None:
            near = at
            odds += truth.weight * _spread(_between(at))
    return _summed(odds, fit.span_s)


def _summed(odds: Array, span_s: float) -> Outlook | None:
    if odds[-1] <= 0.5:
        return None

    def after(share: float) -> float:
        row = int(np.searchsorted(odds, share))
        return float(_LENGTHS[row] - 1.0) * span_s if row < odds.size else math.inf

    middle = after(0.5)
    half, twice = np.interp([1.0 + 0.5 * middle / span_s, 1.0 + 2.0 * middle / span_s], _LENGTHS, odds, left=0.0)
    return Outlook(middle, after(0.05), after(0.95), float(twice - half))


def _spread(length: float) -> Array:
    """Probability that it is decided by each of the lengths, not having been decided by now."""
    by = ndtr((np.log(_LENGTHS / length) + _EARLIER) / _NOISE)
    now = float(ndtr((_EARLIER - math.log(length)) / _NOISE))
    return np.asarray((by - now) / (1.0 - now))


def _between(at: int) -> float:
    """Decided at one of the spans and not at the one before."""
    before = _SPANS[at - 1] - 1.0 if at else 0.01
    return 1.0 + math.sqrt(before * (_SPANS[at] - 1.0))


def _decided_at(fit: RiseFit, truth: Truth, decides: Decides, near: int, last: int) -> int | None:
    """The first of the spans at which it is decided: outwards from `near`, then by halving."""

    def decided(row: int) -> bool:
        return decides(foreseen(fit, truth, fit.span_s * float(_SPANS[row])))

    low, high, step = 0, near, 1
    while not decided(high):
        if high >= last:
            return None
        low, high, step = high + 1, min(high + step, last), 2 * step
    step = 1
    while low < high:
        middle = max(high - step, low) if high - low > 2 * step else (low + high) // 2
        if decided(middle):
            high, step = middle, 2 * step
        else:
            low = middle + 1
    return high


def foreseen(fit: RiseFit, truth: Truth, span_s: float) -> RiseFit:
    """The intervals this hold would have after `span_s`, were `truth` so."""
    problem, scatter = _carried_on(fit, truth, span_s)
    return weigh_known(problem, scatter, fit.gauge, fit.thermal)


def _carried_on(fit: RiseFit, truth: Truth, span_s: float) -> tuple[Problem, Scatter]:
    """The cells that are there and those that would follow, merged so that they stay few, and the scatter of one."""
    past, step = fit.problem, fit.cell_step_s
    merged = 1
    while span_s / step / merged > _CELLS:
        merged *= 2
    wide = step * merged
    time_s = past.span_s + np.arange(0.5 * (wide + step), max(span_s - past.span_s + 0.25 * wide, wide + step), wide)
    start, rise = _following(fit, truth, time_s, past.length_s * merged)
    level = start + rise
    spread = fit.gauge.shape(level, np.ones_like(level))
    kelvin, pool = _carried_warmth(past, time_s), past.pool_factor
    if pool is not None and kelvin is not None:
        pool = _joined(pool, pool_factor(kelvin, fit.thermal.level_k), merged)
    problem = replace(
        past,
        time_s=_joined(past.time_s, time_s, merged),
        pressure=_joined(past.pressure, level, merged),
        spread=_joined(past.spread, spread, merged),
        pool_factor=pool,
        kelvin=None,
        path_factors=None,
        length_s=past.length_s * merged,
        span_s=float(time_s[-1]),
        extra_rate=past.extra_rate * past.span_s / float(time_s[-1]),
    )
    return problem, _merged(fit.scatter, merged)


def _following(fit: RiseFit, truth: Truth, time_s: Array, length_s: float) -> tuple[float, Array]:
    """Where the truth begins (Pa, by the cells that are there) and how far it has risen at the times to come."""
    past = fit.problem
    one = Candidates(np.array([truth.kind]), np.array([truth.tau_s]))
    weight = past.spread**-2.0
    rest = past.pressure - truth.rate * past.time_s - truth.vapour * past.shapes(one)[0]
    kelvin = _carried_warmth(past, time_s)
    pool = pool_factor(kelvin, fit.thermal.level_k) if kelvin is not None else None
    paths = unseen_factors(time_s, past.span_s, fit.thermal)
    shape = rise_shapes.values(one, time_s, length_s, pool, paths)[0]
    return float(rest @ weight / weight.sum()), truth.rate * time_s + truth.vapour * shape


def _carried_warmth(past: Problem, time_s: Array) -> Array | None:
    """K at times to come, along the straight trend of the hold."""
    if past.kelvin is None:
        return None
    slope, at = np.polyfit(past.time_s - past.span_s, past.kelvin, 1)
    change = np.clip(slope * (time_s - past.span_s), -_MOST_CHANGE_K, _MOST_CHANGE_K)
    return np.asarray(at + change, dtype=np.float64)


def _joined(past: Array, coming: Array, merged: int) -> Array:
    """The mean of so many neighbours of `past` (the last of fewer), then what is coming."""
    whole = past.size // merged * merged
    means = past[:whole].reshape(-1, merged).mean(axis=1)
    rest = [past[whole:].mean()] if whole < past.size else []
    return np.concatenate([means, rest, coming])


def _merged(scatter: Scatter, cells: int) -> Scatter:
    """Of the mean of so many cells: averaging keeps the variance at low frequency, (1 + rho) / (1 - rho) a cell."""
    sigma, before = scatter
    rho = before**cells if before > 0.0 else 0.0
    slow = (1.0 + before) / (1.0 - before) / cells
    return Scatter(sigma * math.sqrt(slow * (1.0 - rho) / (1.0 + rho)), rho)
