"""Blind spots: the smallest fault of each cause that these channels, their uncertainties and this day would have shown.

Shown is what passes the point that 5 % of sound cars pass; the smallest strength is the one of which 95 % pass it, and every
larger one too (`evidence.py`). Between the strengths of the ensemble the share is interpolated as a normal quantile. What was
read does not matter, but which signs were there and how well. Deterministic: the draws are fixed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Any

from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import CAUSES, Day, fault_of
from baytrace.watches.pressures.evidence import Comparison, comparable, comparison
from baytrace.watches.pressures.likelihood import not_judged
from baytrace.watches.running.figures import Value

_UNIT = "%"


@dataclass(frozen=True, slots=True)
class Blind:
    """Strengths in %; `smallest` None: no strength up to `most`, the largest of the ensemble, would have shown."""

    cause: str
    smallest: float | None
    most: float

    def to_json(self) -> dict[str, Any]:
        name, value = ("most", self.most) if self.smallest is None else ("smallest", self.smallest)
        return {"cause": self.cause, name: {"value": value, "unit": _UNIT}}

    def sentence(self) -> str:
        if self.smallest is None:
            return f"would not have shown {fault_of(self.cause, self.most)}"
        return f"would have shown {fault_of(self.cause, self.smallest)}"


def blind_spots(signs: Mapping[str, Value], day: Day, refrigerant: str) -> tuple[Blind, ...]:
    """One for each cause; none where nothing can be said. Raises BadInput for an unknown refrigerant."""
    if not_judged(refrigerant, day) or not comparable(signs, refrigerant):
        return ()
    return spots(comparison(signs, day, refrigerant))


@lru_cache(maxsize=64)
def spots(beside: Comparison) -> tuple[Blind, ...]:
    """The blind spots of a comparison."""
    return tuple(_spot(beside, cause) for cause in CAUSES if any(state.cause == cause for state in beside.states))


def _spot(beside: Comparison, cause: str) -> Blind:
    strengths = sorted({state.strength for state in beside.states if state.cause == cause})
    wanted, most = 1.0 - limit("pressures.misses"), strengths[-1]
    last: tuple[float, float] | None = None
    for strength in reversed(strengths):
        share = beside.shown(cause, strength)
        if share < wanted:
            return Blind(cause, None if last is None else _between((strength, share), last, wanted), most)
        last = (strength, share)
    assert last is not None
    return Blind(cause, _between((0.0, limit("pressures.false_alarms")), last, wanted), most)


def _between(under: tuple[float, float], over: tuple[float, float], wanted: float) -> float:
    """The strength of which the share `wanted` is shown, between two strengths with their shares."""
    (low, less), (high, more) = under, over
    start, end, aim = (NormalDist().inv_cdf(min(max(share, 1e-4), 1.0 - 1e-4)) for share in (less, more, wanted))
    return low + (high - low) * (aim - start) / (end - start) if end > start else high
