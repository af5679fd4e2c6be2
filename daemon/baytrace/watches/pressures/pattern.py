"""The pattern's name, with doubt.

The ranges are rules of thumb, so acceptance is simple and rejection guarded (JCGM 106:2012, 8.2 and 8.3.3): a side is `low` or
`high` only when its whole 95 % interval lies outside the range; it is `normal` when its value lies inside and the whole
interval inside the wider range; cars differ, so the range of sound cars is wider than the rule of thumb. Between the two
the other signs decide (see the watch). Else it is `near` (outside, but not for certain) or `coarse` (the gauge cannot tell).
"""

from __future__ import annotations

from dataclasses import dataclass

from baytrace.measure.uncertainty import K95
from baytrace.measure.verdict import Outcome
from baytrace.watches.pressures.expect import Range
from baytrace.watches.running.figures import Value

NORMAL, BOTH_HIGH, BOTH_LOW = "normal", "both high", "both low"
LOW_HIGH_HIGH_LOW, LOW_LOW_HIGH_HIGH = "low high and high low", "low low and high high"
NO_PUMPING, UNDECIDED = "no pumping", "undecided"
_NAMES = {
    (1, 1): BOTH_HIGH,
    (-1, -1): BOTH_LOW,
    (1, -1): LOW_HIGH_HIGH_LOW,
    (-1, 1): LOW_LOW_HIGH_HIGH,
}


@dataclass(frozen=True, slots=True)
class Side:
    """`word` is low, normal, high, near or coarse; `lean` is where the value lies: -1 at the
    rule's lower end, 1 at its upper.
    """

    word: str
    lean: float
    breaks_rule: bool = False
    """The whole interval lies outside the rule of thumb's own range."""

    @property
    def out(self) -> bool:
        return self.word in ("low", "high")


def side_of(value: Value, expected: Range) -> Side:
    low, high = value.value - K95 * value.u, value.value + K95 * value.u
    middle, half = 0.5 * (expected.rule_low + expected.rule_high), 0.5 * (expected.rule_high - expected.rule_low)
    lean = (value.value - middle) / half
    breaks = low > expected.rule_high or high < expected.rule_low
    if low > expected.high:
        return Side("high", lean, breaks)
    if high < expected.low:
        return Side("low", lean, breaks)
    if not expected.low <= value.value <= expected.high:
        return Side("near", lean, breaks)
    if low < expected.outer_low or high > expected.outer_high:
        return Side("coarse", lean, breaks)
    return Side("normal", lean, breaks)


def name_of(low: Side, high: Side, customary: str = "") -> str:
    """The pattern by which way each side leans. A side within the rule of thumb leans where the likeliest cause has it:
    `customary` is that cause's pattern, used when it agrees with every side that broke the rule.
    """
    leans = [1 if side.lean > 0.0 else -1 for side in (low, high)]
    for name in (name for leaning, name in _NAMES.items() if name == customary and _agrees(leaning, (low, high))):
        return name
    return _NAMES[leans[0], leans[1]]


def _agrees(leaning: tuple[int, int], sides: tuple[Side, Side]) -> bool:
    return all(abs(side.lean) <= 1.0 or side.lean * lean > 0.0 for side, lean in zip(sides, leaning, strict=True))


def pattern_of(low: Side, high: Side, customary: str = "") -> tuple[Outcome, str]:
    """One side out of its range for certain is a fault; the other side's lean then gives the pattern its name."""
    if low.out or high.out:
        return Outcome.FAIL, name_of(low, high, customary)
    if low.word == high.word == "normal":
        return Outcome.PASS, NORMAL
    return Outcome.UNDECIDED, UNDECIDED
