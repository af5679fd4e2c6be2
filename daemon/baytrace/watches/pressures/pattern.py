"""The pattern's name, with doubt.

The ranges are rules of thumb, so acceptance is simple and rejection guarded (JCGM 106:2012, 8.2 and 8.3.3): a side is `low` or
`high` only when its whole 95 % interval lies outside the range; it is `normal` when its value lies inside and the whole
interval inside the wider range; else it is `near` (outside, but not for certain) or `coarse` (the gauge cannot tell).
"""

from __future__ import annotations

from dataclasses import dataclass

from baytrace.measure.uncertainty import K95
from baytrace.measure.verdict import Outcome
from baytrace.watches.pressures.expect import Range
from baytrace.watches.running.figures import Value

NORMAL, BOTH_HIGH, BOTH_LOW = "normal", "both high", "both low"
LOW_HIGH_HIGH_LOW, LOW_LOW_HIGH_HIGH = "low high and high low", "low low and high high"
UNDECIDED = "undecided"
_NAMES = {
    (1, 1): BOTH_HIGH,
    (-1, -1): BOTH_LOW,
    (1, -1): LOW_HIGH_HIGH_LOW,
    (-1, 1): LOW_LOW_HIGH_HIGH,
}


@dataclass(frozen=True, slots=True)
class Side:
    """`word` is low, normal, high, near or coarse; `lean` is where the value lies: -1 at the range's lower end, 1 at its upper."""

    word: str
    lean: float

    @property
    def out(self) -> bool:
        return self.word in ("low", "high")


def side_of(value: Value, expected: Range) -> Side:
    low, high = value.value - K95 * value.u, value.value + K95 * value.u
    lean = (value.value - 0.5 * (expected.low + expected.high)) / (0.5 * (expected.high - expected.low))
    if low > expected.high:
        return Side("high", lean)
    if high < expected.low:
        return Side("low", lean)
    if abs(lean) > 1.0:
        return Side("near", lean)
    if low < expected.outer_low or high > expected.outer_high:
        return Side("coarse", lean)
    return Side("normal", lean)


def pattern_of(low: Side, high: Side) -> tuple[Outcome, str]:
    """One side out of its range for certain is a fault; the other side's lean then gives the pattern its name."""
    if low.out or high.out:
        return Outcome.FAIL, _NAMES[1 if low.lean > 0.0 else -1, 1 if high.lean > 0.0 else -1]
    if low.word == high.word == "normal":
        return Outcome.PASS, NORMAL
    return Outcome.UNDECIDED, UNDECIDED
