"""How an outlook is told: as one time where that comes true within a factor of two, else from when to when."""

from __future__ import annotations

import math

from baytrace.measure.verdict import Figure
from baytrace.physics.outlook import Outlook
from baytrace.watches.limits_table import limit


def known_well(more: Outlook) -> bool:
    """Whether its middle may be told as the time it takes."""
    return more.sure >= float(limit("evacuation.forecast_sure"))


def time_left(more: Outlook | None, set_s: float) -> float | None:
    """Seconds to come when `set_s` of them are set and the evidence does not yet do; None when not known well."""
    if more is None or not (known_well(more) or more.high_s <= set_s):
        return None
    return max(set_s, more.middle_s)


def needed(more: Outlook) -> Figure | None:
    """The evidence, with the span that holds the decision with 90 %; None when not known well."""
    if not known_well(more):
        return None
    if math.isinf(more.high_s):
        return Figure(more.middle_s, "s")
    return Figure(more.middle_s, "s", more.low_s, more.high_s, 0.9)


def about(seconds: float) -> str:
    """A time nobody should read to the second."""
    if seconds < 90:
        return f"{max(round(seconds / 10) * 10, 10)} s"
    if seconds < 5400:
        return f"{round(seconds / 60)} min"
    return f"{seconds / 3600:.1f} h"


def further(more: Outlook, set_s: float = 0.0) -> str:
    """`about 6 min`, `2 min to 9 min` or `at least 2 min`; `set_s` are set anyway."""
    left = time_left(more, set_s)
    if left is not None:
        return f"about {about(left)}"
    low = about(max(more.low_s, set_s))
    return f"at least {low}" if math.isinf(more.high_s) else f"{low} to {about(more.high_s)}"
