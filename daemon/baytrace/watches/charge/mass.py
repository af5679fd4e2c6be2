"""Mass into the system from the tank scale.

Rules of this file:
- What the tank lost is what went in, less what stayed in the hose (a stated allowance). kg in, kg out.
- A jump within `JUMP_S` that the flow before and after it does not explain is the tank being touched or moved (a bump,
  a re-seating): its height is taken out of the record and its uncertainty added. Leaving and coming back (a lift, a hand
  on the tank) is two such jumps. A downward jump that a flow could have made in the time between two readings is only
  taken for one where the flow is otherwise steady.
- The slow change of the reading before and after charging, with the valve shut, is the scale's drift. It is taken off when it
  is plain, and its uncertainty is carried either way.
- Start and end are the marks, else the flow itself: the fall is found where it is steep and lasting.
- The scale's limits of error count at both ends: the relative part on the difference, the fixed part twice.

A jump smaller than six times the scatter (and than 4 g) is not seen; it lies within a usual scale's accuracy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from baytrace.measure.channel import Channel
from baytrace.physics.cycles import Floats, noise_of

JUMP_S = 2.5
_SMALLEST_JUMP_KG = 0.004
_STEADY = 8  # readings either side that show the flow beside a jump
_QUIET_S = 60.0
_START_KG_S = 0.0004
_LEAST_CHARGE_KG = 0.02


@dataclass(frozen=True, slots=True)
class Jump:
    """A change that is no flow: seconds from the start of the trace, kg (positive: the reading rose)."""

    time_s: float
    height_kg: float


@dataclass(frozen=True, slots=True)
class Charged:
    """`mass_kg` went into the system; `uncertainty_kg` is k = 1. `rate_kg_s` is the present inflow, `flowing` whether the
    valve is open now. `drift_kg_s` is what was taken off (positive: the scale rose by itself).
    """

    mass_kg: float
    uncertainty_kg: float
    start_s: float
    end_s: float
    rate_kg_s: float
    flowing: bool
    jumps: tuple[Jump, ...]
    drift_kg_s: float


@dataclass(frozen=True, slots=True)
class MassRules:
    """Limits and allowances, kg and kg/s."""

    hose_kg: float
    hose_uncertainty_kg: float
    fastest_kg_s: float
    most_drift_kg_s: float


def _resolution(values: Floats) -> float:
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if len(steps) else 0.0


def scatter_of(values: Floats) -> float:
    """Standard deviation (kg) of one reading, never below the rounding of the display."""
    return max(noise_of(values), _resolution(values) / math.sqrt(12.0))


def find_jumps(times: Floats, values: Floats, fastest_kg_s: float) -> list[Jump]:
    """Jumps in time order; several readings of one fast change are one jump."""
    if len(values) < 4:
        return []
    steps, spans = np.diff(values), np.diff(times)
    threshold = max(6.0 * scatter_of(values), 2.5 * _resolution(values), _SMALLEST_JUMP_KG)
    rates = steps / spans
    found: list[Jump] = []
    for index in np.flatnonzero(np.abs(steps) > threshold):
        before, after = _beside(rates, int(index))
        expected = sorted((before * spans[index], after * spans[index]))
        excess = _beyond(float(steps[index]), expected[0], expected[1])
        if abs(excess) <= threshold or _may_be_flow(steps, spans, int(index), (before, after), fastest_kg_s):
            continue
        height = float(steps[index]) - 0.5 * (expected[0] + expected[1])
        found.append(Jump(float(times[index + 1]), height))
    return found


def _beyond(value: float, low: float, high: float) -> float:
    return value - low if value < low else value - high if value > high else 0.0


def _beside(rates: Floats, index: int) -> tuple[float, float]:
    """Median rates of the readings before and after a step, leaving out its neighbours."""
    left, right = rates[max(index - 1 - _STEADY, 0) : max(index - 1, 0)], rates[index + 2 : index + 2 + _STEADY]
    before = float(np.median(left)) if len(left) else 0.0
    after = float(np.median(right)) if len(right) else before
    return before, after


def _may_be_flow(steps: Floats, spans: Floats, index: int, beside: tuple[float, float], fastest: float) -> bool:
    """A fall slow enough to be refrigerant, in a record too coarse or too restless to tell."""
    rate = -float(steps[index] / spans[index])
    if rate <= 0.0 or rate > fastest:
        return False
    if spans[index] > JUMP_S:
        return -max(beside) < 0.25 * rate  # a short opening of the valve between two readings
    near = steps[max(index - 1, 0) : index + 2] / spans[max(index - 1, 0) : index + 2]
    return bool((near < -0.4 * rate).all()) and len(near) == 3  # the middle of a lasting fall


def without_jumps(times: Floats, values: Floats, jumps: list[Jump]) -> Floats:
    """The record as if nobody had touched the tank."""
    cleaned = values.copy()
    for jump in jumps:
        cleaned[times >= jump.time_s] -= jump.height_kg
    return cleaned


def _window(times: Floats, cleaned: Floats, start: float | None, end: float | None) -> tuple[float, float] | None:
    """Start and end of charging from the marks or, for a missing one, from where the record falls."""
    smooth_s = max(5.0, 4.0 * float(np.median(np.diff(times))))
    total = np.interp(times + smooth_s, times, cleaned) - np.interp(times - smooth_s, times, cleaned)
    falling = np.flatnonzero(total / (2.0 * smooth_s) < -_START_KG_S)
    if start is None:
        after = falling if end is None else falling[times[falling] <= end]
        if not len(after) or cleaned[after[0]] - cleaned[after[-1]] < _LEAST_CHARGE_KG:
            return None
        start = float(times[after[0]] - smooth_s)
    if end is None:
        after = falling[times[falling] > start]
        end = min(float(times[after[-1]] + smooth_s), float(times[-1])) if len(after) else start
    return start, end


def _level(
    times: Floats, cleaned: Floats, stretch: tuple[float, float], at: float, most_drift: float
) -> tuple[float, float, float, float]:
    """Level (kg), its variance, drift (kg/s) and the drift's variance from the `stretch` (start, end) beside `at`.

    A stretch that is not quiet (hose being filled, valve not yet shut) gives only its readings nearest to `at`.
    """
    inside = (times >= stretch[0]) & (times <= stretch[1])
    if not inside.any():
        inside[int(np.argmin(np.abs(times - at)))] = True
    t, x = times[inside], cleaned[inside]
    noise = scatter_of(cleaned) ** 2
    if len(t) < 8:
        return float(np.median(x)), noise / len(t), 0.0, math.inf
    spread = t - t.mean()
    power = float(spread @ spread)
    slope = float(spread @ x) / power
    residual = x - x.mean() - slope * spread
    if abs(slope) > most_drift and abs(slope) > 3.0 * math.sqrt(noise / power):
        nearest = x[np.argsort(np.abs(t - at))[:3]]
        return float(np.median(nearest)), noise, 0.0, math.inf
    noise = max(noise, float(residual @ residual) / (len(t) - 2))
    return float(x.mean()), noise / len(t), slope, noise / power


def charged(
    times: Floats, values: Floats, rules: MassRules, channel: Channel | None, *, start: float | None, end: float | None
) -> Charged | None:
    """Mass charged so far; `start` and `end` are the marks where given. None when no charging is seen."""
    if len(times) < 6:
        return None
    jumps = find_jumps(times, values, rules.fastest_kg_s)
    cleaned = without_jumps(times, values, jumps)
    window = _window(times, cleaned, start, end)
    if window is None:
        return None
    begin, finish = window
    settle = max(3.0, 2.0 * float(np.median(np.diff(times))))
    before = _level(times, cleaned, (begin - _QUIET_S, begin), begin, rules.most_drift_kg_s)
    tail = _window(times, cleaned, begin, None)
    stopped = min(finish, tail[1]) if tail is not None else finish
    flowing = end is None and times[-1] - stopped <= settle
    quiet_from = times[-1] if flowing else min(max(finish, stopped) + (settle if end is None else 1.0), times[-1])
    after = _level(times, cleaned, (quiet_from, quiet_from + _QUIET_S), finish, rules.most_drift_kg_s)
    drift, drift_variance = _drift(before, after, rules.most_drift_kg_s)
    span = _span(times, begin, quiet_from)
    fall = before[0] - after[0] + drift * span
    variance = before[1] + after[1] + drift_variance * span**2 + _jump_variance(jumps, cleaned, begin, quiet_from)
    variance += _scale_variance(channel, fall) + rules.hose_uncertainty_kg**2 / 3.0
    rate = _rate(times, cleaned)
    return Charged(
        fall - rules.hose_kg, math.sqrt(variance), begin, finish, rate if flowing else 0.0, flowing, tuple(jumps), drift
    )


def _span(times: Floats, begin: float, quiet_from: float) -> float:
    """Seconds between the middles of the two quiet stretches, over which a drift acts."""
    first = 0.5 * (max(float(times[0]), begin - _QUIET_S) + begin)
    last = 0.5 * (quiet_from + min(float(times[-1]), quiet_from + _QUIET_S))
    return max(last - first, 0.0)


def _drift(
    before: tuple[float, float, float, float], after: tuple[float, float, float, float], most: float
) -> tuple[float, float]:
    """The drift to take off (kg/s) and its variance: both quiet stretches weighted, only when it is plain and slow."""
    known = [
        (slope, variance) for _, _, slope, variance in (before, after) if variance < math.inf and abs(slope) <= most
    ]
    if not known:
        return 0.0, 0.0
    weight = sum(1.0 / max(variance, 1e-18) for _, variance in known)
    slope = sum(slope / max(variance, 1e-18) for slope, variance in known) / weight
    if abs(slope) < 3.0 / math.sqrt(weight):
        return 0.0, min(1.0 / weight, slope**2 + 1e-18)
    return slope, 1.0 / weight


def _jump_variance(jumps: list[Jump], cleaned: Floats, begin: float, end: float) -> float:
    inside = sum(1 for jump in jumps if begin <= jump.time_s <= end)
    return inside * 2.0 * scatter_of(cleaned) ** 2


def _scale_variance(channel: Channel | None, fall_kg: float) -> float:
    """Limits of error of the scale as a variance of the difference: JCGM 100:2008, 4.3.7 and 5.2."""
    if channel is None:
        return 0.0
    u_at_end, u_at_start = (channel.standard_uncertainty(mass) for mass in (abs(fall_kg), 0.0))
    return u_at_end**2 + u_at_start**2


def _rate(times: Floats, cleaned: Floats) -> float:
    """Present inflow, kg/s, over the last ten seconds or eight readings."""
    last = times >= times[-1] - max(10.0, 8.0 * float(np.median(np.diff(times))))
    t, x = times[last], cleaned[last]
    spread = t - t.mean()
    power = float(spread @ spread)
    return max(-float(spread @ x) / power, 0.0) if power > 0.0 else 0.0
