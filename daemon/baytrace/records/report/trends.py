"""What a report keeps of a session while it is played: trends of its channels, marks, and what each watch ended with.

Memory is bounded: a trend that grows keeps the lowest and the highest of each stretch of time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from baytrace.journal.thinning import Drawn, Thinned, thinned
from baytrace.measure.instant import NS
from baytrace.measure.reading import Event, Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Curve
from baytrace.records.playing import Player
from baytrace.records.report.completeness import Heard
from baytrace.records.session import SessionRecord
from baytrace.records.vocabulary import Kind

MOST_POINTS = 4096
DRAWN_POINTS = 1200

Point = tuple[int, float]
"""UTC ns and SI value; nan where the reading was not usable."""


class Watched(NamedTuple):
    """What a watch ended with: its fit, and what its page would show."""

    curve: Curve | None
    details: Mapping[str, Any]


class Trend:
    """One channel's readings, made few as they come."""

    def __init__(self, role: Role) -> None:
        self.role = role
        self.heard = Heard()
        self._line = Thinned(MOST_POINTS)
        self._new: list[Point] = []

    def put(self, time_ns: int, value: float) -> None:
        self._new.append((time_ns, value))
        if len(self._new) >= MOST_POINTS:
            self._take()

    def _take(self) -> None:
        if self._new:
            drawn = _arrays(self._new)
            self._line.put(*drawn)
            self.heard.put(*drawn)
            self._new = []

    def finish(self, start_ns: int, end_ns: int) -> None:
        """The record is over."""
        self._take()
        self.heard.over(start_ns, end_ns)

    @property
    def points(self) -> list[Point]:
        """At most `MOST_POINTS`, in order of time."""
        self._take()
        return _points(self._line.drawn())

    @property
    def drawable(self) -> bool:
        """Whether there is a line to draw."""
        return sum(math.isfinite(value) for _, value in self.points) > 1

    def between(self, begin_ns: int, end_ns: int, most: int = DRAWN_POINTS) -> list[Point]:
        inside = [point for point in self.points if begin_ns <= point[0] <= end_ns]
        return _points(thinned(*_arrays(inside), most)) if len(inside) > most else inside


def _arrays(points: Sequence[Point]) -> Drawn:
    times, values = zip(*points, strict=True)
    return Drawn(np.array(times, np.int64), np.array(values))


def _points(line: Drawn) -> list[Point]:
    return list(zip(line.times.tolist(), line.values.tolist(), strict=True))


class Trends:
    """Fed readings and marks of a session in order; then `finish`."""

    def __init__(self, start_ns: int) -> None:
        self.start_ns = self.end_ns = start_ns
        self.channels: dict[str, Trend] = {}
        self.marks: list[Mark] = []
        self.watched: dict[str, Watched] = {}

    def reading(self, reading: Reading) -> None:
        self.end_ns = max(self.end_ns, reading.time_ns)
        good = math.isfinite(reading.value) and (not reading.quality or Quality(reading.quality).usable)
        trend = self.channels.get(reading.channel) or self.channels.setdefault(reading.channel, Trend(reading.role))
        trend.put(reading.time_ns, reading.value if good else math.nan)

    def event(self, event: Event) -> None:
        """An event of the session; marks are kept."""
        if event.kind == Kind.MARK:
            self.end_ns = max(self.end_ns, event.time_ns)
            self.marks.append(Mark(event.time_ns, event.data["text"], event.data.get("who", ""), event.seq))

    def finish(self, player: Player, record: SessionRecord) -> None:
        """Keep what the watches end with; the record is over."""
        for trend in self.channels.values():
            trend.finish(self.start_ns, self.end_ns)
        for name in record.plan:
            status = player.status(name)
            if status is not None:
                curve = status.curve if status.curve is not None and len(status.curve.times_ns) else None
                self.watched[name] = Watched(curve, status.details)

    @property
    def heard(self) -> dict[str, Heard]:
        """What each channel delivered."""
        return {name: trend.heard for name, trend in self.channels.items()}

    def marked(self, text: str, after_ns: int = 0) -> int | None:
        """When this was said to happen, the first time from `after_ns` on."""
        return next((mark.time_ns for mark in self.marks if mark.text == text and mark.time_ns >= after_ns), None)


def with_gaps(points: list[Point]) -> list[Point]:
    """A break where neighbours lie far further apart than is usual."""
    if len(points) < 3:
        return points
    steps = sorted(after[0] - before[0] for before, after in pairwise(points))
    most = max(8 * steps[len(steps) // 2], 20 * NS)
    broken = [points[0]]
    for before, after in pairwise(points):
        if after[0] - before[0] > most:
            broken.append((before[0], math.nan))
        broken.append(after)
    return broken
