"""Which stretches of a record show the loop running in one state, from marks and from the pressures.

- `engine on` (or `compressor on`, `ac on`) starts running, `engine off` and the like end it.
- A mark that changes the state (`idle`, `raised speed`, `2000 rpm`, `doors open`, `blower high`) starts a new stretch.
- Charging after the engine was started starts over: what ran before was another charge.
- Without an `engine on` mark the loop runs from where high and low side part. While a charge that began by mark has not ended
  by one, they part for its sake as well: then the low side must also have come down from its highest, as a compressor pulls it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from baytrace.watches.running.own_conditions import Conditions
from baytrace.watches.running.series import Series

_ON = re.compile(r"\b(engine|compressor|clutch|a/?c)\s+(on|started|running)\b")
_OFF = re.compile(r"\b(engine|compressor|clutch|a/?c|system)\s+(off|stopped)\b")
_CHARGE = re.compile(r"\bcharg(e|ing)\s+(start|starts|started|begin|end|ends|ended|done|stop|stopped)\b")
_CHARGE_BEGINS = re.compile(r"\bcharg(e|ing)\s+(start|starts|started|begin)\b")
_STATE = re.compile(
    r"\b(idle|idling|raised|fast|rpm|revs?|speed|doors?|blower|fan|recirculation|fresh air|windows?|table conditions)\b|\d\s*rpm"
)
RUNNING_RATIO = 1.25
_STOPPED_RATIO = 1.15
_PULLED_SHARE = 0.9
"""Of its highest: a low side below it has been pulled down. A charge only raises it (common practice, no source)."""
_STOPPED_S = 45.0
_MOST_MARKS = 100
_LEAST_HIGH_PA = 150_000.0
"""Below this on the high side nothing runs: an evacuated loop shows only the transmitters' zeros (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One state of running, seconds from the start of the trace."""

    label: str
    start_s: float
    end_s: float
    marked: bool = True
    conditions: Conditions = field(default_factory=Conditions)
    """What marks said of speed, doors, air and blower."""
    repair: int = 0
    """How often the loop had been worked on when it began: runs with the same number are of the same state of the car."""

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def _pressure_ratio(low: Series | None, high: Series | None) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Instants, high over low, and the low side itself."""
    if low is None or high is None or len(low) < 3 or len(high) < 3:
        return None
    times, low_pa = low.arrays()
    high_times, high_pa = high.arrays()
    inside = (times >= high_times[0]) & (times <= high_times[-1])
    if inside.sum() < 3:
        return None
    times, low_pa = times[inside], low_pa[inside]
    high_there = np.interp(times, high_times, high_pa)
    ratio = high_there / np.maximum(low_pa, 1.0)
    return times, np.where(high_there > _LEAST_HIGH_PA, ratio, 1.0), low_pa


def seen_running(
    low: Series | None, high: Series | None, after_s: float, *, charging: bool = False
) -> tuple[float, float] | None:
    """From when to when high and low side stood apart after `after_s`; None when they never did."""
    found = _pressure_ratio(low, high)
    if found is None:
        return None
    times, values, low_pa = found
    runs = (values > RUNNING_RATIO) & (times >= after_s)
    if charging:
        runs &= low_pa < _PULLED_SHARE * np.maximum.accumulate(np.where(times >= after_s, low_pa, 0.0))
    apart = np.flatnonzero(runs)
    if len(apart) < 3:
        return None
    last = np.flatnonzero(values > _STOPPED_RATIO)[-1]
    end = float(times[last]) if times[-1] - times[last] > _STOPPED_S else float(times[-1])
    return float(times[apart[0]]), end


def stretches(
    marks: Sequence[tuple[float, str]], now_s: float, low: Series | None, high: Series | None
) -> list[Stretch]:
    """The stretches since the last start and the last charging, oldest first; empty while nothing runs."""
    on = [time for time, text in marks if _ON.search(text)]
    charging = [time for time, text in marks if _CHARGE.search(text)]
    start = max([*on[-1:], *charging[-1:]], default=0.0)
    going_in = next((bool(_CHARGE_BEGINS.search(text)) for _, text in reversed(marks) if _CHARGE.search(text)), False)
    seen = seen_running(low, high, start, charging=going_in and not on)
    if not on:
        if seen is None:
            return []
        start = seen[0]
    off = [time for time, text in marks if _OFF.search(text) and time > start]
    end = min([now_s, *off[:1], *([seen[1]] if seen and not off else [])])
    if end <= start:
        return []
    cuts = [(time, text) for time, text in marks if start < time < end and _STATE.search(text)]
    first = next((text for time, text in reversed(marks) if time == start and not _CHARGE.search(text)), "running")
    begins = [(start, "running" if _ON.search(first) else first), *cuts]
    # a reading at the instant of a mark belongs to what the mark begins
    ends = [math.nextafter(time, 0.0) for time, _ in begins[1:]] + [end]
    return [Stretch(text, begin, stop, bool(on)) for (begin, text), stop in zip(begins, ends, strict=True)]


def ends_running(text: str) -> bool:
    """Whether a mark's text says that nothing runs from here on."""
    return _OFF.search(text) is not None


def still_needed(marks: Sequence[tuple[float, str]]) -> list[tuple[float, str]]:
    """The marks that still bear on `stretches`: from the last start on, and of them no more than `_MOST_MARKS`."""
    told = [mark for mark in marks if any(kind.search(mark[1]) for kind in (_ON, _OFF, _CHARGE, _STATE))]
    starts = [index for index, (_, text) in enumerate(told) if _ON.search(text)]
    if starts:
        told = told[starts[-1] :]
    charging = [index for index, (_, text) in enumerate(told) if _CHARGE.search(text)]
    if charging and charging[-1] > 0:
        told = told[: 1 if starts else 0] + told[charging[-1] :]
    return told if len(told) <= _MOST_MARKS else told[:2] + told[2 - _MOST_MARKS :]


def engine_on_at(marks: Sequence[tuple[float, str]]) -> float | None:
    """The last `engine on` mark."""
    return next((time for time, text in reversed(marks) if _ON.search(text)), None)
