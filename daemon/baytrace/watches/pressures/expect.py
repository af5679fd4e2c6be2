"""What the two pressures are in sound cars, for this refrigerant and this day's air.

Sound cars differ by far more than instruments do. Two ranges stand in `defaults/pressures.toml`, by the ambient: the usual one,
which nine in ten sound cars of each loop model keep and the published tables lie in, and the widest, beyond which no sound
car of any was seen. A pass needs the usual range, a fail the widest. They are temperatures (evaporating, and condensing above the
ambient), so they hold for every refrigerant that condenses, and are turned into pressures of the one at hand. Above the
critical point the high side is expected by pressure. What is not known widens: an ambient with its interval counts with both ends, an
unknown one with every day there is, an unnamed refrigerant with each that cars usually carry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from baytrace.measure.faults import BadInput
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, parse_unit
from baytrace.physics.air import humid_air
from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import saturation
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.figures import ZERO_C_K, Value, usual_fluids

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Range:
    """Pa absolute. The whole interval within `low` to `high` is usual; wholly beyond the widest no sound car is."""

    low: float
    high: float
    widest_low: float
    widest_high: float


@dataclass(frozen=True, slots=True)
class Expected:
    """`ambient_known` is False when the ranges are those of every day there is."""

    low_side: Range
    high_side: Range
    ambient_known: bool


def expected(fluid: Fluid, settings: PressuresSettings, ambient: Value | None, humidity: float | None) -> Expected:
    """Ranges for the air given (K, share); the settings' own ranges are taken as they are."""
    airs = _airs(ambient)
    fluids = [fluid, *(other for other in usual_fluids(settings) if other.key != fluid.key)]
    each = [(one, celsius) for one in fluids for celsius in airs]
    low = _together([_low_side(one, celsius) for one, celsius in each], known=ambient is not None)
    high = _together([_high_side(one, celsius, humidity) for one, celsius in each], known=ambient is not None)
    return Expected(
        _own(low, settings.low_min_psi, settings.low_max_psi),
        _own(high, settings.high_min_psi, settings.high_max_psi),
        ambient is not None,
    )


def _airs(ambient: Value | None) -> list[float]:
    """The ambients (degC) that there may have been: the ends of the interval and what lies between of the tables."""
    days: list[float] = [row[0] for row in limit("pressures.condensing_usual")]
    if ambient is None:
        return days
    low, high = ambient.low - ZERO_C_K, ambient.high - ZERO_C_K
    return [low, ambient.value - ZERO_C_K, high, *(day for day in days if low < day < high)]


def _together(ranges: Sequence[Range], *, known: bool) -> Range:
    """Usual in all of them (in any, where the ambient is not known: nothing passes then), widest in any."""
    usual = (max, min) if known else (min, max)
    low, high = usual[0](each.low for each in ranges), usual[1](each.high for each in ranges)
    return Range(low, high, min(each.widest_low for each in ranges), max(each.widest_high for each in ranges))


def _own(usual: Range, low_psi: float | None, high_psi: float | None) -> Range:
    """With what a shop set in place of either end."""
    low, high = usual.low, usual.high
    widest_low, widest_high = usual.widest_low, usual.widest_high
    if low_psi is not None:
        low = widest_low = _gauge_psi(low_psi)
    if high_psi is not None:
        high = widest_high = _gauge_psi(high_psi)
    return Range(low, high, widest_low, widest_high)


def _gauge_psi(value: float) -> float:
    return parse_unit("psig").to_si(value) + STANDARD_ATMOSPHERE_PA


def at_ambient(rows: Sequence[Sequence[float]], celsius: float) -> Span:
    """A range at an ambient from rows of ambient, low and high; straight between rows, held beyond their ends."""
    if celsius <= rows[0][0]:
        return rows[0][1], rows[0][2]
    for left, right in pairwise(rows):
        if celsius <= right[0]:
            share = (celsius - left[0]) / (right[0] - left[0])
            low, high = (left[place] + share * (right[place] - left[place]) for place in (1, 2))
            return low, high
    return rows[-1][1], rows[-1][2]


def _pressure(fluid: Fluid, temperature_k: float) -> float:
    """Saturation pressure, held at the ends of the line."""
    kept = min(max(temperature_k, fluid.lowest_temperature_k + 0.1), 0.999 * fluid.critical_temperature_k)
    return saturation(fluid, temperature_k=kept).pressure_pa


def _range(fluid: Fluid, kelvin: Callable[[str], Span]) -> Range:
    usual, widest = kelvin("usual"), kelvin("widest")
    return Range(*(_pressure(fluid, each) for each in (*usual, *widest)))


def _low_side(fluid: Fluid, celsius: float) -> Range:
    def kelvin(kind: str) -> Span:
        low, high = at_ambient(limit(f"pressures.evaporating_{kind}"), celsius)
        return low + ZERO_C_K, high + ZERO_C_K

    return _range(fluid, kelvin)


def _high_side(fluid: Fluid, celsius: float, humidity: float | None) -> Range:
    if fluid.transcritical:
        return _gas_cooler(celsius, humidity)

    def kelvin(kind: str) -> Span:
        low, high = at_ambient(limit(f"pressures.condensing_{kind}"), celsius)
        return low + celsius + ZERO_C_K, high + celsius + ZERO_C_K

    return _range(fluid, kelvin)


def _gas_cooler(celsius: float, humidity: float | None) -> Range:
    """The high side of a gas cooler by pressure, moved with the ambient and the air's enthalpy."""
    warmer = celsius - limit("pressures.reference_ambient")
    damp = limit("pressures.gas_cooler_per_enthalpy") * _enthalpy_excess(celsius + ZERO_C_K, humidity)
    slopes, ends = limit("pressures.gas_cooler_per_ambient"), limit("pressures.gas_cooler_range")
    low, high = (1e5 * (end + slope * warmer + damp) for end, slope in zip(ends, slopes, strict=True))
    margin = limit("pressures.gas_cooler_margin") * 1e5
    return Range(low, high, low - margin, high + margin)


def _enthalpy_excess(ambient_k: float, humidity: float | None) -> float:
    """kJ/kg of the air above air of the same temperature at the reference humidity; 0 where unknown."""
    if humidity is None:
        return 0.0
    try:
        here = humid_air(ambient_k, min(max(humidity, 0.0), 1.0)).enthalpy
        usual = humid_air(ambient_k, limit("pressures.reference_humidity")).enthalpy
    except BadInput:
        return 0.0
    return (here - usual) / 1e3
