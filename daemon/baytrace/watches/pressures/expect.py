"""What the two pressures should be for this refrigerant and this day's air.

The rules of thumb are pressures of R134a on a mild day. They are read as evaporating and condensing temperatures, moved with
the ambient and the air's enthalpy, and turned back into pressures of the refrigerant at hand. Above the critical point the high
side is expected by pressure. Everything used stands in `defaults/pressures.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass

from baytrace.measure.faults import BadInput
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, parse_unit
from baytrace.physics.air import humid_air
from baytrace.physics.fluid_names import Fluid, resolve
from baytrace.physics.fluids import saturation
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.settings import PressuresSettings

ZERO_C_K = 273.15


@dataclass(frozen=True, slots=True)
class Range:
    """What sound cars show (Pa absolute), the wider range that a pass must lie in, and the rule of thumb's own narrower one."""

    low: float
    high: float
    outer_low: float
    outer_high: float
    rule_low: float
    rule_high: float


@dataclass(frozen=True, slots=True)
class Expected:
    """`ambient_known` is False when the reference ambient stands in."""

    low_side: Range
    high_side: Range
    ambient_known: bool


def _gauge_psi(value: float) -> float:
    return parse_unit("psig").to_si(value) + STANDARD_ATMOSPHERE_PA


def _temperature(value_psi: float, fluid: Fluid | None = None) -> float:
    """K at which the fluid (R134a where none is named) boils at a gauge pressure."""
    return saturation(fluid or resolve("R134a"), pressure_pa=_gauge_psi(value_psi)).temperature_k


def _pressure(fluid: Fluid, temperature_k: float) -> float:
    """Saturation pressure, held at the ends of the line."""
    kept = min(max(temperature_k, fluid.lowest_temperature_k + 0.1), 0.999 * fluid.critical_temperature_k)
    return saturation(fluid, temperature_k=kept).pressure_pa


def _range(fluid: Fluid, span_k: tuple[float, float], margin_k: float, slack_k: tuple[float, float]) -> Range:
    """`slack_k` is how much of the span's lower and upper end was given on top of the rule of thumb."""
    low, high = span_k
    return Range(
        _pressure(fluid, low),
        _pressure(fluid, high),
        _pressure(fluid, low - margin_k),
        _pressure(fluid, high + margin_k),
        _pressure(fluid, low + slack_k[0]),
        _pressure(fluid, high - slack_k[1]),
    )


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


def expected(fluid: Fluid, settings: PressuresSettings, ambient_k: float | None, humidity: float | None) -> Expected:
    """Ranges for the air given; the settings' own ranges are taken as they are. Without an ambient, the bare rule of thumb."""
    reference = limit("pressures.reference_ambient") + ZERO_C_K
    air = ambient_k if ambient_k is not None else reference
    warmer, wetter = air - reference, _enthalpy_excess(air, humidity)
    coldest = limit("pressures.coldest_evaporating") + ZERO_C_K
    low, high = _ends("low", "evaporating", warmer, wetter)
    slack = _slack("low", settings.low_min_psi, settings.low_max_psi, known=ambient_k is not None)
    span = (
        _own(fluid, settings.low_min_psi, max(low - slack[0], coldest)),
        _own(fluid, settings.low_max_psi, max(high + slack[1], coldest + 4.0)),
    )
    low_side = _range(fluid, span, limit("pressures.evaporating_margin"), slack)
    if fluid.transcritical:
        return Expected(
            low_side, _gas_cooler(settings, warmer, wetter, known=ambient_k is not None), ambient_k is not None
        )
    low, high = _ends("high", "condensing", warmer, wetter)
    slack = _slack("high", settings.high_min_psi, settings.high_max_psi, known=ambient_k is not None)
    span = _own(fluid, settings.high_min_psi, low - slack[0]), _own(fluid, settings.high_max_psi, high + slack[1])
    high_side = _range(fluid, span, limit("pressures.condensing_margin"), slack)
    return Expected(low_side, high_side, ambient_k is not None)


def _ends(side: str, kind: str, warmer: float, wetter: float) -> tuple[float, float]:
    """Saturation temperatures (K) of the rule's range, moved with the air."""
    rule = [_temperature(value) for value in limit(f"pressures.{side}_range")]
    slopes = limit(f"pressures.{kind}_per_ambient")
    damp = limit(f"pressures.{kind}_per_enthalpy") * wetter
    return rule[0] + slopes[0] * warmer + damp, rule[1] + slopes[1] * warmer + damp


def _slack(side: str, own_low: float | None, own_high: float | None, *, known: bool) -> tuple[float, float]:
    below, above = limit(f"pressures.{side}_slack") if known else (0.0, 0.0)
    return (below if own_low is None else 0.0, above if own_high is None else 0.0)


def _own(fluid: Fluid, value_psi: float | None, usual_k: float) -> float:
    return usual_k if value_psi is None else _temperature(value_psi, fluid)


def _gas_cooler(settings: PressuresSettings, warmer: float, wetter: float, *, known: bool) -> Range:
    """The high side of a gas cooler by pressure, moved with the ambient and the air's enthalpy; slack as for a condenser."""
    slopes, ends = limit("pressures.gas_cooler_per_ambient"), limit("pressures.gas_cooler_range")
    damp = limit("pressures.gas_cooler_per_enthalpy") * wetter
    rule = [1e5 * (end + slope * warmer + damp) for end, slope in zip(ends, slopes, strict=True)]
    below, above = limit("pressures.gas_cooler_slack") if known else (0.0, 0.0)
    low, high = rule[0] - 1e5 * below, rule[1] + 1e5 * above
    if settings.high_min_psi is not None:
        low = rule[0] = _gauge_psi(settings.high_min_psi)
    if settings.high_max_psi is not None:
        high = rule[1] = _gauge_psi(settings.high_max_psi)
    margin = limit("pressures.gas_cooler_margin") * 1e5
    return Range(low, high, low - margin, high + margin, rule[0], rule[1])
