"""Cycles of a clutch or a fan in a recorded quantity: found by crossings of the middle level with hysteresis.

A cycling quantity never stands still, so what settles is the mean of whole cycles. Times are seconds, ascending; values are
in any unit. A quantity that only relaxes crosses its middle once; noise does not get past the hysteresis. At least
`MIN_CYCLES` whole cycles of similar length are wanted before anything is called cycling, and at least four samples a cycle.

A switch and a valve that take turns make a strong cycle follow a weak one, for good: such cycles repeat in twos, and what stands is
the mean of two. They are known by the means of neighbouring cycles, which lie on either side of their line by turns.
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
_RECENT, _FEWEST = 16, 6  # cycles that show whether they take turns: at most, at least
_BY_TURNS = -0.6  # correlation of neighbours; independent ones have about -1/n


@dataclass(frozen=True, slots=True)
class Cycles:
    """`starts` are the upward crossings (s); `duty` is the share of a cycle in which the quantity falls. `turns`: 2 where strong and
    weak cycles take turns, so that only the mean of two stands, else 1.
    """

    starts: Floats
    period_s: float
    duty: float
    swing: float
    turns: int = 1

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
    turns = 2 if _by_turns(cycle_means(times, values, starts[-_RECENT - 1 :])[1]) else 1
    period = float(np.median(starts[turns:] - starts[:-turns])) / turns
    return Cycles(starts, period, _falling_share(times, values, starts), swing, turns)


def _by_turns(means: Floats) -> bool:
    if len(means) < _FEWEST:
        return False
    number = np.arange(len(means)) - 0.5 * (len(means) - 1)
    left = means - means.mean()
    left = left - number * float(number @ left) / float(number @ number)
    power = float(left @ left)
    return power > 0.0 and float(left[1:] @ left[:-1]) < _BY_TURNS * power


def _crossings(times: Floats, values: Floats, middle: float, reach: float) -> Floats:
    """Instants of the upward crossings of the middle that follow a visit below `middle - reach` and reach `middle + reach`."""
    beyond = np.flatnonzero(np.abs(values - middle) > reach)
    above = values[beyond] > middle
    reached = beyond[1:][above[1:] & ~above[:-1]]
    if not len(reached):
        return np.array([])
    upward = np.flatnonzero((values[:-1] < middle) & (values[1:] >= middle))
    before = upward[np.searchsorted(upward, reached, side="left") - 1]  # the last crossing on the way there
    share = (middle - values[before]) / (values[before + 1] - values[before])
    crossed: Floats = times[before] + share * (times[before + 1] - times[before])
    return crossed


def _alike(starts: Floats) -> Floats:
    """The longest run of similar cycles at the end."""
    lengths = np.diff(starts)
    number = np.arange(len(lengths), 0, -1)
    mean = np.cumsum(lengths[::-1])[::-1] / number
    spread = np.sqrt(np.maximum(np.cumsum(lengths[::-1] ** 2)[::-1] / number - mean**2, 0.0))
    firsts = np.flatnonzero((number >= MIN_CYCLES) & (spread <= _ALIKE * mean))
    return starts[firsts[0] :] if len(firsts) else starts[:0]


def _falling_share(times: Floats, values: Floats, starts: Floats) -> float:
    shares = []
    edges = np.searchsorted(times, starts)
    for (first, last), length in zip(pairwise(edges), np.diff(starts), strict=True):
        if last - first >= 4:
            top, bottom = first + np.argmax(values[first:last]), first + np.argmin(values[first:last])
            shares.append(float((times[bottom] - times[top]) / length % 1.0))
    return float(np.mean(shares)) if shares else float("nan")


def cycle_means(times: Floats, values: Floats, starts: Floats, turns: int = 1) -> tuple[Floats, Floats]:
    """Middle instants and time-weighted means of the cycles between `starts`; of each `turns` in a row where these are more."""
    total = running_integral(times, values)
    at = np.interp(starts, times, total)
    lengths = starts[turns:] - starts[:-turns]
    return starts[:-turns] + 0.5 * lengths, (at[turns:] - at[:-turns]) / lengths


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
