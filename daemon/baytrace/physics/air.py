"""Humid air, by the real-gas formulation behind CoolProp's humid-air properties (ASHRAE RP-1485), and what a vent should blow.

Temperatures in K, pressures in Pa absolute, relative humidity 0 to 1, enthalpy in J per kg of dry air (zero at 0 degC, dry).
Below 0 degC the dew point is a frost point. Valid from -60 to 90 degC.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from baytrace.measure.faults import BadInput
from baytrace.measure.later import Later
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA

_humid = Later("CoolProp.HumidAirProp")


@dataclass(frozen=True, slots=True)
class Air:
    """`humidity_ratio` is kg of water per kg of dry air, `volume` m3 of humid air per kg of dry air."""

    temperature_k: float
    relative_humidity: float
    pressure_pa: float
    dew_point_k: float
    wet_bulb_k: float
    humidity_ratio: float
    enthalpy: float
    volume: float


def _property(name: str, first: tuple[str, float], second: tuple[str, float], pressure_pa: float) -> float:
    try:
        value = float(_humid.HAPropsSI(name, first[0], first[1], second[0], second[1], "P", pressure_pa))
    except ValueError as error:
        raise BadInput(
            f"no humid air at {first[0]}={first[1]:g}, {second[0]}={second[1]:g}, {pressure_pa:g} Pa", right=str(error)
        ) from None
    if not math.isfinite(value):
        raise BadInput(f"no humid air at {first[0]}={first[1]:g}, {second[0]}={second[1]:g}, {pressure_pa:g} Pa")
    return value


def _air(temperature_k: float, second: tuple[str, float], pressure_pa: float) -> Air:
    def get(name: str) -> float:
        return _property(name, ("T", temperature_k), second, pressure_pa)

    return Air(temperature_k, get("R"), pressure_pa, get("D"), get("B"), get("W"), get("H"), get("V"))


def humid_air(temperature_k: float, relative_humidity: float, pressure_pa: float = STANDARD_ATMOSPHERE_PA) -> Air:
    """Air from its temperature and relative humidity. Raises BadInput outside the range."""
    if not 213.15 <= temperature_k <= 363.15:
        raise BadInput(f"air at {temperature_k - 273.15:g} degC", right="-60 to 90 degC")
    if not 0.0 <= relative_humidity <= 1.0:
        raise BadInput(f"relative humidity {relative_humidity:g}", right="a share from 0 to 1")
    if not 1e4 <= pressure_pa <= 2e5:
        raise BadInput(f"air pressure {pressure_pa:g} Pa", right="10 to 200 kPa absolute")
    return _air(temperature_k, ("R", max(relative_humidity, 1e-4)), pressure_pa)


def humid_air_at_wet_bulb(temperature_k: float, wet_bulb_k: float, pressure_pa: float = STANDARD_ATMOSPHERE_PA) -> Air:
    """Air from a dry and a wet bulb. Raises BadInput when they contradict each other."""
    if wet_bulb_k > temperature_k:
        raise BadInput("the wet bulb is warmer than the dry bulb", right="check which is which")
    return _air(temperature_k, ("B", wet_bulb_k), pressure_pa)


def table_value(table: Sequence[Sequence[float]], column: float, row: float) -> float:
    """Bilinear interpolation, held constant beyond the edges.

    The table's first line is a corner (unused) and the column values; each further line a row value and its entries.
    Raises BadInput for a table that is not rectangular or not ascending.
    """
    if len(table) < 2 or len(table[0]) < 2 or any(len(line) != len(table[0]) for line in table):
        raise BadInput(
            "the table is not rectangular", right="first line: corner and columns; then row value and entries"
        )
    columns, rows = list(table[0][1:]), [line[0] for line in table[1:]]
    if sorted(columns) != columns or sorted(rows) != rows:
        raise BadInput("the table's columns and rows must ascend")
    left, across = _place(columns, column)
    top, down = _place(rows, row)
    right, bottom = min(left + 1, len(columns) - 1), min(top + 1, len(rows) - 1)
    upper = table[top + 1][left + 1] * (1 - across) + table[top + 1][right + 1] * across
    lower = table[bottom + 1][left + 1] * (1 - across) + table[bottom + 1][right + 1] * across
    return upper * (1 - down) + lower * down


def _place(grid: Sequence[float], value: float) -> tuple[int, float]:
    if value <= grid[0]:
        return 0, 0.0
    for index in range(len(grid) - 1):
        if value <= grid[index + 1]:
            return index, (value - grid[index]) / (grid[index + 1] - grid[index])
    return len(grid) - 1, 0.0
