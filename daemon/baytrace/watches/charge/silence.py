"""Gaps in the tank scale's record: what may have gone in while it said nothing, and how far a verdict may rest on that.

A scale does not forget: if nobody touched the tank, what it shows less after a gap is what went in meanwhile. Whether somebody
touched it can be told only from the flow beside the gap:

- The flow on both sides explains the fall: it is counted, a little less surely than a fall that was seen.
- The fall is possible (a valve opened or shut meanwhile) but the flow does not confirm it: it is counted, and a range is kept of
  what it may be if the tank was touched.
- The scale shows more after the gap, or less than refrigerant can leave in the time: the tank was touched. What the flow beside
  leads to stands in its place, and no verdict rests on it.

kg and seconds; flows in kg/s, falling is negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from baytrace.physics.cycles import Floats

COARSE_S = 2.5  # beyond this between readings, a short opening of the valve can hide in one step
_PERIODS = 2.5  # and beyond so many usual periods it is a gap
_LIKE = 0.4  # share of the quicker flow that the slower one has at least, where one flow goes on
_ALIKE = (
    0.15  # share of the quicker flow by which the slower one may differ where nothing speaks for a valve being worked
)
_QUICKER = (
    4.0  # times the flow beside a gap: one that began within it may have been so much quicker, the tank being warmer
)
_UNSEEN = 0.3  # share of the smallest touch that is seen: evenly within half of it, an unseen one may lie
_QUIET_S = 10.0  # readings of different instruments arrive one after the other: this long is no silence at the end


@dataclass(frozen=True, slots=True)
class Silence:
    """`fall_kg` is counted for it; if the tank was touched meanwhile it was between `low_kg` and `high_kg`. `sound`: a verdict
    may rest on the counted fall; `confirmed`: the flow on both sides explains it. `moved_kg` is what later readings are moved by.
    """

    start_s: float
    end_s: float
    fall_kg: float
    low_kg: float
    high_kg: float
    sound: bool = True
    confirmed: bool = True
    moved_kg: float = 0.0
    variance: float = 0.0

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s

    @property
    def below_kg(self) -> float:
        """By how much less went in, if the tank was touched meanwhile."""
        return max(self.fall_kg - self.low_kg, 0.0)

    @property
    def above_kg(self) -> float:
        """By how much more."""
        return max(self.high_kg - self.fall_kg, 0.0)

    @property
    def unseen(self) -> bool:
        """The record ends or begins with it: what went in was never shown."""
        return math.isinf(self.high_kg)


@dataclass(frozen=True, slots=True)
class Beside:
    """The record beside a gap: levels carried to its edges, the slowest and quickest flow either side (falling is negative), the
    standard uncertainty of these flows, and of one reading; for `open_s` seconds of it the valve may have been open; `steady`: neither
    flow is changing where it meets the gap.
    """

    left_kg: float
    right_kg: float
    slow: float
    quick: float
    u_flow: float
    scatter: float
    open_s: float
    steady: bool


def gap_length(times: Floats) -> float:
    """Seconds between two readings beyond which they have a gap between them."""
    return max(COARSE_S, _PERIODS * float(np.median(np.diff(times))))


def weigh(start_s: float, end_s: float, beside: Beside, threshold: float, fastest: float) -> Silence:
    """One gap between two readings. `threshold` (kg): the smallest touch that is seen; `fastest` (kg/s): no flow is quicker."""
    span = beside.open_s
    fall = beside.left_kg - beside.right_kg
    slow, quick = max(-beside.slow, 0.0) * span, max(-beside.quick, 0.0) * span
    slack = threshold + 2.0 * beside.u_flow * span
    variance, most = beside.scatter**2, fastest * span
    if quick < threshold and abs(fall) <= threshold:
        return Silence(start_s, end_s, fall, fall, fall, variance=variance)
    variance += (_UNSEEN * threshold) ** 2
    if fall < -threshold or fall > fastest * span + threshold:
        guess = 0.5 * (slow + quick)
        touched = Silence(start_s, end_s, guess, 0.0, most, sound=False, confirmed=False)
        return replace(touched, moved_kg=guess - fall, variance=variance)
    off, spread = abs(fall - 0.5 * (slow + quick)), quick - slow
    hidden = min(0.5 * spread, slack) + slack
    if slow >= _LIKE * quick:  # a tapering flow falls nearly along a straight line
        hidden = spread / 6.0 + slack
    if off <= hidden and (slow >= _LIKE * quick or spread <= 2.0 * slack):
        if spread <= max(4.0 * beside.u_flow * span, _ALIKE * quick):
            return Silence(start_s, end_s, fall, fall, fall, variance=variance)
        if beside.steady and slow >= _LIKE * quick:
            return Silence(start_s, end_s, fall, max(fall - hidden, 0.0), fall + hidden, variance=variance)
        # confirmed is not certain: a flow that began or ended beside the gap looks like a tapering one
        edge = 2.0 * beside.u_flow * span  # a touch too small to be seen is in the variance
        low, high = min(fall, slow) - edge, max(fall, quick) + edge
        return Silence(start_s, end_s, fall, max(low, 0.0), high, variance=variance)
    low = max(slow - slack, 0.0) if fall >= slow - slack else 0.0
    high = min(_QUICKER * quick + slack, most) if fall <= quick + slack else most
    return Silence(start_s, end_s, fall, min(low, fall), max(high, fall), confirmed=False, variance=variance)


def before_record(times: Floats, start: float | None, *, flowing: bool) -> Silence | None:
    """Nothing was read when charging began: its mark is older than the first reading, or the record begins in full flow."""
    begun = start if start is not None else float(times[0])
    marked = start is not None and times[0] - begun > gap_length(times)
    if not marked and not (start is None and flowing):
        return None
    return Silence(begun, float(times[0]), 0.0, 0.0, math.inf, confirmed=False, sound=not (marked and flowing))


def after_record(times: Floats, end: float | None, now_s: float, *, flowing: bool) -> Silence | None:
    """The scale fell silent before the charge was over, and has said nothing since."""
    last = float(times[-1])
    if now_s - last <= max(_QUIET_S, gap_length(times)):
        return None
    if flowing or (end is not None and end - last > gap_length(times)):
        return Silence(
            last, now_s if end is None else max(end, last), 0.0, 0.0, math.inf, confirmed=False, sound=not flowing
        )
    return None
