"""Humid air at the coil: ideal-gas enthalpy, saturation humidity from the real-gas formulation as a table.

Enthalpy per kg of dry air in J, zero for dry air at 0 degC: h = 1006 t + W (2 501 000 + 1860 t), t in degC (ASHRAE
Fundamentals, psychrometrics chapter).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from baytrace.measure.faults import BadInput
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA
from baytrace.physics.air import humid_air

GAS_CONSTANT, HEAT_CAPACITY, WATER_HEAT_CAPACITY = 287.05, 1006.0, 4186.0
_LOWEST_K, _HIGHEST_K = 233.15, 353.15


@dataclass(frozen=True, slots=True)
class Air:
    """The day's air: K, share from 0 to 1, Pa absolute."""

    temperature_k: float
    relative_humidity: float
    pressure_pa: float = STANDARD_ATMOSPHERE_PA

    def __post_init__(self) -> None:
        if not 253.15 <= self.temperature_k <= 328.15:
            raise BadInput(f"the loop's air is {self.temperature_k - 273.15:g} degC", right="-20 to 55 degC")
        humid_air(self.temperature_k, self.relative_humidity, self.pressure_pa)

    @property
    def humidity_ratio(self) -> float:
        """kg of water per kg of dry air."""
        return humid_air(self.temperature_k, self.relative_humidity, self.pressure_pa).humidity_ratio

    @property
    def density(self) -> float:
        """kg of dry air per m3 of humid air."""
        return 1.0 / humid_air(self.temperature_k, self.relative_humidity, self.pressure_pa).volume


def enthalpy(temperature_k: float, humidity_ratio: float) -> float:
    celsius = temperature_k - 273.15
    return HEAT_CAPACITY * celsius + humidity_ratio * (2_501_000.0 + 1860.0 * celsius)


def temperature_of(enthalpy_j: float, humidity_ratio: float) -> float:
    """K of air with that enthalpy and humidity ratio."""
    return 273.15 + (enthalpy_j - humidity_ratio * 2_501_000.0) / (HEAT_CAPACITY + humidity_ratio * 1860.0)


@lru_cache(maxsize=64)
def saturation_humidity(pressure_pa: float) -> tuple[float, ...]:
    """Humidity ratio of saturated air at every whole K from 233.15 K to 353.15 K."""
    count = int(_HIGHEST_K - _LOWEST_K) + 1
    return tuple(humid_air(_LOWEST_K + index, 1.0, pressure_pa).humidity_ratio for index in range(count))


def humidity_at(table: tuple[float, ...], temperature_k: float) -> tuple[float, float]:
    """Saturated humidity ratio and its slope per K."""
    place = temperature_k - _LOWEST_K
    index = min(max(int(place), 0), len(table) - 2)
    slope = table[index + 1] - table[index]
    return table[index] + slope * (place - index), slope
