"""The tank scale's record with what is no flow taken out: bumps, lifts and re-seatings of the tank, hoses that were moved.

Rules of this file:
- Only what lasts matters: a touch that comes back changes nothing, whatever the scale said meanwhile. So the record stands as it is
  until it shows what refrigerant cannot do: rise, or fall faster than a stated rate.
- Steps that neither the flow before nor the flow after explains, near each other, are one visit, together with their way back within
  `AWAY_S`. Across it the flow is somewhere between those beside it. What the record shows more or less than that is a shift.
- If no shift is one of the possible answers it is the answer, and the others widen the interval. If it is not, later readings are
  moved by the middle of them, and the rest widens the interval.
- A sudden fall that refrigerant may have made counts as flow, and might be a shift: the interval holds both. So it is with a flow that
  for some seconds runs quicker or slower than on both sides (a hose pulled aside, a valve nudged); a flow that stops is a shut valve.
- A gap between readings is no touch: `silence` weighs what may have gone in meanwhile.

Limits: a shift below about six times the scatter of the readings (or 4 g) is not seen. A force that grows over much more than
`SCAN_S` looks like flow: one scale cannot tell a hose that is slowly drawn tight from refrigerant.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from baytrace.physics.cycles import Floats
from baytrace.watches.charge.silence import Beside, Silence, gap_length, weigh

AWAY_S = 30.0
SCAN_S = 9.0
_FALL_AWAY_S = 8.0  # a fall that may be flow is part of a touch only when its way back is near
_JOIN_S = 3.0  # a touch rings and is followed by another: steps so near are one visit
_SMALLEST_KG = 0.004
_GRIDS_KG = (0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
_BESIDE, _BESIDE_S = 6, 5.0  # readings, and seconds, either side that show the flow beside a jump
_FLOW_S = 10.0  # that show it well enough to be carried across one
_NEAR_S = 2.0  # the valve may have been shut just before the tank was touched, or opened just after
_LONGEST_BESIDE_S = 20.0  # and beside a long gap
_PLAIN = 4.0  # times its error a flow must differ from that beside it
_WIDER_S = (1.0, 2.5, 4.0)  # a shift may last a little longer than where it is plainest
_PARTLY = 1.25  # times the shift that is seen: the flow beside it is not quite that within
_OUTSTANDING = 2.5  # times the usual departure of an uneven flow
_UNEVEN = 4  # more departures than this: the flow is uneven by itself, the valve is being worked
_COMES_S, _RESTS_S = 0.5, 3.0
_STARTING = 0.3  # of the difference of two flows: a flow that has just begun may run quicker between than on both sides
_LEVEL_S = 2.5
_MARKED_S = 2.0  # a mark and the valve's turn, by the same hand
_MANY = 3  # sudden falls, and none of them with a rise: somebody works the valve


@dataclass(frozen=True, slots=True)
class Touch:
    """Someone touched the tank: seconds from the start of the trace. `moved_kg` is what later readings were moved by, which may
    have to be less by `below_kg` or more by `above_kg`.
    """

    start_s: float
    end_s: float
    moved_kg: float
    variance: float
    below_kg: float = 0.0
    above_kg: float = 0.0

    @property
    def reseated(self) -> bool:
        return self.moved_kg != 0.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """The record fell quicker or slower here than on both sides. It counts as flow; if it was a shift, `below_kg` less went in, or
    `above_kg` more.
    """

    start_s: float
    end_s: float
    below_kg: float = 0.0
    above_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class CleanRecord:
    """`values` (kg) as if nobody had touched the tank; `valid` is False where the scale's word meant nothing. `scatter` is that of one
    reading to the next, `wander` that of a reading about a line through a minute of rest.
    """

    times: Floats
    values: Floats
    valid: np.ndarray
    touches: tuple[Touch, ...]
    scatter: float
    silences: tuple[Silence, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    resolution: float = 0.0

    @property
    def unseen_kg(self) -> float:
        """A shift over some seconds of flow that is just not seen in the readings' scatter."""
        return _PLAIN * self.scatter * math.sqrt(2.0) * (1.0 + SCAN_S / _FLOW_S)


class _Group(NamedTuple):
    """Steps near each other from reading `first` to reading `last`, kg beyond the flow; `flows`: refrigerant may have done it."""

    first: int
    last: int
    height: float
    flows: bool


def resolution_of(values: Floats) -> float:
    """The display's last step, kg: the coarsest usual one that fits all readings, else their smallest change (at most 10 g)."""
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

    def __init__(self, times: Floats, values: Floats, fastest_kg_s: float, open_s: tuple[float, float]) -> None:
        self.open_s = open_s
        self.times, self.values, self.fastest = times, values, fastest_kg_s
        self.steps, self.spans = np.diff(values), np.diff(times)
        self.rates = self.steps / self.spans
        self.resolution = resolution_of(values)
        self.scatter = scatter_of(values)
        self.threshold = max(6.0 * self.scatter, 2.1 * self.resolution, _SMALLEST_KG)
        self.period = float(np.median(self.spans))
        self.beside = max(_BESIDE, math.ceil(_BESIDE_S / self.period))
        self.gaps = self.spans > gap_length(times)
        self.trusted = ~self.gaps

    def run(self) -> CleanRecord:
        groups = self._groups(self._unexplained())
        visits, falls = self._visits(groups)
        if len(falls) > _MANY:
            falls = []
        visits = self._with_their_ends(visits)
        for first, last in (*visits, *((fall.first, fall.last) for fall in falls)):
            self.trusted[first:last] = False
        doubts = [self._fall(fall) for fall in falls]
        cleaned, valid = self.values.copy(), np.ones(len(self.values), dtype=bool)
        touches: list[Touch] = []
        silences: list[Silence] = []
        for first, last in visits:
            touch = self._bridge(first, last)
            valid[first + 1 : last] = False
            cleaned[last:] -= touch.moved_kg
            touches.append(touch)
        for first in (int(gap) for gap in np.flatnonzero(self.gaps)):
            if not any(start <= first < end for start, end in visits):
                silence = self._silence(first)
                cleaned[first + 1 :] -= silence.moved_kg
                silences.append(silence)
        cleaned = np.interp(self.times, self.times[valid], cleaned[valid])
        doubts += self._scan(cleaned)
        return CleanRecord(
            self.times, cleaned, valid, tuple(touches), self.scatter, tuple(silences), tuple(doubts), self.resolution
        )

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
        flows = np.minimum(flows, 0.0) * self.spans[steps]
        here = self.steps[steps]
        rises = (here > flows.max(axis=0) + self.threshold) & (here > 0.7 * self.threshold)
        falls = here < flows.min(axis=0) - self.threshold
        return [int(index) for index in steps[rises | falls]]

    def _flows_at_edge(self, index: int) -> tuple[float, float]:
        """Median flows before and after a step near an end of the record; one side stands for a side without readings."""
        left = self.rates[max(index - 1 - self.beside, 0) : max(index - 1, 0)]
        right = self.rates[index + 2 : index + 2 + self.beside]
        flows = [float(np.median(some)) for some in (left, right) if len(some)] or [0.0]
        return flows[0], flows[-1]

    def _groups(self, indices: Sequence[int]) -> list[_Group]:
        """Steps near each other."""
        runs: list[list[int]] = []
        for index in indices:
            if runs and self.times[index] - self.times[runs[-1][-1] + 1] < max(_JOIN_S, 1.5 * self.period):
                runs[-1].append(index)
            else:
                runs.append([index])
        for run in runs:
            self.trusted[run[0] : run[-1] + 1] = False
        return [self._group(run) for run in runs]

    def _group(self, run: Sequence[int]) -> _Group:
        first, last = run[0], run[-1] + 1
        before, after = self._flows(first, last)
        span = float(self.times[last] - self.times[first])
        change = float(self.values[last] - self.values[first])
        rates = self.rates[run]
        flows = bool((rates < 0.0).all() and (rates >= -self.fastest).all())
        return _Group(first, last, change - 0.5 * (before[0] + after[0]) * span, flows)

    def _visits(self, groups: Sequence[_Group]) -> tuple[list[tuple[int, int]], list[_Group]]:
        """Readings between which the record is bridged: a jump with its way back, or alone; and sudden falls that may be flow."""
        visits: list[tuple[int, int]] = []
        falls: list[_Group] = []
        index = 0
        while index < len(groups):
            jump, back = groups[index], index
            away = _FALL_AWAY_S if jump.flows else AWAY_S
            for other in range(index + 1, len(groups)):
                if self.times[groups[other].last] - self.times[jump.first] > away:
                    break
                total = sum(one.height for one in groups[index : other + 1])
                if abs(total) < max(0.35 * abs(jump.height), self.threshold):
                    back = other
                    break
            if back == index and jump.flows:
                falls.append(jump)
            else:
                visits.append((jump.first, groups[back].last))
            index = back + 1
        return visits, falls

    def _with_their_ends(self, visits: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        """Visits with the seconds in which the hand comes and the display comes to rest; those that touch are one."""
        whole: list[tuple[int, int]] = []
        for first, last in visits:
            begin = min(int(np.searchsorted(self.times, self.times[first] - _COMES_S)), max(first - 1, 0))
            end = max(int(np.searchsorted(self.times, self.times[last] + _RESTS_S)), last + 1)
            end = min(end, len(self.times) - 1)
            if whole and begin <= whole[-1][1]:
                begin, end = whole[-1][0], max(end, whole.pop()[1])
            whole.append((begin, end))
        return whole

    def _flows(
        self, first: int, last: int, seconds: float = _BESIDE_S, *, least: int = 3
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Mean flow (kg/s) and its standard uncertainty over `seconds` before reading `first` and after reading `last`."""
        count = max(math.ceil(seconds / self.period), least)
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

    def _level(self, readings: range, at: float, flow: float) -> float:
        """Median level (kg) at an instant from readings near it, carried there by the flow; only up to the next jump."""
        kept = [readings[0]]
        for here in readings[1:]:
            if not self.trusted[min(kept[-1], here)] or abs(self.times[here] - at) > _LEVEL_S:
                break
            kept.append(here)
        return float(np.median(self.values[kept] - flow * (self.times[kept] - at)))

    def _beside(self, first: int, last: int, seconds: float) -> Beside:
        """What the record shows on both sides of a stretch, and for how many seconds of it the valve may have been open."""
        (before, u_before), (after, u_after) = self._flows(first, last, seconds)
        near = self._flows(first, last, _NEAR_S, least=1)
        start, end = float(self.times[first]), float(self.times[last])
        span = max(min(end, self.open_s[1]) - max(start, self.open_s[0]), 0.0)
        closer = [
            flow if abs(flow - whole) > 2.0 * u else whole
            for (flow, u), whole in zip(near, (before, after), strict=True)
        ]
        left = self._level(range(first, max(first - 5, -1), -1), start, closer[0])
        right = self._level(range(last, min(last + 5, len(self.values))), end, closer[1])
        slow, quick = max(before, after, *closer), min(before, after, *closer)
        steady = all(
            abs(flow - whole) <= max(2.0 * u, 0.1 * abs(whole))
            for (flow, u), whole in zip(near, (before, after), strict=True)
        )
        return Beside(left, right, slow, quick, max(u_before, u_after), self.scatter, span, steady)

    def _silence(self, first: int) -> Silence:
        """What a gap between reading `first` and the next may hide."""
        start, end = float(self.times[first]), float(self.times[first + 1])
        beside = self._beside(first, first + 1, min(max(0.25 * (end - start), _BESIDE_S), _LONGEST_BESIDE_S))
        return weigh(start, end, beside, self.threshold, self.fastest)

    def _bridge(self, first: int, last: int) -> Touch:
        """What the readings after a visit may have to be moved by, from the flows beside it."""
        beside = self._beside(first, last, _FLOW_S)
        span = beside.open_s
        slow, quick = min(beside.slow + 2.0 * beside.u_flow, 0.0), min(beside.quick - 2.0 * beside.u_flow, 0.0)
        quick -= _STARTING * (slow - quick)
        moved, slack = beside.right_kg - beside.left_kg, 2.0 * self.scatter + 0.5 * self.resolution
        low, high = moved - slow * span - slack, moved - quick * span + slack
        start, end = float(self.times[first]), float(self.times[last])
        if low <= 0.0 <= high:
            return Touch(start, end, 0.0, self.scatter**2, -low, high)
        return Touch(start, end, 0.5 * (low + high), self.scatter**2, 0.5 * (high - low), 0.5 * (high - low))

    def _fall(self, fall: _Group) -> Doubt:
        """A sudden fall counts as it is shown; were it a shift, the flow beside would stand in its place."""
        return Doubt(float(self.times[fall.first]), float(self.times[fall.last]), below_kg=max(-fall.height, 0.0))

    def _scan(self, cleaned: Floats) -> list[Doubt]:
        """Seconds in which the record falls quicker or slower than on both sides of them."""
        doubts: list[Doubt] = []
        values = cleaned.copy()
        for _ in range(_UNEVEN + 1):
            found = [
                one
                for steps in sorted({max(round(seconds / self.period), 1) for seconds in range(1, int(SCAN_S) + 1)})
                for one in _departures(self.times, values, self.gaps, steps, self.scatter)
            ]
            if not found:
                return doubts
            _, first, last, amount = max(found)
            alike = [one[3] for one in found if one[1] < last and one[2] > first and one[3] * amount > 0.0]
            alike += [self._whole(values, first, last, seconds) for seconds in _WIDER_S]
            shift = max((one for one in alike if one * amount > 0.0), key=abs)
            most = _PARTLY * abs(shift) + 3.0 * self.scatter
            start, end = float(self.times[first]), float(self.times[last])
            doubts.append(Doubt(start, end, most if shift < 0.0 else 0.0, most if shift > 0.0 else 0.0))
            share = (self.times[first : last + 1] - start) / (end - start)
            values[first : last + 1] -= shift * share
            values[last + 1 :] -= shift
        sizes = [doubt.below_kg + doubt.above_kg for doubt in doubts]
        usual = sorted(sizes)[len(sizes) // 2]
        return [doubt for doubt, size in zip(doubts, sizes, strict=True) if size > _OUTSTANDING * usual]

    def _whole(self, values: Floats, first: int, last: int, seconds: float) -> float:
        """kg beyond the flow on both sides of a stretch that is longer by some seconds at both ends."""
        reach, beside = round(seconds / self.period), max(round(_FLOW_S / self.period), 4)
        begin, end = max(first - reach, 1), min(last + reach, len(values) - 2)
        left, right = max(begin - beside, 0), min(end + beside, len(values) - 1)
        times = self.times
        before = (values[begin] - values[left]) / (times[begin] - times[left])
        after = (values[right] - values[end]) / (times[right] - times[end])
        return float(values[end] - values[begin] - 0.5 * (before + after) * (times[end] - times[begin]))


def _departures(
    times: Floats, values: Floats, gaps: np.ndarray, inside: int, scatter: float
) -> list[tuple[float, int, int, float]]:
    """How plain, first and last reading, and kg beyond the flows on both sides, of stretches `inside` steps long."""
    period = float(np.median(np.diff(times)))
    seconds, beside = inside * period, max(round(_FLOW_S / period), 4)
    count = len(times) - inside - 2 * beside
    if count < 1:
        return []
    at = np.arange(count)
    half = beside // 2
    offsets = (0, half, beside, beside + inside, beside + inside + beside - half, 2 * beside + inside)
    edges = [at + offset for offset in offsets]

    def flow(first: int, last: int) -> Floats:
        rate: Floats = (values[edges[last]] - values[edges[first]]) / (times[edges[last]] - times[edges[first]])
        return rate

    here, middle = flow(2, 3), 0.5 * (flow(0, 2) + flow(3, 5))
    span = times[edges[3]] - times[edges[2]]
    sides = np.array([flow(0, 1), flow(1, 2), flow(3, 4), flow(4, 5)])
    slow, quick = sides.max(axis=0), sides.min(axis=0)
    beyond = np.maximum(here - slow, 0.0) - np.maximum(quick - here, 0.0)
    running = slow < np.minimum(0.6 * middle, -0.0005)
    error = scatter * math.sqrt(2.0) * (1.0 + 2.0 * seconds / _FLOW_S)
    resting = (np.abs(sides) < 0.0007).all(axis=0) & (np.abs(here) < 0.001)
    if resting.sum() >= 10:  # readings that are like their neighbours wander more than they scatter
        error = max(error, 1.5 * float(np.median((np.abs(here - middle) * span)[resting])))
    plain = np.where(running | (beyond > 0.0), np.abs(beyond) * span, 0.0) / max(error, 1e-6)
    return [
        (float(plain[i]), int(edges[2][i]), int(edges[3][i]), float((here[i] - middle[i]) * span[i]))
        for i in np.flatnonzero(plain > _PLAIN)
        if not gaps[edges[0][i] : edges[5][i]].any()
    ]


def clean(
    times: Floats, values: Floats, fastest_kg_s: float, start: float | None = None, end: float | None = None
) -> CleanRecord:
    """The record without touches. `fastest_kg_s`: no refrigerant leaves a tank faster, and none before `start` or after `end`."""
    opened = start - _MARKED_S if start is not None else -math.inf
    shut = end + _MARKED_S if end is not None else math.inf
    return _Cleaner(times, values, fastest_kg_s, (opened, shut)).run()


def steepness(record: CleanRecord, window_s: float) -> Floats:
    """Flow (kg/s, falling is negative) at each reading from means over a window either side."""
    return slope_of(record.times, record.values, window_s)


def slope_of(times: Floats, values: Floats, window_s: float) -> Floats:
    """As `steepness`, of any record."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    left = np.searchsorted(times, times - window_s, side="left")
    right = np.searchsorted(times, times + window_s, side="right")
    here = np.arange(len(times))
    before = (sums[here + 1] - sums[left]) / (here + 1 - left)
    after = (sums[right] - sums[here]) / (right - here)
    reach = 0.5 * (times[right - 1] - times[left])
    flow: Floats = (after - before) / np.maximum(reach, 1e-9)
    return flow
