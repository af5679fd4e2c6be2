"""Temperature probes: Pt100 resistance and type K voltage, both ways.

Pt100: Callendar-Van Dusen with the coefficients of IEC 60751:2008/2022, -200 to 850 degC.
Type K: reference function of NIST ITS-90 (Monograph 175) = IEC 60584-1:2013, -270 to 1372 degC, coefficients from memory and
held to published values by tests; the inverse is solved from the function itself, not from the approximate inverse polynomial.
A thermocouple measures a difference: `E(T) = E_measured + E(T_reference junction)`; temperatures are never added.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from baytrace.measure.faults import BadInput

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
PT100_RANGE = (-200.0, 850.0)
TYPE_K_RANGE = (-270.0, 1372.0)
_K_BELOW = (
    0.0,
    0.394501280250e-1,
    0.236223735980e-4,
    -0.328589067840e-6,
    -0.499048287770e-8,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE = (
    -0.176004136860e-1,
    0.389212049750e-1,
    0.185587700320e-4,
    -0.994575928740e-7,
    0.318409457190e-9,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_EXP = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)


def pt100_ohm(celsius: float, r0: float = 100.0) -> float:
    """Raises BadInput outside -200 to 850 degC."""
    _within(celsius, PT100_RANGE, "Pt100")
    ohm = 1.0 + _A * celsius + _B * celsius * celsius
    if celsius < 0.0:
        ohm += _C * (celsius - 100.0) * celsius**3
    return r0 * ohm


def pt100_celsius(ohm: float, r0: float = 100.0) -> float:
    """Raises BadInput outside the resistances of -200 to 850 degC."""
    ratio = ohm / r0
    if ratio >= 1.0:
        inside = _A * _A - 4.0 * _B * (1.0 - ratio)
        celsius = (-_A + math.sqrt(inside)) / (2.0 * _B) if inside >= 0.0 else math.inf
        _within(celsius, PT100_RANGE, "Pt100")
        return celsius
    return _solve(lambda t: pt100_ohm(t, r0), ohm, PT100_RANGE[0], 0.0, "Pt100")


def type_k_millivolt(celsius: float) -> float:
    """Against a reference junction at 0 degC. Raises BadInput outside -270 to 1372 degC."""
    _within(celsius, TYPE_K_RANGE, "type K")
    if celsius < 0.0:
        return _polynomial(_K_BELOW, celsius)
    a0, a1, a2 = _K_EXP
    return _polynomial(_K_ABOVE, celsius) + a0 * math.exp(a1 * (celsius - a2) ** 2)


def type_k_celsius(millivolt: float, reference_junction_c: float = 0.0) -> float:
    """Raises BadInput outside the voltages of -270 to 1372 degC."""
    total = millivolt + type_k_millivolt(reference_junction_c)
    return _solve(type_k_millivolt, total, *TYPE_K_RANGE, "type K")


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _within(celsius: float, limits: tuple[float, float], what: str) -> None:
    if not limits[0] <= celsius <= limits[1]:
        raise BadInput(f"{celsius:g} degC is outside {what}'s {limits[0]:g} to {limits[1]:g} degC")


def _solve(function: Callable[[float], float], wanted: float, low: float, high: float, what: str) -> float:
    """Halving on a rising function, to 1e-9 degC."""
    if not function(low) <= wanted <= function(high):
        raise BadInput(
            f"{wanted:g} is no value a {what} can have", right=f"{function(low):.4g} to {function(high):.4g}"
        )
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < wanted else (low, middle)
        if middle in (low, high) and high - low < 1e-12 * max(1.0, abs(middle)):
            break
    return 0.5 * (low + high)
