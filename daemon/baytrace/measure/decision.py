"""Saying yes or no to a limit when the value is uncertain. JCGM 106:2012.

Rules of this file:
- The guard band is `guard` standard uncertainties wide, on both sides of a limit. Inside it nothing is decided.
- The default, 1.96, means: pass or fail only when the whole 95 % interval lies on one side of the limit.
- A value on the far side of no limit passes; a watch without any limit must not ask here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from baytrace.measure.faults import BadInput
from baytrace.measure.uncertainty import K95
from baytrace.measure.verdict import Figure, Outcome

GUARD = K95


@dataclass(frozen=True, slots=True)
class Decision:
    """`limit` is the one nearest to the value, `probability` that the true value conforms to all limits given.

    `needed_u` is the standard uncertainty at which this same value would be decided; 0.0 when it sits on the limit.
    """

    outcome: Outcome
    limit: float
    probability: float
    needed_u: float


def conformance_probability(value: float, u: float, upper: float | None = None, lower: float | None = None) -> float:
    """Probability that the true value lies within the limits, for a normal distribution (JCGM 106, 7.2 to 7.4)."""
    if math.isinf(value) or u == 0.0:
        return float((upper is None or value <= upper) and (lower is None or value >= lower))
    below_upper = 1.0 if upper is None else _phi((upper - value) / u)
    below_lower = 0.0 if lower is None else _phi((lower - value) / u)
    return max(0.0, below_upper - below_lower)


def acceptance_limit(
    u: float, *, upper: float | None = None, lower: float | None = None, guard: float = GUARD
) -> float:
    """Where acceptance ends: the tolerance limit moved inwards by the guard band (JCGM 106, 8.3.2). One limit at a time."""
    if upper is not None and lower is None:
        return upper - guard * u
    if lower is not None and upper is None:
        return lower + guard * u
    raise BadInput("an acceptance limit is worked out for one tolerance limit", right="give either upper or lower")


def assess(
    value: float | Figure,
    u: float | None = None,
    *,
    upper: float | None = None,
    lower: float | None = None,
    guard: float = GUARD,
) -> Decision:
    """The decision with what is missing. A `Figure` without `u` brings its own interval, taken as 95 %.

    Raises BadInput for a value without uncertainty, no limit at all, or limits the wrong way round.
    """
    number, spread_below, spread_above = _spread(value, u)
    if upper is None and lower is None:
        raise BadInput("nothing can be decided without a limit", right="give upper, lower or both")
    if upper is not None and lower is not None and lower > upper:
        raise BadInput(f"the lower limit {lower:g} is above the upper limit {upper:g}")
    outcome = _outcome(number, guard * spread_below, guard * spread_above, upper, lower)
    limit = min((edge for edge in (upper, lower) if edge is not None), key=lambda edge: abs(edge - number))
    distance = abs(limit - number)
    needed = distance / guard if guard > 0.0 else math.inf
    return Decision(
        outcome, limit, conformance_probability(number, max(spread_below, spread_above), upper, lower), needed
    )


def decide(
    value: float | Figure,
    u: float | None = None,
    *,
    upper: float | None = None,
    lower: float | None = None,
    guard: float = GUARD,
) -> Outcome:
    """Pass, fail or undecided; see `assess`."""
    return assess(value, u, upper=upper, lower=lower, guard=guard).outcome


def worst(outcomes: list[Outcome]) -> Outcome:
    """One answer for several requirements: any fail fails, any doubt leaves the whole undecided; none asked is undecided."""
    if Outcome.FAIL in outcomes:
        return Outcome.FAIL
    return Outcome.PASS if outcomes and set(outcomes) == {Outcome.PASS} else Outcome.UNDECIDED


def _outcome(value: float, below: float, above: float, upper: float | None, lower: float | None) -> Outcome:
    over = upper is not None and value - below > upper
    under = lower is not None and value + above < lower
    if over or under:
        return Outcome.FAIL
    inside = (upper is None or value + above <= upper) and (lower is None or value - below >= lower)
    return Outcome.PASS if inside else Outcome.UNDECIDED


def _spread(value: float | Figure, u: float | None) -> tuple[float, float, float]:
    if u is not None:
        if not u >= 0.0:
            raise BadInput(f"a standard uncertainty of {u} is not one", right="it is 0 or more")
        return (value.value if isinstance(value, Figure) else value), u, u
    if not isinstance(value, Figure) or value.low is None or value.high is None:
        raise BadInput("a value without uncertainty decides nothing", right="give u, or a figure with its interval")
    return value.value, (value.value - value.low) / K95, (value.high - value.value) / K95


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
