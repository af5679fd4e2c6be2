"""The steady part of one contact: what the meter settled on, past settling, bounce and range-change spikes.

The middle is that of the shortest interval that holds half the readings (the shorth; Andrews et al. 1972, from memory): up to
half of them may be anything. Readings within a band about it are the steady ones; a contact with too many others between its
first and last steady reading is unsteady.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from baytrace.measure.uncertainty import mean
from baytrace.watches.limits_table import limit


@dataclass(frozen=True, slots=True)
class Steady:
    """`value` in ohm with the standard uncertainty of its scatter and drift; `low` and `high` bound what was read."""

    value: float
    u: float
    n: int
    steady: bool
    low: float
    high: float


def band(ohm: float) -> float:
    """Half-width of what counts as the same reading again."""
    return float(limit("sweep.steady_percent")) / 100.0 * abs(ohm) + float(limit("sweep.steady_ohm"))


def agree(one: Steady, other: Steady) -> bool:
    """Whether two contacts may be of the same coil."""
    largest = max(abs(one.value), abs(other.value))
    width = float(limit("sweep.agree_percent")) / 100.0 * largest + float(limit("sweep.agree_ohm"))
    own = min(2.0 * math.hypot(one.u, other.u), band(largest))
    return abs(one.value - other.value) <= width + own


def settle(values: Sequence[float]) -> Steady:
    """Of one contact's readings in time order; at least one."""
    middle = _shorth(values)
    width = band(middle)
    inside = [index for index, value in enumerate(values) if abs(value - middle) <= width]
    if not inside:
        inside = [min(range(len(values)), key=lambda index: abs(values[index] - middle))]
    first, last = inside[0], inside[-1]
    kept = [values[index] for index in inside]
    strays = 1.0 - len(inside) / (last - first + 1)
    few = len(values) > 3 and len(kept) * 3 < len(values)
    steady = strays <= limit("sweep.unsteady_share") and not few
    if not steady:
        core = sorted(values)
        return Steady(core[len(core) // 2], 0.0, len(values), steady=False, low=core[0], high=core[-1])
    for _ in range(3):
        third, drift = len(kept) // 3, _drift(kept)
        if len(kept) < 6 or abs(drift) <= 3.0 * mean(kept[-third:]).deviation:
            break
        # still settling: the later readings are nearer to what it settles on
        kept = kept[third:]
    average = mean(kept)
    u = math.hypot(average.u, _drift(kept) / math.sqrt(12.0))
    return Steady(average.value, u, len(kept), steady=True, low=min(kept), high=max(kept))


def _drift(values: Sequence[float]) -> float:
    """From the first third to the last, in ohm; 0.0 for fewer than six."""
    third = len(values) // 3
    return math.fsum(values[-third:]) / third - math.fsum(values[:third]) / third if third >= 2 else 0.0


def _shorth(values: Sequence[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    half = (n + 1) // 2
    start = min(range(n - half + 1), key=lambda index: ordered[index + half - 1] - ordered[index])
    window = ordered[start : start + half]
    return window[len(window) // 2]
