"""The tank scale's record with what is no flow taken out: bumps, lifts and re-seatings of the tank.

Rules of this file:
- Flow is downward, no faster than a stated rate, and lasts (`LASTING_S` or more). A change between readings that the flow
  before and after does not explain, and that is no lasting flow itself, is a jump.
- A jump and one back within `AWAY_S` are one visit: what the scale said meanwhile means nothing. The flow in between is
  taken from the flow before and after. If the record comes back to where that leads, it was a bump and the record stands;
  if not, the tank was set down differently, and all later readings are moved by the difference.
- A single jump is a re-seating: later readings are moved by its height, flow during the step allowed for.
- Each correction carries a variance: the scatter of the readings beside it, and the flow not known meanwhile.
- A gap between readings is no touch: `silence` weighs what may have gone in meanwhile.
- A single step that a touch explains as well as the valve (a fall where readings are far apart, a step that falls short of the
  flow on both sides) belongs to a visit if its way back is near. Else it is counted as it is shown, and the doubt is kept.

A jump smaller than six times the scatter of the readings (or 4 g) is not seen; it lies within a usual scale's accuracy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from baytrace.physics.cycles import Floats
from baytrace.watches.charge.silence import COARSE_S, Beside, Silence, gap_length, weigh

LASTING_S = 3.0
AWAY_S = 30.0
_SMALLEST_KG = 0.004
_GRIDS_KG = (0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
_BESIDE, _BESIDE_S = 6, 5.0  # readings, and seconds, either side that show the flow beside a jump
_NEAR_S = 2.0  # the valve may have been shut just before the tank was touched, or opened just after
_LONGEST_BESIDE_S = 20.0  # and beside a long gap


@dataclass(frozen=True, slots=True)
class Touch:
    """Someone touched the tank: seconds from the start of the trace. `moved_kg` is what later readings were moved by."""

    start_s: float
    end_s: float
    moved_kg: float
    variance: float

    @property
    def reseated(self) -> bool:
        return self.moved_kg != 0.0


@dataclass(frozen=True, slots=True)
class CleanRecord:
    """`values` (kg) as if nobody had touched the tank; `valid` is False where the scale's word meant nothing."""

    times: Floats
    values: Floats
    valid: np.ndarray
    touches: tuple[Touch, ...]
    scatter: float
    silences: tuple[Silence, ...] = ()


class _Step(NamedTuple):
    """A jump from reading `first` to reading `last`, kg beyond the flow. `doubtful`: it may be the valve's work."""

    first: int
    last: int
    height: float
    doubtful: bool = False


def resolution_of(values: Floats) -> float:
    """The display's last step, kg: the coarsest usual one that fits all readings, else their smallest change (at most 5 g)."""
    away = values - values[0]
    for step in _GRIDS_KG:
        if np.all(np.abs(away / step - np.round(away / step)) < 1e-3):
            return step if away.any() else 0.0
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-9]
    return min(float(steps.min()), _GRIDS_KG[0]) if len(steps) else 0.0


def scatter_of(values: Floats) -> float:
    """Standard deviation (kg) of one reading, never below the rounding of the display.

    From second differences without their largest tenth, which for normal scatter lowers the root mean square to 0.789.
    """
    least = resolution_of(values) / math.sqrt(12.0)
    if len(values) < 10:
        return least
    bends = np.sort(np.abs(np.diff(values, 2)))
    bends = bends[: int(0.9 * len(bends))]
    return max(math.sqrt(float(bends @ bends) / len(bends) / 6.0) / 0.789, least)


class _Cleaner:
    """One record on its way to being clean; `trusted` marks the steps between readings that show flow."""

    def __init__(self, times: Floats, values: Floats, fastest_kg_s: float) -> None:
        self.times, self.values, self.fastest = times, values, fastest_kg_s
        self.steps, self.spans = np.diff(values), np.diff(times)
        self.rates = self.steps / self.spans
        self.scatter = scatter_of(values)
        self.threshold = max(6.0 * self.scatter, 2.1 * resolution_of(values), _SMALLEST_KG)
        self.beside = max(_BESIDE, math.ceil(_BESIDE_S / float(np.median(self.spans))))
        self.gaps = self.spans > gap_length(times)
        self.trusted = ~self.gaps
        self._doubtful: list[_Step] = []

    def run(self) -> CleanRecord:
        groups = self._groups(self._unexplained())
        for group in groups:
            self.trusted[group] = False
        jumps = [jump for group in groups if (jump := self._jump(group)) is not None]
        cleaned, valid = self.values.copy(), np.ones(len(self.values), dtype=bool)
        touches: list[Touch] = []
        silences: list[Silence] = []
        visits = self._visits(jumps)
        for first, last, _ in visits:
            self.trusted[first:last] = False
        for first, last, height in visits:
            touch = self._bridge(first, last, height)
            if touch is None:
                continue
            valid[first + 1 : last] = False
            cleaned[last:] -= touch.moved_kg
            touches.append(touch)
        silences += [self._doubt(jump) for jump in self._doubtful]
        for first in (int(gap) for gap in np.flatnonzero(self.gaps)):
            if not any(start <= first < end for start, end, _ in visits):
                silence = self._silence(first)
                cleaned[first + 1 :] -= silence.moved_kg
                silences.append(silence)
        silences.sort(key=lambda silence: silence.start_s)
        cleaned = np.interp(self.times, self.times[valid], cleaned[valid])
        return CleanRecord(self.times, cleaned, valid, tuple(touches), self.scatter, tuple(silences))

    def _unexplained(self) -> list[int]:
        """Steps that neither the flow before nor the flow after explains (medians: other jumps may be near)."""
        steps = np.flatnonzero((np.abs(self.steps) > 0.3 * self.threshold) & ~self.gaps)
        beside = np.arange(self.beside)
        inner = (steps > self.beside) & (steps + 1 + self.beside < len(self.steps))
        flows = np.empty((2, len(steps)))
        for side, first in enumerate((-1 - self.beside, 2)):
            flows[side, inner] = np.median(self.rates[steps[inner, None] + first + beside], axis=1)
        for where in np.flatnonzero(~inner):
            flows[:, where] = self._flows_at_edge(int(steps[where]))
        flows *= self.spans[steps]
        here = self.steps[steps]
        rises = (here > flows.max(axis=0) + self.threshold) & (here > 0.7 * self.threshold)
        falls = here < flows.min(axis=0) - self.threshold
        found = steps[rises | falls]
        short = np.setdiff1d(self._short(), np.concatenate((found - 1, found + 1)))
        return [int(index) for index in np.union1d(found, short)]

    def _short(self) -> np.ndarray:
        """Steps that fall short of the flow in the steps on both sides: a valve that is shut takes longer to open again."""
        flow = np.maximum(self.rates[:-2], self.rates[2:]) * self.spans[1:-1]
        short = (self.steps[1:-1] > flow + self.threshold) & (flow < -self.threshold) & ~self.gaps[1:-1]
        return np.flatnonzero(short) + 1

    def _flows_at_edge(self, index: int) -> tuple[float, float]:
        """Median flows before and after a step near an end of the record; one side stands for a side without readings."""
        left = self.rates[max(index - 1 - self.beside, 0) : max(index - 1, 0)]
        right = self.rates[index + 2 : index + 2 + self.beside]
        flows = [float(np.median(some)) for some in (left, right) if len(some)] or [0.0]
        return flows[0], flows[-1]

    def _groups(self, indices: list[int]) -> list[list[int]]:
        """Runs of neighbouring steps of one kind: rising, falling as refrigerant may, or falling too fast for that."""
        kinds = np.where(self.rates >= 0.0, 1, np.where(self.rates >= -self.fastest, -1, -2))
        groups: list[list[int]] = []
        for index in indices:
            if groups and index == groups[-1][-1] + 1 and kinds[index] == kinds[groups[-1][-1]]:
                groups[-1].append(index)
            else:
                groups.append([index])
        return groups

    def _jump(self, group: list[int]) -> _Step | None:
        """The jump a run of steps makes, or None where it may be flow: falling, not too fast, and lasting."""
        first, last = group[0], group[-1] + 1
        span, change = float(self.times[last] - self.times[first]), float(self.values[last] - self.values[first])
        before, after = self._flows(first, last)
        if all(-self.fastest <= self.rates[index] < 0.0 for index in group):
            if self._lasting(group) >= LASTING_S:
                self.trusted[group] = True
                return None
            height = change - 0.5 * (before[0] + after[0]) * span
            if height > 0.0 or (span > COARSE_S and -max(before[0], after[0]) < 0.25 * -change / span):
                return _Step(first, last, height, doubtful=True)
        return _Step(first, last, change - 0.5 * (before[0] + after[0]) * span)

    def _doubt(self, jump: _Step) -> Silence:
        """A step counted as it is shown; were it a touch, the flow beside would stand in its place."""
        fall = float(self.values[jump.first] - self.values[jump.last])
        other = max(fall + jump.height, 0.0)
        start, end = float(self.times[jump.first]), float(self.times[jump.last])
        return Silence(
            start, end, fall, min(fall, other), max(fall, other), confirmed=False, step=True, variance=self.scatter**2
        )

    def _lasting(self, group: list[int]) -> float:
        """Seconds that the record falls about as fast as in this run of steps, without a break."""
        rate = float(np.mean(self.rates[group]))
        first, last = group[0], group[-1]
        while first > 0 and 0.6 * rate >= self.rates[first - 1] >= 1.7 * rate:
            first -= 1
        while last + 1 < len(self.rates) and 0.6 * rate >= self.rates[last + 1] >= 1.7 * rate:
            last += 1
        return float(self.times[last + 1] - self.times[first]) if last - first >= 1 else 0.0

    def _flows(
        self, first: int, last: int, seconds: float = _BESIDE_S, *, least: int = 3
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Mean flow (kg/s) and its standard uncertainty over `seconds` before reading `first` and after reading `last`."""
        count = max(math.ceil(seconds / float(np.median(self.spans))), least)
        left = np.arange(max(first - count, 0), first)
        right = np.arange(last, min(last + count, len(self.steps)))
        found: list[tuple[float, float]] = []
        for some in (left, right):
            kept = some[self.trusted[some]]
            span = float(self.spans[kept].sum())
            if len(kept) >= min(least, 2):
                found.append((float(self.steps[kept].sum()) / span, math.sqrt(2.0) * self.scatter / span))
            else:
                found.append((math.nan, math.nan))
        known = [one for one in found if not math.isnan(one[0])] or [(0.0, 0.0)]
        before, after = (known[0] if math.isnan(one[0]) else one for one in found)
        return before, after

    def _visits(self, jumps: list[_Step]) -> list[tuple[int, int, float]]:
        """Readings between which the record is bridged: a jump with its way back, or a jump alone; kg of all its jumps."""
        found: list[tuple[int, int, float]] = []
        index = 0
        while index < len(jumps):
            jump, back = jumps[index], index
            for other in range(index + 1, len(jumps)):
                if self.times[jumps[other].last] - self.times[jump.first] > AWAY_S:
                    break
                total = sum(one.height for one in jumps[index : other + 1])
                if abs(total) < max(0.35 * abs(jump.height), self.threshold):
                    back = other
                    break
            if back == index and jump.doubtful:
                self._doubtful.append(jump)
            else:
                height = sum(one.height for one in jumps[index : back + 1])
                found.append((jump.first, jumps[back].last, height))
            index = back + 1
        return found

    def _level(self, readings: range, at: float, flow: float) -> float:
        """Median level (kg) at an instant from readings beside it, carried there by the flow; only up to the next jump."""
        kept = [readings[0]]
        for here in readings[1:]:
            if not self.trusted[min(kept[-1], here)]:
                break
            kept.append(here)
        return float(np.median(self.values[kept] - flow * (self.times[kept] - at)))

    def _shows(self, first: int, last: int, slow: float, quick: float) -> bool:
        """Whether the flow still showed during a visit: a hand on the tank, not a tank off the scale."""
        inside = slice(first + 1, last - 1)
        span = float(self.spans[inside].sum())
        if span <= 0.0:
            return True
        slack = (2.0 * self.scatter + 0.3 * self.threshold) / span
        return quick - slack <= float(self.steps[inside].sum()) / span <= slow + slack

    def _silence(self, first: int) -> Silence:
        """What a gap between reading `first` and the next may hide."""
        start, end = float(self.times[first]), float(self.times[first + 1])
        lasting = min(max(0.25 * (end - start), _BESIDE_S), _LONGEST_BESIDE_S)
        (before, u_before), (after, u_after) = self._flows(first, first + 1, lasting)
        near = self._flows(first, first + 1, _NEAR_S, least=1)
        flows = (before, after, near[0][0], near[1][0])
        left = self._level(range(first, max(first - 5, -1), -1), start, before)
        right = self._level(range(first + 1, min(first + 6, len(self.values))), end, after)
        u_flow = math.hypot(u_before, u_after) / math.sqrt(2.0)
        beside = Beside(left, right, max(flows), min(flows), u_flow, self.scatter)
        return weigh(start, end, beside, self.threshold, self.fastest)

    def _bridge(self, first: int, last: int, height: float) -> Touch | None:
        """What the readings after must be moved by; None when the levels beside say that nothing happened."""
        (before, u_before), (after, u_after) = self._flows(first, last)
        start, end = float(self.times[first]), float(self.times[last])
        left = self._level(range(first, max(first - 5, -1), -1), start, before)
        right = self._level(range(last, min(last + 5, len(self.values))), end, after)
        span = end - start
        near = self._flows(first, last, _NEAR_S, least=1)
        flows = (before, after, near[0][0], near[1][0])
        slow, quick = max(flows), min(flows)
        if abs(height) <= self.threshold and self._shows(first, last, slow, quick):
            return Touch(start, end, 0.0, self.scatter**2)
        excess = right - left - 0.5 * (slow + quick) * span
        unknown = 0.5 * (slow - quick) * span
        u_flow = 0.5 * math.hypot(u_before, u_after) * span
        variance = self.scatter**2 + unknown**2 / 3.0 + u_flow**2
        if abs(excess) <= max(0.6 * self.threshold, 3.0 * u_flow) + unknown:
            reach = max(
                abs(right - left - slow * span), abs(right - left - quick * span)
            )  # what is shown may be off by
            variance += max(reach**2 - unknown**2, 0.0) / 3.0
            return None if last - first == 1 else Touch(start, end, 0.0, variance)
        return Touch(start, end, excess, variance + (0.6 * self.threshold) ** 2)


def clean(times: Floats, values: Floats, fastest_kg_s: float) -> CleanRecord:
    """The record without touches. `fastest_kg_s`: no refrigerant leaves a tank faster."""
    return _Cleaner(times, values, fastest_kg_s).run()


def steepness(record: CleanRecord, window_s: float) -> Floats:
    """Flow (kg/s, falling is negative) at each reading from means over a window either side."""
    times, values = record.times, record.values
    sums = np.concatenate(([0.0], np.cumsum(values)))
    left = np.searchsorted(times, times - window_s, side="left")
    right = np.searchsorted(times, times + window_s, side="right")
    here = np.arange(len(times))
    before = (sums[here + 1] - sums[left]) / (here + 1 - left)
    after = (sums[right] - sums[here]) / (right - here)
    reach = 0.5 * (times[right - 1] - times[left])
    flow: Floats = (after - before) / np.maximum(reach, 1e-9)
    return flow
