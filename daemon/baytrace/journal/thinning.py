"""A channel's readings made few enough to draw, in one pass and bounded memory. Pure.

Rules: each stretch of time keeps its lowest and its highest value, so no peak is lost. All stretches are equally long; when
they become too many, their length doubles and neighbours join, so the oldest are drawn as finely as the newest, and neither
the first nor the last instant need be known beforehand. A value that is not finite is a break in the line: one nan for a
stretch that holds nothing else.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Drawn(NamedTuple):
    """UTC ns, ascending, and SI values."""

    times: Ints
    values: Floats


_NOTHING = Drawn(np.zeros(0, np.int64), np.zeros(0))


def _extremes(line: Drawn, stretch: Ints) -> Drawn:
    """The lowest and the highest of each stretch in order of time; `stretch` ascends."""
    place = np.arange(len(stretch))
    order = np.lexsort((line.values, stretch))  # nan last within its stretch
    starts = np.flatnonzero(np.append(True, stretch[1:] != stretch[:-1]))
    good = np.add.reduceat(np.isfinite(line.values).astype(np.int64), starts)
    lowest = order[starts]
    highest = order[starts + np.maximum(good, 1) - 1]
    kept = np.union1d(place[lowest], place[highest])
    return Drawn(line.times[kept], line.values[kept])


class Thinned:
    """Fed readings in order of time; holds at most some five times `most` of them."""

    def __init__(self, most: int) -> None:
        """`most` points are drawn, two at least."""
        self._most = max(most, 2)
        self._start_ns = 0
        self._width_ns = 1_000_000
        self._kept = _NOTHING
        self._new: list[Drawn] = []
        self._waiting = 0
        self.count = 0

    def put(self, times: Ints, values: Floats) -> None:
        """As many readings as there are; times in ns never decrease."""
        self.count += len(times)
        for start in range(0, len(times), self._most):
            part = slice(start, start + self._most)
            self._new.append(Drawn(times[part], values[part]))
            self._waiting += len(times[part])
            if self._waiting > 4 * self._most:
                self._thin()

    def drawn(self) -> Drawn:
        """At most `most` points."""
        self._thin()
        return self._kept

    def _thin(self) -> None:
        line = Drawn(*(np.concatenate(parts) for parts in zip(self._kept, *self._new, strict=True)))
        line.values[~np.isfinite(line.values)] = np.nan
        self._new, self._waiting = [], 0
        if len(line.times) and not self._start_ns:
            self._start_ns = int(line.times[0])
        while len(line.times) > self._most:
            line = _extremes(line, (line.times - self._start_ns) // self._width_ns)
            if len(line.times) > self._most:
                self._width_ns *= 2
        self._kept = line


def thinned(times: Ints, values: Floats, most: int) -> Drawn:
    """At most `most` points (two at least) of a whole line; times in ns never decrease."""
    line = Thinned(most)
    line.put(times, values)
    return line.drawn()


def with_gaps(line: Drawn, gap_ns: int) -> Drawn:
    """A nan between neighbours further apart than `gap_ns`, so that a chart breaks its line there."""
    holes = np.flatnonzero(np.diff(line.times) > gap_ns)
    middles = (line.times[holes] + line.times[holes + 1]) // 2
    return Drawn(np.insert(line.times, holes + 1, middles), np.insert(line.values, holes + 1, np.nan))
