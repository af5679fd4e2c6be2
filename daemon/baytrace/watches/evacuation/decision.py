"""What a fitted hold means: JCGM 106 with the whole 95 % interval as the guard.

Tight needs both: the whole interval of the rate below its limit, and vapour excluded at its limit. A leak or moisture is
found only when the whole interval of its figure lies above the limit, a leak by half an interval more: calling water a
leak tears down a sound joint. Anything else is undecided.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from baytrace.physics.pressure_rise import Estimate


class Cause(StrEnum):
    TIGHT = "tight"
    LEAK = "leak"
    MOISTURE = "moisture"
    LEAK_AND_MOISTURE = "leak and moisture"
    UNDECIDED = "undecided"

    @property
    def bad(self) -> bool:
        return self in (Cause.LEAK, Cause.MOISTURE, Cause.LEAK_AND_MOISTURE)


class Limits(NamedTuple):
    """Pa/s and Pa; `guard` is the guard band of a leak in half-widths of its interval (JCGM 106, 8.3). `leak`: the rate above which it is a leak
    whatever the volume; 0 where that is `rate` itself.
    """

    rate: float
    vapour: float
    guard: float = 1.0
    leak: float = 0.0


class Against(NamedTuple):
    """How the two figures stand against their limits: below, above, or across (neither)."""

    rate: str
    vapour: str


def compare(rate: Estimate, vapour: Estimate, vapour_soon_high: float, limits: Limits) -> Against:
    surely = rate.value - limits.guard * (rate.value - rate.low)
    of_rate = "above" if surely > max(limits.rate, limits.leak) else "below" if rate.high < limits.rate else "across"
    of_vapour = "above" if vapour.low > limits.vapour else "below" if vapour_soon_high < limits.vapour else "across"
    return Against(of_rate, of_vapour)


def cause(stand: Against) -> Cause:
    match stand:
        case ("above", "above"):
            return Cause.LEAK_AND_MOISTURE
        case ("above", _):
            return Cause.LEAK
        case (_, "above"):
            return Cause.MOISTURE
        case ("below", "below"):
            return Cause.TIGHT
        case _:
            return Cause.UNDECIDED
