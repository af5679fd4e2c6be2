"""The pattern's name, with doubt.

Acceptance and rejection are both guarded (JCGM 106:2012, 8.3.2 and 8.3.3): a side is `normal` only when its whole 95 % interval lies in
the usual range, `low` or `high` only when the whole of it lies beyond the widest that sound cars show. Between the two it is `near`
(the value outside the usual range, but sound cars may show it) or `coarse` (inside, but this gauge cannot tell).
"""

from __future__ import annotations

from dataclasses import dataclass

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
    """`word` is low, normal, high, near or coarse; `lean` is where the value lies: -1 at the usual range's lower end, 1 at its upper."""

    word: str
    lean: float
    beyond: bool = False
    """The whole interval lies outside the usual range, though perhaps not beyond the widest."""

    @property
    def out(self) -> bool:
        return self.word in ("low", "high")


def side_of(value: Value, expected: Range) -> Side:
    middle, half = 0.5 * (expected.low + expected.high), 0.5 * (expected.high - expected.low)
    lean = (value.value - middle) / half if half > 0.0 else float(value.value > middle) - float(value.value < middle)
    if value.low > expected.widest_high:
        return Side("high", lean, beyond=True)
    if value.high < expected.widest_low:
        return Side("low", lean, beyond=True)
    if expected.low <= value.low and value.high <= expected.high:
        return Side("normal", lean)
    beyond = value.low > expected.high or value.high < expected.low
    return Side("coarse" if expected.low <= value.value <= expected.high else "near", lean, beyond)


def name_of(low: Side, high: Side, customary: str = "") -> str:
    """The pattern by which way each side leans. A side in the usual range leans where the likeliest cause has it:
    `customary` is that cause's pattern, used when it agrees with every side that is beyond.
    """
    leans = [1 if side.lean > 0.0 else -1 for side in (low, high)]
    for name in (name for leaning, name in _NAMES.items() if name == customary and _agrees(leaning, (low, high))):
        return name
    return _NAMES[leans[0], leans[1]]


def _agrees(leaning: tuple[int, int], sides: tuple[Side, Side]) -> bool:
    return all(abs(side.lean) <= 1.0 or side.lean * lean > 0.0 for side, lean in zip(sides, leaning, strict=True))
