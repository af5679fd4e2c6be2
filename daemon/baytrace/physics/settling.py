"""Whether a quantity has settled, and since when.

Theory. After a step the means of a loop relax; near the end one slow mode is left, m(t) = c + a exp(-(t - t_end) / tau), where
a is what is still to come. For each tau of a grid (FASTEST_S to `slowest_s`) this is a straight-line fit; a tau is possible
while its residual sum lies within an F-test of the best. The quantity has settled when for every possible tau the whole
95 % interval of a lies within the stated band, with a margin for tails that are not one clean exponential. Noise that is correlated from block to block widens the interval: the variance
is multiplied by (1 + r) / (1 - r) with r the lag-1 autocorrelation of the residuals (Bayley and Hammersley's effective number
of observations, from memory). Where a clutch or fan cycles, the points are means of whole cycles, of two where these take turns.

The settled instant is found looking back: the last instant at which the sliding mean was further than the band from the
final mean.

Limits. A mode slower than `slowest_s` cannot be told from standing still; that is why the band and `slowest_s` are stated.
Times are seconds, ascending.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import fdtri, stdtrit

from baytrace.physics.cycles import Cycles, Floats, cycle_means, noise_of, sliding_mean

FASTEST_S = 4.0
MIN_SPAN_S = 60.0
MIN_BLOCKS = 8
_FEW = 40  # readings that are tested one by one
_BLOCKS = 120  # blocks a record is cut into at most
_MODES = 16  # time constants tried
_LATE_S = 30.0
_PLAINLY = 0.9995  # one-sided: a slope so far from its scatter is no chance
_TAIL = 0.6  # share of the record that the fit looks at
LOOK_S = 2000.0  # and no further back than this: what was longer ago says nothing of a mode that ends
_INSTANTS = 1600  # at which a mean is looked at when looking back, at most
_LATER = 0.5  # share of that tail that must say the same by itself
_CONFIDENCE = 0.95
_SURE = 0.6  # share of the band: the tail is rarely one clean exponential


@dataclass(frozen=True, slots=True)
class Settling:
    """`remaining` is what is still to come (unit of the values), at most `remaining_bound` at 95 %.

    `since_s` is the instant from which the mean stayed within the band; None while it has not settled. `expected_s` is how
    long it is likely to take yet; None when that cannot be told. `mean` and `mean_uncertainty` (k = 1, scatter only) are of
    the stretch since then, or of the last blocks.
    """

    settled: bool
    mean: float
    mean_uncertainty: float
    remaining: float = math.nan
    remaining_bound: float = math.inf
    since_s: float | None = None
    expected_s: float | None = None
    tau_s: float = math.nan


@dataclass(frozen=True, slots=True)
class _Mode:
    tau: float
    remaining: float
    bound: float


def block_means(times: Floats, values: Floats, length_s: float) -> tuple[Floats, Floats]:
    """Mean instants and means of consecutive blocks counted back from the end, so that no block is part empty there."""
    index = np.floor((times[-1] - times) / length_s).astype(int)
    size = int(index.max()) + 1
    count = np.bincount(index, minlength=size)
    filled = count > 0
    at = np.bincount(index, times, size)[filled] / count[filled]
    mean = np.bincount(index, values, size)[filled] / count[filled]
    return at[::-1], mean[::-1]


def points(times: Floats, values: Floats, cycles: Cycles | None) -> tuple[Floats, Floats]:
    """What is tested: means of whole cycles where there are some, else means of blocks of two seconds or more,
    else a short record as it is.
    """
    if cycles is not None:
        inside = cycles.starts[(cycles.starts >= times[0]) & (cycles.starts <= times[-1])]
        if len(inside) > cycles.turns:
            return cycle_means(times, values, inside, cycles.turns)
    span = float(times[-1] - times[0])
    if len(times) <= _FEW:
        return times, values
    period = span / (len(times) - 1)
    return block_means(times, values, max(2.0, 1.5 * period, span / _BLOCKS))


def _inflation(power: Floats, lagged: Floats, number: int) -> Floats:
    """Variance factor of a mean for lag-1 correlation, at least 1; from the sums of the squares of `number` residuals and of
    their products with the next.
    """
    if number < 4:
        return np.ones_like(power)
    r = np.divide(lagged, power, out=np.full_like(power, -1.0), where=power > 0.0)
    r = np.clip(r + 1.0 / number, 0.0, 0.9)  # the sample value is low by about 1/n
    factor: Floats = (1.0 + r) / (1.0 - r)
    return factor


def _inflation_of(residuals: Floats) -> float:
    power, lagged = np.array([residuals @ residuals]), np.array([residuals[1:] @ residuals[:-1]])
    return float(_inflation(power, lagged, len(residuals))[0])


def _modes(at: Floats, mean: Floats, slowest_s: float) -> list[_Mode]:
    """The possible modes, best first: straight-line fits of the means to the shape of each, all about their own mean."""
    taus = np.geomspace(FASTEST_S, slowest_s, _MODES)
    shapes = np.exp(np.minimum((at[-1] - at) / taus[:, None], 60.0))
    shapes -= shapes.mean(axis=1, keepdims=True)
    centred = mean - mean.mean()
    free = max(len(at) - 3, 1)
    power = np.einsum("ij,ij->i", shapes, shapes)
    known = power > 1e-12
    power = np.where(known, power, 1.0)
    a = shapes @ centred / power
    residuals = centred - a[:, None] * shapes
    rss = np.einsum("ij,ij->i", residuals, residuals)
    widened = _inflation(rss, np.einsum("ij,ij->i", residuals[:, 1:], residuals[:, :-1]), len(at))
    reach = float(stdtrit(free, 0.5 + 0.5 * _CONFIDENCE))
    bound = np.where(known, np.abs(a) + reach * np.sqrt(rss / free * widened / power), np.inf)
    rss = np.where(known, rss, np.inf)
    order = np.argsort(rss, kind="stable")
    limit = rss[order[0]] * (1.0 + float(fdtri(1, free, _CONFIDENCE)) / free)
    return [_Mode(float(taus[i]), float(a[i]), float(bound[i])) for i in order if rss[i] <= limit]


def _later_modes(at: Floats, mean: Floats, slowest_s: float) -> list[_Mode]:
    """The likeliest mode of the last part of the tail alone: where a quick mode gives way to a slow one within the tail, one
    exponential through both ends too soon.
    """
    late = at >= at[-1] - _LATER * (at[-1] - at[0])
    return _modes(at[late], mean[late], slowest_s)[:1] if late.sum() >= MIN_BLOCKS else []


def judge_settling(
    times: Floats,
    values: Floats,
    band: float,
    *,
    slowest_s: float,
    cycles: Cycles | None = None,
    least_s: float = MIN_SPAN_S,
    hold_s: float = 0.0,
) -> Settling:
    """The state of a quantity at the end of its record; `band` in the unit of the values. Nothing is called settled within
    `least_s` of the record's beginning, nor before its mean has stayed within the band for `hold_s`.
    """
    recent = int(np.searchsorted(times, times[-1] - LOOK_S))
    at, mean = points(times[recent:], values[recent:], cycles)
    span = float(times[-1] - times[0])
    tail = at >= at[-1] - max(_TAIL * (at[-1] - at[0]), least_s)
    at, mean = at[tail], mean[tail]
    wanted = 3 * cycles.turns + 1 if cycles is not None else MIN_BLOCKS
    if span < 0.95 * least_s or len(at) < wanted:
        waiting = least_s - span
        if cycles is not None:
            waiting = max(waiting, (wanted - len(at)) * cycles.period_s)
        return Settling(False, float(mean[-3:].mean()), _scatter(mean[-3:]), expected_s=max(waiting, 1.0))
    possible = _modes(at, mean, slowest_s)
    best, worst = possible[0], max([*possible, *_later_modes(at, mean, slowest_s)], key=lambda mode: mode.bound)
    if worst.bound > _SURE * band:
        expected = worst.tau * math.log(worst.bound / (_SURE * band)) if math.isfinite(worst.bound) else None
        return Settling(
            False, float(mean[-3:].mean()), _scatter(mean[-3:]), best.remaining, worst.bound, None, expected, best.tau
        )
    if cycles is None and _still_moving(at, mean, band):
        return Settling(
            False, float(mean[-3:].mean()), _scatter(mean[-3:]), best.remaining, worst.bound, None, 30.0, best.tau
        )
    since, level, scatter = _look_back(times, values, band, cycles)
    stayed = float(times[-1]) - since
    if stayed < hold_s:  # a turning point looks settled while it lasts
        return Settling(False, level, scatter, best.remaining, worst.bound, None, hold_s - stayed, best.tau)
    return Settling(True, level, scatter, best.remaining, worst.bound, since, 0.0, best.tau)


def _still_moving(at: Floats, mean: Floats, band: float) -> bool:
    """Whether the last half minute is plainly on its way somewhere, though the whole tail looks flat (after a turning point)."""
    late = at >= at[-1] - _LATE_S
    if late.sum() < 5:
        return False
    spread = at[late] - at[late].mean()
    power = float(spread @ spread)
    slope = float(spread @ mean[late]) / power
    left = mean[late] - mean[late].mean() - slope * spread
    error = math.sqrt(float(left @ left) / (late.sum() - 2) * _inflation_of(left) / power)
    return abs(slope) > float(stdtrit(int(late.sum()) - 2, _PLAINLY)) * error and abs(slope) * 2.0 * _LATE_S > band


def _scatter(mean: npt.NDArray[np.float64]) -> float:
    if len(mean) < 2:
        return 0.0
    residuals = mean - mean.mean()
    return float(np.std(mean, ddof=1)) / math.sqrt(len(mean)) * math.sqrt(_inflation_of(residuals))


def _cycle_window(cycles: Cycles) -> float:
    """Whole cycles, all turns of them, at least 25 s."""
    round_s = cycles.period_s * cycles.turns
    return round_s * max(1, math.ceil(25.0 / round_s))


def _quiet_window(times: Floats, values: Floats, band: float) -> float:
    """Length of a sliding mean (s) that brings white noise down to an eighth of the band; 10 to 60 s."""
    period = float(np.median(np.diff(times)))
    wanted = period * (noise_of(values) / (band / 8.0)) ** 2
    return min(max(wanted, 10.0, 4.0 * period), 60.0)


def _look_back(times: Floats, values: Floats, band: float, cycles: Cycles | None) -> tuple[float, float, float]:
    """Since when the mean has stayed within `band` of its final value, that value and its standard uncertainty."""
    window = _cycle_window(cycles) if cycles is not None else _quiet_window(times, values, band)
    grid = np.arange(times[0], times[-1], max(window / 8.0, 1.0, (times[-1] - times[0]) / _INSTANTS))
    path = sliding_mean(times, values, grid, window)
    if cycles is not None:  # twice: cycles are not all of one length, and one mean would leave a ripple
        path = sliding_mean(grid, path, grid, window)
    since = float(times[-1] - 0.3 * (times[-1] - times[0]))
    final = float(path[grid >= since].mean())
    for _ in range(3):
        outside = np.flatnonzero(np.abs(path - final) > band)
        since = float(grid[outside[-1] + 1]) if len(outside) and outside[-1] + 1 < len(grid) else float(times[0])
        final = float(path[grid >= 0.5 * (since + times[-1])].mean())
    late = times >= since
    mean = points(times[late], values[late], cycles)[1] if late.sum() >= 4 else values
    if cycles is not None and len(mean) >= 2:
        return since, float(mean.mean()), _scatter(mean)
    return since, float(np.mean(values[late])), _scatter(mean)
