"""Contacts in a plain stream of readings from one ohmmeter.

Rules of this file:
- A touch is an unbroken run of finite readings; an open reading, or silence beyond one and a half periods, ends it. (Meters and
  traces differ: open may be infinite, a huge number, or nothing at all.)
- Touches apart by less than a bounce are one contact when one of them is only a scrap, or when both agree.
- What is left as a scrap (a single reading, or fingers across the tips) is no contact; it is counted, not hidden.
- What came at one instant was one look at the meter, however often it was told: the last counts. (Answers that had piled up share
  a stamp, and four tellings of one bounce must not outweigh the contact after it.)
- Each reading costs a constant; a long touch is thinned to a bounded number of readings.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from baytrace.measure.instant import NS
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.steady import Steady, agree, band, settle

_MOST_READINGS = 1024
_MOST_HOLES = 1000
_HAND_FACTOR = 50.0
_HAND_OHM = 1e5


@dataclass(slots=True)
class Touch:
    """Finite readings in a row: instants (UTC ns) and ohm."""

    times: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    _cached: tuple[int, Steady] | None = None

    def add(self, time_ns: int, ohm: float) -> None:
        if self.times and time_ns == self.times[-1]:
            self.values[-1], self._cached = ohm, None
            return
        if len(self.values) >= _MOST_READINGS:
            # thin the older half; the newest readings stay whole so that live settling is seen
            half = len(self.values) // 2
            self.times[:half], self.values[:half] = self.times[:half:2], self.values[:half:2]
            self._cached = None
        self.times.append(time_ns)
        self.values.append(ohm)

    @property
    def start(self) -> int:
        return self.times[0]

    @property
    def end(self) -> int:
        return self.times[-1]

    def settled(self) -> Steady:
        if self._cached is None or self._cached[0] != len(self.values):
            self._cached = (len(self.values), settle(self.values))
        return self._cached[1]

    def scrap(self, hand_ohm: float) -> bool:
        """Too little, or too wild, to be a contact by itself."""
        state = self.settled()
        if state.n < 2 or self.end - self.start < limit("sweep.least_s") * NS:
            return True
        brief = self.end - self.start < 1.5 * NS
        return (state.value > hand_ohm or not state.steady) and brief

    def firm(self) -> bool:
        """Long and level enough that a neighbour reading otherwise must be another coil."""
        state = self.settled()
        level = state.high - state.low <= 0.5 * band(state.value)
        return state.steady and state.n >= 3 and level and self.end - self.start >= NS


def joined(touches: Sequence[Touch]) -> Touch:
    return Touch(
        [time for touch in touches for time in touch.times], [ohm for touch in touches for ohm in touch.values]
    )


class Stream:
    """One ohmmeter's readings as they come."""

    def __init__(self, high_ohm: float | None) -> None:
        self.touches: list[Touch] = []
        self.opens = 0
        self.last: int | None = None
        self.last_open: int | None = None
        self.touching = False
        self._holes: deque[tuple[int, int]] = deque(maxlen=_MOST_HOLES)
        self._steps: deque[int] = deque(maxlen=512)
        self._open_ohm = float(limit("sweep.open_ohm"))
        if high_ohm is not None:
            self._open_ohm = max(self._open_ohm, 2.0 * high_ohm)
        self.hand_ohm = (
            max(_HAND_OHM, _HAND_FACTOR * high_ohm) if high_ohm and high_ohm > 1e3 else _HAND_FACTOR * (high_ohm or 2e3)
        )

    def take(self, time_ns: int, ohm: float, *, open_circuit: bool) -> bool:
        """Returns whether the reading was open. Late readings are the caller's to drop."""
        if self.last is not None and time_ns > self.last:
            step = time_ns - self.last
            if step > NS // 2:
                self._holes.append((self.last, time_ns))
                if len(self._steps) >= 5 and step > 1.6 * self.period_ns:
                    self.touching = False
            self._steps.append(step)
        self.last = time_ns
        if open_circuit or math.isinf(ohm) or ohm >= self._open_ohm:
            self.opens += 1
            self.last_open, self.touching = time_ns, False
            return True
        if not self.touching:
            self.touches.append(Touch())
            self.touching = True
        self.touches[-1].add(time_ns, ohm)
        return False

    @property
    def period_ns(self) -> int:
        """The usual step between readings: the lower quartile of the newest, as pauses only lengthen it."""
        steps = sorted(self._steps)
        return steps[len(steps) // 4] if steps else NS

    def parts(self) -> list[Touch]:
        """Touches, broken also where the stream itself was silent."""
        limit_ns = max(int(1.6 * self.period_ns), NS // 2)
        parts: list[Touch] = []
        for touch in self.touches:
            cuts = [0]
            cuts += [i for i in range(1, len(touch.times)) if touch.times[i] - touch.times[i - 1] > limit_ns]
            # a thinned touch has wide steps of its own making
            if len(cuts) == 1 or len(touch.times) >= _MOST_READINGS // 2:
                parts.append(touch)
                continue
            for begin, stop in zip(cuts, [*cuts[1:], len(touch.times)], strict=True):
                parts.append(Touch(touch.times[begin:stop], touch.values[begin:stop]))
        return parts

    def hole(self, start_ns: int, end_ns: int) -> tuple[int, int] | None:
        """The longest silence between two instants that could hide a contact, if the meter otherwise reports open."""
        if not self.opens:
            return None
        least = max(int(limit("sweep.hole_s") * NS), int(3.5 * self.period_ns))
        wide = [hole for hole in self._holes if hole[1] - hole[0] > least and hole[1] > start_ns and hole[0] < end_ns]
        return max(wide, key=lambda hole: hole[1] - hole[0], default=None)


def bridged(parts: Sequence[Touch], hand_ohm: float, period_ns: int, bounce_s: float) -> tuple[list[Touch], int]:
    """Contacts after bounces are taken out, and how many scraps were left over."""
    bounce_ns = int(bounce_s * NS)
    parts = [part for part in parts if not (part.scrap(hand_ohm) and part.settled().value > hand_ohm)]
    groups: list[list[Touch]] = []
    for part in parts:
        lift = part.start - groups[-1][-1].end if groups else bounce_ns + 1
        # a slow meter shows a bounce as one open reading; two whole contacts are not put together over that
        slow = (
            lift <= 2.2 * period_ns and groups and (part.scrap(hand_ohm) or all(t.scrap(hand_ohm) for t in groups[-1]))
        )
        if groups and (lift <= bounce_ns or slow) and _same(groups[-1], part, hand_ohm):
            groups[-1].append(part)
        else:
            groups.append([part])
    merged = [group[0] if len(group) == 1 else joined(group) for group in groups]
    whole = [touch for touch in merged if not touch.scrap(hand_ohm)]
    if not whole and merged and all(len(touch.values) == 1 for touch in merged):
        # one reading per coil: a slow meter, or a list typed by hand
        whole = [touch for touch in merged if touch.values[0] <= hand_ohm]
    return whole, len(merged) - len(whole)


def _same(group: Sequence[Touch], part: Touch, hand_ohm: float) -> bool:
    solid = [touch for touch in group if not touch.scrap(hand_ohm)]
    if not solid or part.scrap(hand_ohm):
        return True
    before, after = solid[-1], part
    return agree(before.settled(), after.settled()) or not (before.firm() and after.firm())
