"""Mass into the system from the tank scale.

Rules of this file:
- What the tank lost is what went in, less what stayed in the hose (a stated allowance). kg in, kg out.
- Touches of the tank are taken out first (`scale_record`), and gaps in the record are weighed (`silence`).
- The slow change of the reading before and after charging, with the valve shut, is the scale's drift. It is taken off when it
  is plain, and its uncertainty is carried either way.
- Start and end are the marks, else the flow itself: the fall is found where it is steep and lasting.
- The scale's limits of error count at both ends of the fall (JCGM 100:2008, 4.3.7): zero and linearity need not be the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from baytrace.measure.channel import Channel
from baytrace.physics.cycles import Floats
from baytrace.watches.charge.scale_record import CleanRecord, Touch, clean, steepness
from baytrace.watches.charge.silence import Silence, after_record, before_record

QUIET_S = 60.0
_FLOW_KG_S = 0.0005
_LEAST_CHARGE_KG = 0.02


@dataclass(frozen=True, slots=True)
class Charged:
    """`mass_kg` went into the system; `uncertainty_kg` is k = 1. `rate_kg_s` is the present inflow, `flowing` whether the
    valve is open now. `drift_kg_s` is what was taken off (positive: the scale rose by itself).
    """

    mass_kg: float
    uncertainty_kg: float
    start_s: float
    end_s: float
    rate_kg_s: float
    flowing: bool
    touches: tuple[Touch, ...]
    drift_kg_s: float
    silences: tuple[Silence, ...] = ()
    silent: bool = False
    """The scale says nothing now, and the charge was not over."""
    later_kg: float = 0.0
    """Left the tank in a flow after the end was marked; not part of `mass_kg`."""

    @property
    def lowest_kg(self) -> float:
        """What went in if the tank was touched unseen in every gap, at least."""
        return self.mass_kg - sum(gap.fall_kg - gap.low_kg for gap in self.silences)

    @property
    def highest_kg(self) -> float:
        """As `lowest_kg`, at most; infinite when the record begins or ends in flow."""
        return self.mass_kg + sum(gap.high_kg - gap.fall_kg for gap in self.silences)

    @property
    def sound(self) -> bool:
        """Whether a verdict may rest on the mass."""
        return all(gap.sound for gap in self.silences)


@dataclass(frozen=True, slots=True)
class MassRules:
    """Limits and allowances, kg and kg/s."""

    hose_kg: float
    hose_uncertainty_kg: float
    fastest_kg_s: float
    most_drift_kg_s: float

    def without_hose(self) -> MassRules:
        return replace(self, hose_kg=0.0, hose_uncertainty_kg=0.0)


def _window_s(times: Floats) -> float:
    return max(5.0, 4.0 * float(np.median(np.diff(times))))


def _flowing(record: CleanRecord, windows: int = 1) -> np.ndarray:
    """Where the record falls for certain, beyond any drift and its own scatter; longer windows see slower flows."""
    shortest = _window_s(record.times)
    period = float(np.median(np.diff(record.times)))
    falling = np.zeros(len(record.times), dtype=bool)
    for factor in (1.0, 3.0, 8.0)[:windows]:
        window = factor * shortest
        error = record.scatter * math.sqrt(2.0 * period / window) / window
        falling |= steepness(record, window) < -max(_FLOW_KG_S / math.sqrt(factor), 5.0 * error)
    return falling


def _flow_ends(record: CleanRecord, start: float | None, end: float | None) -> tuple[float, float] | None:
    """First and last instant of flow between the marks; None when there was none."""
    inside = _flowing(record, 3)
    times = record.times
    inside &= times >= (start - 5.0 if start is not None else -math.inf)
    inside &= times <= (end + 5.0 if end is not None else math.inf)
    if not inside.any():
        return None
    first, last = (int(index) for index in np.flatnonzero(inside)[[0, -1]])
    if start is None and record.values[first] - record.values[last] < _LEAST_CHARGE_KG:
        return None
    reach = _window_s(times)
    return max(float(times[first]) - reach, float(times[0])), min(float(times[last]) + reach, float(times[-1]))


class _Level(NamedTuple):
    """kg, its variance, the drift (kg/s) and its variance (inf: not known), at the middle instant of the stretch."""

    level: float
    variance: float
    drift: float
    drift_variance: float
    middle_s: float


def _level(record: CleanRecord, stretch: tuple[float, float], at: float, most_drift: float) -> _Level:
    """The level of a quiet stretch; one that is not quiet (hose being filled) gives only its readings nearest to `at`."""
    times, values = record.times, record.values
    inside = (times >= stretch[0]) & (times <= stretch[1]) & record.valid
    if inside.sum() < 2:
        inside = _beside(times, at, before=stretch[1] == at)
    t, x = times[inside], values[inside]
    noise = record.scatter**2
    if len(t) < 8:
        return _Level(float(np.median(x)), noise / len(t), 0.0, math.inf, float(t.mean()))
    spread = t - t.mean()
    power = float(spread @ spread)
    slope = float(spread @ x) / power
    residual = x - x.mean() - slope * spread
    noise = max(noise, float(residual @ residual) / (len(t) - 2))
    if abs(slope) > most_drift and abs(slope) > 3.0 * math.sqrt(noise / power):
        nearest = np.argsort(np.abs(t - at))[:3]
        return _Level(float(np.median(x[nearest])), noise, 0.0, math.inf, float(t[nearest].mean()))
    return _Level(float(x.mean()), noise / len(t), slope, noise / power, float(t.mean()))


def _beside(times: Floats, at: float, *, before: bool) -> np.ndarray:
    """The last readings before an instant or the first after it; one from the other side when there is none."""
    here = int(np.searchsorted(times, at, side="right" if before else "left"))
    first, last = (max(here - 3, 0), max(here, 1)) if before else (min(here, len(times) - 1), here + 3)
    chosen = np.zeros(len(times), dtype=bool)
    chosen[first:last] = True
    return chosen


def charged(
    times: Floats,
    values: Floats,
    rules: MassRules,
    channel: Channel | None,
    *,
    start: float | None,
    end: float | None,
    now_s: float | None = None,
) -> Charged | None:
    """Mass charged so far; `start` and `end` are the marks where given, `now_s` is how far the whole record goes. None when
    no charging is seen.
    """
    if len(times) < 6:
        return None
    record = clean(times, values, rules.fastest_kg_s)
    flow = _flow_ends(record, start, end)
    if flow is None and start is None:
        return None
    begin = start if start is not None else flow[0] if flow is not None else 0.0
    stopped = flow[1] if flow is not None else begin
    finish = end if end is not None else max(stopped, begin)
    falling = _flowing(record)
    silent = after_record(times, end, times[-1] if now_s is None else now_s, flowing=bool(falling[-3:].any()))
    flowing = end is None and flow is not None and silent is None and bool(falling[-3:].any())
    doubts = [gap for gap in record.silences if not gap.confirmed]
    since = max([begin - QUIET_S, *(gap.end_s for gap in doubts if gap.end_s <= begin)])
    before = _level(record, (since, begin), begin, rules.most_drift_kg_s)
    quiet = times[-1] if flowing else min(max(finish, min(stopped, finish + 10.0)), times[-1])
    until = min([quiet + QUIET_S, *(gap.start_s for gap in doubts if gap.start_s >= quiet)])
    after = _level(record, (quiet, until), quiet, rules.most_drift_kg_s)
    drift, drift_variance = _drift(before, after, rules.most_drift_kg_s)
    span = max(after.middle_s - before.middle_s, 0.0)
    fall = before.level - after.level + drift * span
    variance = before.variance + after.variance + drift_variance * span**2 + _scale_variance(channel, fall)
    variance += sum(touch.variance for touch in record.touches if begin <= touch.end_s and touch.start_s <= quiet)
    gaps = [gap for gap in record.silences if begin <= gap.end_s and gap.start_s <= quiet]
    variance += sum(gap.variance for gap in gaps) + rules.hose_uncertainty_kg**2 / 3.0
    ends = before_record(times, start, flowing=bool(falling[:3].any())), silent
    gaps += [gap for gap in ends if gap is not None]
    rate = max(-float(steepness(record, _window_s(times))[-1]), 0.0) if flowing else 0.0
    mass, u = fall - rules.hose_kg, math.sqrt(variance)
    return Charged(mass, u, begin, finish, rate, flowing, record.touches, drift, tuple(gaps), silent is not None)


def _drift(before: _Level, after: _Level, most: float) -> tuple[float, float]:
    """The drift to take off (kg/s) and its variance: both quiet stretches weighted, only when it is plain and slow."""
    known = [one for one in (before, after) if one.drift_variance < math.inf and abs(one.drift) <= most]
    if not known:
        return 0.0, 0.0
    weight = sum(1.0 / max(one.drift_variance, 1e-18) for one in known)
    slope = sum(one.drift / max(one.drift_variance, 1e-18) for one in known) / weight
    if abs(slope) < 3.0 / math.sqrt(weight):
        return 0.0, min(1.0 / weight, slope**2 + 1e-18)
    return slope, 1.0 / weight


def _scale_variance(channel: Channel | None, fall_kg: float) -> float:
    """Limits of error of the scale as a variance of the difference."""
    if channel is None:
        return 0.0
    u_at_end, u_at_start = (channel.standard_uncertainty(mass) for mass in (abs(fall_kg), 0.0))
    return u_at_end**2 + u_at_start**2


def together(charges: Sequence[Charged]) -> Charged | None:
    """Several charges, oldest first, as one; None of none."""
    if len(charges) < 2:
        return charges[0] if charges else None
    last = charges[-1]
    return replace(
        last,
        mass_kg=sum(one.mass_kg for one in charges),
        uncertainty_kg=math.hypot(*(one.uncertainty_kg for one in charges)),
        start_s=charges[0].start_s,
        touches=tuple(touch for one in charges for touch in one.touches),
        silences=tuple(gap for one in charges for gap in one.silences),
    )
