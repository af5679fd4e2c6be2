"""Where water is: its saturation pressure over liquid and over ice.

Over liquid: IAPWS SR1-86(1992), the Wagner-Pruss saturation equation, 273.16 K to 647.096 K. Over ice, below the triple
point: IAPWS R14-08(2011), equation 6, 50 K to 273.16 K. A general property library extrapolates the liquid line below the
triple point without a word; what boils at 67 Pa is ice, so the two are kept apart here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

TRIPLE_POINT_K = 273.16
TRIPLE_POINT_PA = 611.657
_CRITICAL_K, _CRITICAL_PA = 647.096, 22.064e6
_LIQUID = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)
_ICE = ((-21.2144006, 0.00333333333), (27.3203819, 1.20666667), (-6.10598130, 1.70333333))
_LOWEST_K, _HIGHEST_K = 50.0, _CRITICAL_K

Floats = float | NDArray[np.float64]


def saturation_pressure(temperature_k: Floats) -> Any:
    """Pa over liquid, or over ice below the triple point, at K (float or array, same shape back).

    Raises ValueError outside 50 K to 647.096 K.
    """
    kelvin = np.asarray(temperature_k, dtype=float)
    if not np.all((kelvin >= _LOWEST_K) & (kelvin <= _HIGHEST_K)):
        raise ValueError(f"water's saturation pressure is known from {_LOWEST_K} to {_HIGHEST_K} K")
    warm = np.maximum(kelvin, TRIPLE_POINT_K)
    theta = 1.0 - warm / _CRITICAL_K
    liquid = _CRITICAL_PA * np.exp(_CRITICAL_K / warm * sum(a * theta**n for a, n in _LIQUID))
    ratio = np.minimum(kelvin, TRIPLE_POINT_K) / TRIPLE_POINT_K
    ice = TRIPLE_POINT_PA * np.exp(sum(a * ratio**n for a, n in _ICE) / ratio)
    pressure = np.where(kelvin >= TRIPLE_POINT_K, liquid, ice)
    return float(pressure) if pressure.ndim == 0 else pressure


def saturation_temperature(pressure_pa: float) -> float:
    """K at which water boils, or ice sublimes below the triple point, at Pa. Raises ValueError outside 1e-6 Pa to 22 MPa."""
    if not 1e-6 <= pressure_pa <= 22.0e6:
        raise ValueError("water's saturation temperature is asked for between 1e-6 Pa and 22 MPa")
    low, high = 100.0, _CRITICAL_K
    for _ in range(60):
        middle = 0.5 * (low + high)
        if saturation_pressure(middle) < pressure_pa:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def sensitivity(temperature_k: float) -> float:
    """How fast saturation follows temperature: d ln p / dT in 1/K (about 0.06 at room temperature)."""
    step = 0.05
    return float(
        np.log(saturation_pressure(temperature_k + step) / saturation_pressure(temperature_k - step)) / (2 * step)
    )


def is_ice(pressure_pa: float) -> bool:
    """Whether condensed water at this pressure is ice."""
    return pressure_pa < TRIPLE_POINT_PA
