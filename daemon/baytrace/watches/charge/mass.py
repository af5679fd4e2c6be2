"""Mass into the system from the tank scale.

Rules of this file:
- What the tank lost is what went in, less what stayed in the hose (`hose`). kg in, kg out.
- Touches of the tank are taken out first (`scale_record`), and gaps in the record are weighed (`silence`).
- What is random is a standard uncertainty. What the record cannot tell (a hose nobody described, a touch that may be flow, a
  scale that is not at rest) is no scatter: it widens the interval on its own side, to all that it may be, and such widths add up.
- The slow change of the reading before and after charging, with the valve shut, is creep as long as it is as slow as a scale may
  creep, and is taken off. A quicker fall is a valve or a coupling that passes, a quicker rise the scale or its hose on the move:
  what that may come to widens the interval, whichever way it is counted.
- A scale that rises while charging is marked counts the other way round, or was loaded: nothing is weighed by it.
- Start and end are the marks, else the flow itself: the fall is found where it is steep and lasting.
- The scale's limits of error count at both ends of the fall (JCGM 100:2008, 4.3.7): zero and linearity need not be the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.roles import SI_UNIT, Quantity, Role
from baytrace.measure.uncertainty import K95
from baytrace.measure.units import unit_for
from baytrace.physics.cycles import Floats
from baytrace.watches.charge.hose import Hose
from baytrace.watches.charge.scale_record import CleanRecord, Doubt, Touch, clean, slope_of, steepness
from baytrace.watches.charge.silence import Silence, after_record, before_record
from baytrace.watches.limits_table import limit

QUIET_S = 60.0
_FLOW_KG_S = 0.0005
_LEAST_CHARGE_KG = 0.02
_BEFORE_S, _AFTER_S = 2.0 * QUIET_S, 3.0 * QUIET_S  # so long a stretch of rest shows the drift
_WANDER, _LEAST_STEP_KG = (
    0.4,
    0.0005,
)  # share of its display's step, and the least step, by which a scale at rest wanders
_UNSEEN = 0.25  # share of the smallest shift that is seen in flow: so much of one may lie unseen (k = 1)
_LONG_RISE_S = 15.0
_USUAL_DRIFT = 4.0  # times what a scale may creep: what is taken for its usual drift (k = 1) where nothing shows it


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
    below_kg: float = 0.0
    """Besides scatter it may be less by this much: what the record cannot tell."""
    above_kg: float = 0.0
    """As `below_kg`, more."""
    hose_kg: float = 0.0
    """That part of `below_kg` which may have stayed in a hose that nobody described."""
    doubts: tuple[Doubt, ...] = ()
    passes_kg_s: float = 0.0
    """How fast the scale changes with the valve shut, where that is faster than a scale creeps; falling is negative."""
    swallowed_kg: float = 0.0
    """That part of `above_kg` which a scale that zeroes itself may have swallowed."""
    rose_kg: float = 0.0
    """The scale rose by this much in one go while charging: it does not weigh what went in."""

    @property
    def low_kg(self) -> float:
        """Lower end of the 95 % interval, with all that the record cannot tell; -inf where it tells nothing."""
        return self.mass_kg - K95 * self.uncertainty_kg - (self.below_kg if not self.rose_kg else math.inf)

    @property
    def high_kg(self) -> float:
        """Upper end, as `low_kg`; infinite when the record begins or ends in flow."""
        return self.mass_kg + K95 * self.uncertainty_kg + (self.above_kg if not self.rose_kg else math.inf)


@dataclass(frozen=True, slots=True)
class MassRules:
    """Limits and allowances, kg and kg/s."""

    hose: Hose
    fastest_kg_s: float
    most_drift_kg_s: float
    at_rest_kg_s: float
    swallowed_kg_s: float
    patience_s: float

    def without_hose(self) -> MassRules:
        return replace(self, hose=Hose())


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
    """The level of a quiet stretch beside the instant `at`, from the minute next to it; its drift from the whole. One that is not
    quiet (hose being filled) gives only its readings nearest to `at`.
    """
    times, values = record.times, record.values
    inside = _within(times, *stretch) & record.valid
    if inside.sum() < 2:
        inside = _beside(times, at, before=stretch[1] == at)
    t, x = times[inside], values[inside]
    noise = record.scatter**2
    rounding = record.resolution**2 / 12.0
    if len(t) < 8:
        return _Level(float(np.median(x)), noise / len(t) + rounding, 0.0, math.inf, float(t.mean()))
    spread = t - t.mean()
    power = float(spread @ spread)
    slope = float(spread @ x) / power
    residual = x - x.mean() - slope * spread
    squares = float(residual @ residual)
    noise = max(noise, squares / (len(t) - 2))
    if abs(slope) > most_drift and abs(slope) > 3.0 * math.sqrt(noise / power):
        nearest = np.argsort(np.abs(t - at))[:3]
        return _Level(float(np.median(x[nearest])), noise + rounding, 0.0, math.inf, float(t[nearest].mean()))
    noise *= _alike(residual, squares)
    if noise > 0.25 * record.resolution**2:
        rounding = 0.0  # readings that scatter over several steps of the display average its rounding away
    wander = _WANDER * max(record.resolution, _LEAST_STEP_KG) / float(t[-1] - t[0])
    close = np.abs(t - at) <= QUIET_S
    if close.sum() < 4:
        close = np.abs(t - at) <= np.sort(np.abs(t - at))[3]
    level = _Level(float(x[close].mean()), noise / int(close.sum()) + rounding, slope, 0.0, float(t[close].mean()))
    return level._replace(drift_variance=noise / power + 2.0 * wander**2)


def _alike(residual: Floats, squares: float) -> float:
    """By how much fewer readings these are worth, each being like its neighbour (Bayley and Hammersley, from memory)."""
    if squares <= 0.0:
        return 1.0
    like = min(max(float(residual[1:] @ residual[:-1]) / squares + 2.0 / len(residual), 0.0), 0.95)
    return (1.0 + like) / (1.0 - like)


def _rest(times: Floats, earliest: float, until: float, ends: Sequence[float]) -> float:
    """From when on a quiet stretch before `until` is looked at: since the last touch, where a few readings are left to show it."""
    since = earliest
    for end in sorted(ends):
        if earliest < end <= until and int(((times >= end) & (times <= until)).sum()) >= 4 and until - end >= 2.0:
            since = end
    return since


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
    record = clean(times, values, rules.fastest_kg_s, start, end)
    flow = _flow_ends(record, start, end)
    if flow is None and start is None:
        return None
    begin = start if start is not None else flow[0] if flow is not None else 0.0
    stopped = flow[1] if flow is not None else begin
    finish = end if end is not None else max(stopped, begin)
    falling = _flowing(record)
    silent = after_record(times, end, times[-1] if now_s is None else now_s, flowing=bool(falling[-3:].any()))
    flowing = end is None and flow is not None and silent is None and bool(falling[-3:].any())
    touched = [(one.start_s, one.end_s) for one in record.touches] + [(one.start_s, one.end_s) for one in record.doubts]
    touched += [(one.start_s, one.end_s) for one in record.silences if not one.confirmed]
    touched += [(float(times[first]), float(times[last])) for first, last in _runs(falling)]
    since = _rest(times, begin - _BEFORE_S, begin, [ended for _, ended in touched])
    before = _level(record, (since, begin), begin, rules.most_drift_kg_s)
    quiet = times[-1] if flowing else min(max(finish, min(stopped, finish + 10.0)), times[-1])
    until = -_rest(-times[::-1], -quiet - _AFTER_S, -quiet, [-began for began, _ in touched])
    after = _level(record, (quiet, until), quiet, rules.most_drift_kg_s)
    rose = _rise(times, values, begin - 5.0, end + 5.0 if end is not None else times[-1]) if start is not None else 0.0
    drift = _drift(before, after, rules)
    span = max(after.middle_s - before.middle_s, 0.0)
    fall = before.level - after.level + drift.rate * span
    variance = before.variance + after.variance + drift.variance * span**2 + scale_variance(channel, fall)
    below, above = drift.below * span + rules.hose.below_kg, drift.above * span
    touches = [one for one in record.touches if since < one.end_s and one.start_s < until]
    gaps = [one for one in record.silences if since < one.end_s and one.start_s < until]
    doubts = [one for one in record.doubts if begin <= one.end_s and one.start_s <= quiet]
    variance += sum(one.variance for one in touches) + sum(one.variance for one in gaps) + rules.hose.half_kg**2 / 3.0
    variance += (_UNSEEN * record.unseen_kg) ** 2 if flow is not None else 0.0
    ends = before_record(times, start, flowing=bool(falling[:3].any())), silent
    gaps += [gap for gap in ends if gap is not None]
    unknown = [(one.below_kg, one.above_kg) for some in (touches, doubts, gaps) for one in some]
    below += sum(less for less, _ in unknown)
    above += sum(more for _, more in unknown)
    swallowed = _swallowed(record, begin, finish, rules) if start is not None else 0.0
    above += swallowed
    rate = max(-float(steepness(record, _window_s(times))[-1]), 0.0) if flowing else 0.0
    return Charged(
        fall - rules.hose.kg,
        math.sqrt(variance),
        begin,
        finish,
        rate,
        flowing,
        record.touches,
        drift.rate,
        tuple(gaps),
        silent is not None,
        below_kg=below,
        above_kg=above,
        hose_kg=rules.hose.below_kg,
        passes_kg_s=drift.passes,
        rose_kg=rose,
        swallowed_kg=swallowed,
        doubts=tuple(doubts),
    )


def _swallowed(record: CleanRecord, start: float, end: float, rules: MassRules) -> float:
    """kg that a scale which zeroes itself may have swallowed: while it stands still between the marks it would show no trickle."""
    still = (steepness(record, _window_s(record.times)) > -_FLOW_KG_S) & _within(record.times, start, end)
    lengths = (float(record.times[last] - record.times[first]) for first, last in _runs(still))
    return rules.swallowed_kg_s * sum(max(length - rules.patience_s, 0.0) for length in lengths)


def _within(times: Floats, start: float, end: float) -> np.ndarray:
    inside: np.ndarray = (times >= start) & (times <= end)
    return inside


def _runs(chosen: np.ndarray) -> list[tuple[int, int]]:
    """First and last of each run of chosen readings."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], chosen, [False])).astype(int)))
    return [(int(first), int(end) - 1) for first, end in zip(edges[::2], edges[1::2], strict=True)]


def _rise(times: Floats, values: Floats, start: float, end: float) -> float:
    """kg by which the scale rose evenly for so long that it was no touch: it counts the other way round, or the tank was filled."""
    up = (slope_of(times, values, _window_s(times)) > 2.0 * _FLOW_KG_S) & _within(times, start, end)
    rose = 0.0
    for first, last in _runs(up):
        rise, span = float(values[last] - values[first]), float(times[last] - times[first])
        if span < _LONG_RISE_S or rise < _LEAST_CHARGE_KG:
            continue
        evenly = float(np.median(np.diff(values[first : last + 1]) / np.diff(times[first : last + 1])))
        rose += rise if evenly > 0.5 * rise / span else 0.0
    return rose


class _Drift(NamedTuple):
    """kg/s: what is taken off and its variance; what it may be less or more; `passes`: too fast for a scale that creeps."""

    rate: float = 0.0
    variance: float = 0.0
    below: float = 0.0
    above: float = 0.0
    passes: float = 0.0


def _drift(before: _Level, after: _Level, rules: MassRules) -> _Drift:
    """From both quiet stretches and what a scale at rest may do; a fall that is too fast for it is not taken off, but may have to be."""
    known = [
        one for one in (before, after) if one.drift_variance < math.inf and abs(one.drift) <= rules.most_drift_kg_s
    ]
    usual = (_USUAL_DRIFT * rules.at_rest_kg_s) ** 2
    weight = sum(1.0 / max(one.drift_variance, 1e-18) for one in known)
    slope = sum(one.drift / max(one.drift_variance, 1e-18) for one in known) / weight if known else 0.0
    plain = [one.drift for one in known if abs(one.drift) > 3.0 * math.sqrt(one.drift_variance)]
    fastest = max((*plain, slope if known and abs(slope) > 3.0 / math.sqrt(weight) else 0.0), key=abs, default=0.0)
    if abs(fastest) <= rules.at_rest_kg_s:
        return _Drift(slope * usual * weight / (1.0 + usual * weight), usual / (1.0 + usual * weight))
    every = [0.0, slope, *plain]
    return _Drift(0.0, 1.0 / weight, below=-min(every), above=max(every), passes=fastest)


def usual_scale() -> Channel:
    """A scale of which nothing is known."""
    unit = unit_for(Role.TANK_MASS, SI_UNIT[Quantity.MASS])
    return Channel("", Role.TANK_MASS, unit, Accuracy.parse(limit(f"instruments.{Role.TANK_MASS}"), unit=unit))


def scale_variance(channel: Channel | None, fall_kg: float) -> float:
    """Limits of error of the scale as a variance of the difference; those of a usual scale where none is known."""
    if channel is None:
        channel = usual_scale()
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
        below_kg=sum(one.below_kg for one in charges),
        above_kg=sum(one.above_kg for one in charges),
        hose_kg=sum(one.hose_kg for one in charges),
        swallowed_kg=sum(one.swallowed_kg for one in charges),
        rose_kg=sum(one.rose_kg for one in charges),
        passes_kg_s=max((one.passes_kg_s for one in charges), key=abs),
        doubts=tuple(doubt for one in charges for doubt in one.doubts),
        touches=tuple(touch for one in charges for touch in one.touches),
        silences=tuple(gap for one in charges for gap in one.silences),
    )
