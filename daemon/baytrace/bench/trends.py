"""Readings made few enough to draw: the lowest and highest of each stretch, gaps kept as gaps. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence


def decimate(times: Sequence[int], values: Sequence[float], most: int) -> tuple[list[int], list[float]]:
    """At most `most` points in time order; each stretch keeps its lowest and highest value, so no peak is lost.

    `times` in ns, ascending. Values that are not finite are kept as nan (a break in the line), one per stretch.
    """
    count = len(times)
    if count <= most:
        return list(times), [value if math.isfinite(value) else math.nan for value in values]
    out_times: list[int] = []
    out_values: list[float] = []
    stretches = max(1, most // 2)
    for index in range(stretches):
        first, last = index * count // stretches, (index + 1) * count // stretches
        span = range(first, last)
        good = [i for i in span if math.isfinite(values[i])]
        picks = sorted({min(good, key=values.__getitem__), max(good, key=values.__getitem__)}) if good else [first]
        for pick in picks:
            out_times.append(times[pick])
            out_values.append(values[pick] if good else math.nan)
    return out_times, out_values


def with_gaps(times: Sequence[int], values: Sequence[float], gap_ns: int) -> tuple[list[int], list[float]]:
    """A nan between neighbours further apart than `gap_ns`, so that a chart breaks its line there."""
    out_times: list[int] = []
    out_values: list[float] = []
    for index, (time_ns, value) in enumerate(zip(times, values, strict=True)):
        if index and time_ns - times[index - 1] > gap_ns:
            out_times.append((times[index - 1] + time_ns) // 2)
            out_values.append(math.nan)
        out_times.append(time_ns)
        out_values.append(value)
    return out_times, out_values
