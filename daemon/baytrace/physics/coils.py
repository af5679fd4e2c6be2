"""Winding resistance: referred to another temperature, freed of leads, and compared within a bank.

Copper (IEC 60028:1925): annealed copper of standard resistivity has a temperature coefficient of 0.00393 per kelvin at
20 degC, constant mass, and resistance is a straight line in temperature. Taken as valid here from -50 to 180 degC (winding
practice; from memory). Winding wire is found between 0.00393 and 0.00396 (the rule 234.5 gives 0.0039293, 235 gives 0.0039216),
so the coefficient itself is uncertain by `COPPER_ALPHA_U`. Other metals only with a coefficient of their own.

The odd one out: each coil is held against the median of the *others*, as a ratio, so a temperature all share cancels. It
is odd when its ratio is further from 1 than `times` robust standard deviations of the others (their scaled median absolute
deviation, never less than what comparing two coils on this meter is uncertain by), and further than a least ratio that
matters. With three coils the others are two; their median is their mean, and nothing is odd unless they agree themselves.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from baytrace.measure.faults import BadInput

COPPER_ALPHA_20 = 0.003_93
"""Per kelvin at 20 degC. IEC 60028:1925."""
COPPER_ALPHA_U = 0.000_02 / math.sqrt(3.0)
"""Rectangular over the half-width 0.00002 that holds the trade's rules for winding wire (see above)."""
COPPER_VALID_DEGC = (-50.0, 180.0)
_NORMAL_MAD = 1.482_602
"""Median absolute deviation to standard deviation for a normal distribution (1 / 0.674490)."""


@dataclass(frozen=True, slots=True)
class Referred:
    """A resistance at the reference temperature, and what it inherits, each as a standard uncertainty in ohm."""

    ohm: float
    factor: float
    """d(referred)/d(measured)."""
    from_temperature: float
    from_coefficient: float


def refer(
    ohm: float,
    celsius: float,
    reference_c: float = 20.0,
    *,
    u_celsius: float = 0.0,
    alpha_20: float = COPPER_ALPHA_20,
    u_alpha: float = COPPER_ALPHA_U,
) -> Referred:
    """`R_ref = R (1 + a (t_ref - 20)) / (1 + a (t - 20))`, t in degC, with its first-order derivatives.

    Raises BadInput outside the range copper's line is good for.
    """
    low, high = COPPER_VALID_DEGC
    for name, value in (("coil temperature", celsius), ("reference temperature", reference_c)):
        if not low <= value <= high:
            raise BadInput(f"{name} {value:g} degC is outside {low:g} to {high:g} degC", where="coil resistance")
    below = 1.0 + alpha_20 * (celsius - 20.0)
    above = 1.0 + alpha_20 * (reference_c - 20.0)
    factor = above / below
    per_kelvin = -ohm * factor * alpha_20 / below
    per_alpha = ohm * (reference_c - celsius) / (below * below)
    return Referred(ohm * factor, factor, abs(per_kelvin) * u_celsius, abs(per_alpha) * u_alpha)


def winding_temperature(cold_ohm: float, cold_c: float, hot_ohm: float, alpha_20: float = COPPER_ALPHA_20) -> float:
    """Mean winding temperature in degC by the resistance method (as IEC 60034-1, with 1/alpha - 20 for its 235)."""
    zero = 1.0 / alpha_20 - 20.0
    return hot_ohm / cold_ohm * (zero + cold_c) - zero


@dataclass(frozen=True, slots=True)
class Against:
    """One coil against the others: `ratio` to their median, `deviations` how many robust standard deviations off."""

    ratio: float
    deviations: float
    odd: bool


def odd_ones(
    ohms: Sequence[float], u_compare: float, *, times: float = 4.0, least_ratio: float = 0.03
) -> list[Against]:
    """Each coil against the others; nothing is odd below three. `u_compare` is in ohm, without what all coils share."""
    found = []
    for index, ohm in enumerate(ohms):
        others = [other for place, other in enumerate(ohms) if place != index]
        if len(others) < 2:
            found.append(Against(1.0, 0.0, odd=False))
            continue
        middle = statistics.median(others)
        # the median of few values is itself uncertain: pi/2 times the variance of a mean
        own = math.sqrt(1.0 + math.pi / 2.0 / len(others))
        scatter = max(_NORMAL_MAD * _mad(others, middle), u_compare) * own
        off = abs(ohm - middle)
        deviations = off / scatter if scatter > 0.0 else (math.inf if off else 0.0)
        ratio = ohm / middle if middle > 0.0 else 1.0
        found.append(Against(ratio, deviations, odd=deviations > times and abs(ratio - 1.0) > least_ratio))
    return found


def _mad(values: Sequence[float], middle: float) -> float:
    """Widened by n/(n - 0.8) for few values (Croux and Rousseeuw 1992, from memory); of two, what makes their standard deviation."""
    mad = statistics.median(abs(value - middle) for value in values)
    if len(values) == 2:
        return mad * math.sqrt(2.0) / _NORMAL_MAD
    return mad * len(values) / (len(values) - 0.8)
