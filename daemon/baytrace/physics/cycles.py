"""Cycles of a clutch or a fan in a recorded quantity: found by crossings of the middle level with hysteresis.

A cycling quantity never stands still, so what settles is the mean of whole cycles. Times are seconds, ascending; values are
in any unit. A quantity that only relaxes crosses its middle once; noise does not get past the hysteresis. At least
`MIN_CYCLES` whole cycles of similar length are wanted before anything is called cycling, and at least four samples a cycle.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MIN_CYCLES = 2
_HYSTERESIS = 0.25  # of the swing, each side of the middle
_ALIKE = 0.35  # coefficient of variation of the last cycles' lengths
_TAIL = 0.6  # share of the record in which cycling must be going on


@dataclass(frozen=True, slots=True)
class Cycles:
    """`starts` are the upward crossings (s); `duty` is the share of a cycle in which the quantity falls."""

    starts: Floats
    period_s: float
    duty: float
    swing: float

    @property
    def number(self) -> int:
        return len(self.starts) - 1


def noise_of(values: Floats) -> float:
    """Standard deviation of white noise on a smooth curve, from second differences (robust)."""
    if len(values) < 5:
        return 0.0
    bends = np.abs(np.diff(values, 2))
    return float(np.median(bends) / 0.6745 / np.sqrt(6.0))


def find_cycles(times: Floats, values: Floats, *, least_swing: float) -> Cycles | None:
    """The cycles going on at the end of the record, or None. `least_swing` (unit of values) is what counts as cycling."""
    if len(times) < 12:
        return None
    tail = times >= times[-1] - _TAIL * (times[-1] - times[0])
    low, high = np.percentile(values[tail], [5.0, 95.0])
    swing = float(high - low)
    if swing < max(least_swing, 8.0 * noise_of(values[tail])):
        return None
    middle, reach = 0.5 * (low + high), _HYSTERESIS * swing
    starts = _crossings(times, values, float(middle), reach)
    starts = _alike(starts)
    if len(starts) < MIN_CYCLES + 1 or times[-1] - starts[-1] > 2.5 * float(np.median(np.diff(starts))):
        return None
    period = float(np.median(np.diff(starts)))
    if period < 4.0 * float(np.median(np.diff(times))):
        return None
    return Cycles(starts, period, _falling_share(times, values, starts), swing)


def _crossings(times: Floats, values: Floats, middle: float, reach: float) -> Floats:
    """Instants of the upward crossings of the middle that follow a visit below `middle - reach` and reach `middle + reach`."""
    found: list[float] = []
    armed, crossed = False, None
    for before, (t0, x0, t1, x1) in enumerate(zip(times[:-1], values[:-1], times[1:], values[1:], strict=True)):
        if before == 0 and x0 < middle - reach:
            armed = True
        if x1 < middle - reach:
            armed, crossed = True, None
        if armed and x0 < middle <= x1:
            crossed = t0 + (middle - x0) / (x1 - x0) * (t1 - t0)
        if armed and crossed is not None and x1 > middle + reach:
            found.append(float(crossed))
            armed, crossed = False, None
    return np.array(found)


def _alike(starts: Floats) -> Floats:
    """The longest run of similar cycles at the end."""
    lengths = np.diff(starts)
    for first in range(len(lengths)):
        run = lengths[first:]
        if len(run) >= MIN_CYCLES and np.std(run) <= _ALIKE * np.mean(run):
            return starts[first:]
    return starts[:0]


def _falling_share(times: Floats, values: Floats, starts: Floats) -> float:
    shares = []
    for begin, end in pairwise(starts):
        inside = np.flatnonzero((times >= begin) & (times < end))
        if len(inside) >= 4:
            top, bottom = inside[np.argmax(values[inside])], inside[np.argmin(values[inside])]
            shares.append((times[bottom] - times[top]) / (end - begin) % 1.0)
    return float(np.mean(shares)) if shares else float("nan")


def cycle_means(times: Floats, values: Floats, starts: Floats) -> tuple[Floats, Floats]:
    """Middle instants and time-weighted means of the cycles between `starts`."""
    total = running_integral(times, values)
    at = np.interp(starts, times, total)
    lengths = np.diff(starts)
    return starts[:-1] + 0.5 * lengths, np.diff(at) / lengths


def running_integral(times: Floats, values: Floats) -> Floats:
    """Trapezoidal integral from the first sample to each sample."""
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(times)
    return np.concatenate(([0.0], np.cumsum(steps)))


def sliding_mean(times: Floats, values: Floats, at: Floats, window_s: float) -> Floats:
    """Mean over a window centred at each instant; near the ends the window is moved inside the record."""
    window = min(window_s, float(times[-1] - times[0]))
    if window <= 0.0:
        return np.full(len(at), float(np.mean(values)))
    left = np.clip(at - 0.5 * window, times[0], times[-1] - window)
    total = running_integral(times, values)
    means: Floats = (np.interp(left + window, times, total) - np.interp(left, times, total)) / window
    return means
