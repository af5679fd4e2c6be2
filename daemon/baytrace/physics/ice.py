"""Sublimation curve of water ice. IAPWS R14-08(2011), Revised Release on the Pressure along the Melting and Sublimation
Curves of Ordinary Water Substance, equation (6), valid from 50 K to the triple point; coefficients as published there.
"""

from __future__ import annotations

import math

from scipy.optimize import brentq

from baytrace.measure.faults import BadInput

TRIPLE_TEMPERATURE_K = 273.16
TRIPLE_PRESSURE_PA = 611.657
_A = (-0.212_144_006e2, 0.273_203_819e2, -0.610_598_130e1)
_B = (0.333_333_333e-2, 0.120_666_667e1, 0.170_333_333e1)


def sublimation_pressure(temperature_k: float) -> float:
    """Pa over ice at 50 to 273.16 K. Raises BadInput outside."""
    if not 50.0 <= temperature_k <= TRIPLE_TEMPERATURE_K:
        raise BadInput(f"{temperature_k:g} K is outside the sublimation curve of ice", right="50 to 273.16 K")
    theta = temperature_k / TRIPLE_TEMPERATURE_K
    total = math.fsum(a * theta**b for a, b in zip(_A, _B, strict=True))
    return TRIPLE_PRESSURE_PA * math.exp(total / theta)


def sublimation_temperature(pressure_pa: float) -> float:
    """K at which ice and vapour of `pressure_pa` are in equilibrium. Raises BadInput above the triple point."""
    if not 1e-30 <= pressure_pa <= TRIPLE_PRESSURE_PA:
        raise BadInput(f"{pressure_pa:g} Pa is outside the sublimation curve of ice", right="up to 611.657 Pa")
    start, end = 50.0, TRIPLE_TEMPERATURE_K
    return float(brentq(lambda t: math.log(sublimation_pressure(t) / pressure_pa), start, end, xtol=1e-9))
