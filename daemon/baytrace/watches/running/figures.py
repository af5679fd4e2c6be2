"""Figures of a running loop, with uncertainties carried from the instruments' limits of error (JCGM 100:2008, 5.1.2).

What is not known and lies in a known span, as the site's elevation, is no standard uncertainty: it widens an interval by its
whole span, on the side where it can lie (`below`, `above`).

Superheat is the suction line above the dew point at the low side's pressure; subcooling the liquid line below the bubble
point at the high side's. Above the critical point there is no condensing temperature: the gas cooler's pressure and exit
temperature are given instead. Pressures and temperatures are means over the settled stretch (whole cycles where it cycles).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import standard_pressure
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.uncertainty import K95
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA
from baytrace.measure.verdict import Figure
from baytrace.physics.air import Air, humid_air
from baytrace.physics.fluid_names import Fluid, resolve
from baytrace.physics.fluids import AboveCritical, saturation, saturation_temperature_uncertainty
from baytrace.watches.limits_table import limit
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.settings import RunningSettings
from baytrace.watches.watch import View

ZERO_C_K = 273.15


@dataclass(frozen=True, slots=True)
class Value:
    """A quantity in SI and its standard uncertainty (k = 1). `below` and `above`: how much further down and up it may lie because
    something is not known; `low` and `high` bound it at 95 % with both.
    """

    value: float
    u: float
    below: float = 0.0
    above: float = 0.0

    @property
    def low(self) -> float:
        return self.value - self.below - K95 * self.u

    @property
    def high(self) -> float:
        return self.value + self.above + K95 * self.u

    def __sub__(self, other: Value) -> Value:
        """The difference of two quantities that err independently."""
        u = math.hypot(self.u, other.u)
        return Value(self.value - other.value, u, self.below + other.above, self.above + other.below)

    def figure(self, unit: str, offset: float = 0.0) -> Figure:
        return Figure(self.value - offset, unit, self.low - offset, self.high - offset, 0.95)


@dataclass(frozen=True, slots=True)
class Loop:
    """What could be worked out, SI; what could not be had is missing. `beyond_critical`: the high side has no saturation."""

    values: Mapping[str, Value]
    beyond_critical: bool = False
    air: Air | None = None

    def get(self, name: str) -> Value | None:
        return self.values.get(name)


def channel_of(view: View, follower: RunningFollower, role: Role) -> Channel | None:
    series = follower.series.get(role)
    return view.channels.get(series.channel) if series is not None else None


def atmosphere_unknown(follower: RunningFollower, settings: RunningSettings) -> bool:
    """Whether gauge pressures were taken at sea level because neither a barometer nor the site's elevation is known."""
    return follower.atmosphere_assumed and settings.elevation_m is None


def atmosphere_span() -> tuple[float, float]:
    """How far below and above the standard atmosphere at sea level the air may press at a site of which nothing is known, Pa."""
    lowest = standard_pressure(limit("laws.highest_site"))
    return STANDARD_ATMOSPHERE_PA - lowest, limit("laws.highest_air") - STANDARD_ATMOSPHERE_PA


def measured_value(
    follower: RunningFollower,
    settings: RunningSettings,
    role: Role,
    mean: float,
    *,
    scatter: float = 0.0,
    share: float = 1.0,
) -> Value:
    """A mean as measured: with `share` of its instrument's uncertainty and of what is not known of the atmosphere."""
    channel = channel_of(follower.view, follower, role)
    u = math.hypot(scatter, share * channel.standard_uncertainty(mean)) if channel is not None else scatter
    if FACTS[role].quantity is Quantity.PRESSURE and atmosphere_unknown(follower, settings):
        below, above = atmosphere_span()
        return Value(mean, u, share * below, share * above)
    return Value(mean, u)


def _measured(
    follower: RunningFollower, running: Running, settings: RunningSettings, share: float
) -> dict[Role, Value]:
    return {
        role: measured_value(follower, settings, role, mean, scatter=running.scatter.get(role, 0.0), share=share)
        for role, mean in running.means.items()
    }


def _given(measured: dict[Role, Value], ambient_c: float | None, humidity: float | None) -> None:
    """Ambient conditions from the settings where no instrument gives them."""
    if ambient_c is not None and Role.AMBIENT_AIR not in measured:
        measured[Role.AMBIENT_AIR] = Value(ambient_c + ZERO_C_K, 1.0)
    if humidity is not None and Role.AMBIENT_HUMIDITY not in measured:
        measured[Role.AMBIENT_HUMIDITY] = Value(humidity, 0.03)


def loop_of(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings, *, share: float = 1.0
) -> Loop:
    """Everything that follows from the judged stretch; what no instrument gives is as `settings` have it. `share` of the
    instruments' uncertainty counts, the rest falls out where the same instruments are compared with themselves.
    """
    measured = _measured(follower, running, settings, share)
    _given(measured, settings.ambient_c, settings.ambient_humidity)
    loop = loop_from(measured, fluid)
    others = [other for other in usual_fluids(settings) if other.key != fluid.key]
    return _spanning(loop, [loop_from(measured, other) for other in others])


def usual_fluids(settings: RunningSettings) -> list[Fluid]:
    """What may be in the loop where nobody named the refrigerant; empty where it was named."""
    if "refrigerant" in settings.model_fields_set:
        return []
    return [resolve(name) for name in limit("charge.usual_refrigerants")]


_OF_A_FLUID = ("evaporating_temperature", "condensing_temperature", "superheat", "subcooling")


def _spanning(loop: Loop, others: Sequence[Loop]) -> Loop:
    """The loop with every figure of its refrigerant widened to what it would be with the others."""
    values = dict(loop.values)
    for name in _OF_A_FLUID:
        here = values.get(name)
        there = [value for other in others if (value := other.get(name)) is not None]
        if here is not None and there:
            below = max(here.below, *(here.value - other.value + other.below for other in there))
            above = max(here.above, *(other.value - here.value + other.above for other in there))
            values[name] = Value(here.value, max(here.u, *(other.u for other in there)), below, above)
    return replace(loop, values=values)


def loop_from(measured: Mapping[Role, Value], fluid: Fluid) -> Loop:
    """Everything that follows from what was measured, SI by role."""
    values = {str(role): value for role, value in measured.items()}
    low, high = measured.get(Role.LOW_SIDE), measured.get(Role.HIGH_SIDE)
    _low_side(values, fluid, low, measured.get(Role.SUCTION_LINE))
    beyond = _high_side(values, fluid, high, measured.get(Role.LIQUID_LINE))
    if low is not None and high is not None and low.value > 0.0:
        values["pressure_ratio"] = _ratio(high, low)
    ambient, vent = measured.get(Role.AMBIENT_AIR), measured.get(Role.VENT_AIR)
    if ambient is not None and vent is not None:
        values["vent_depression"] = ambient - vent
    return Loop(values, beyond, _air(ambient, measured.get(Role.AMBIENT_HUMIDITY)))


def _ratio(high: Value, low: Value) -> Value:
    """High over low. What is not known of the atmosphere shifts both alike."""
    ratio = high.value / low.value
    u = ratio * math.hypot(high.u / max(high.value, 1.0), low.u / low.value)
    shifted = [(high.value + by) / max(low.value + by, 1.0) for by in (-low.below, low.above)]
    return Value(ratio, u, max(ratio - min(shifted), 0.0), max(max(shifted) - ratio, 0.0))


def boils_at(fluid: Fluid, pressure: Value, *, bubble: bool) -> tuple[Value, float] | None:
    """Saturation temperature (K) at a pressure and the glide there; None where there is none. Raises AboveCritical."""

    def at(pressure_pa: float) -> float:
        line = saturation(fluid, pressure_pa=pressure_pa)
        return line.bubble_temperature_k if bubble else line.dew_temperature_k

    try:
        line = saturation(fluid, pressure_pa=pressure.value)
    except AboveCritical:
        raise
    except BadInput:
        return None
    here = line.bubble_temperature_k if bubble else line.dew_temperature_k
    u = saturation_temperature_uncertainty(fluid, pressure.value, pressure.u)
    spans = [0.0, 0.0]
    for index, by in enumerate((-pressure.below, pressure.above)):
        if by:
            try:
                spans[index] = abs(at(pressure.value + by) - here)
            except BadInput:
                # beyond the end of the line: as far as its end, so that nothing is claimed
                end = fluid.lowest_temperature_k if by < 0.0 else fluid.critical_temperature_k
                spans[index] = abs(end - here)
    return Value(here, u, *spans), line.dew_temperature_k - line.bubble_temperature_k


def _low_side(values: dict[str, Value], fluid: Fluid, low: Value | None, suction: Value | None) -> None:
    if low is None:
        return
    try:
        found = boils_at(fluid, low, bubble=False)
    except AboveCritical:
        return
    if found is None:
        return
    values["evaporating_temperature"], glide = found
    values["evaporating_glide"] = Value(glide, 0.0)
    if suction is not None:
        values["superheat"] = suction - found[0]


def _high_side(values: dict[str, Value], fluid: Fluid, high: Value | None, liquid: Value | None) -> bool:
    if high is None:
        return False
    try:
        found = boils_at(fluid, high, bubble=True)
    except AboveCritical:
        values["gas_cooler_pressure"] = high
        if liquid is not None:
            values["gas_cooler_exit_temperature"] = liquid
        return True
    if found is None:
        return False
    values["condensing_temperature"], glide = found
    values["condensing_glide"] = Value(glide, 0.0)
    if liquid is not None:
        values["subcooling"] = found[0] - liquid
    return False


def _air(ambient: Value | None, humidity: Value | None) -> Air | None:
    if ambient is None or humidity is None:
        return None
    try:
        return humid_air(ambient.value, min(max(humidity.value, 0.0), 1.0))
    except BadInput:
        return None


_SHOWN = (
    ("low_side", "low_side_pressure", "Pa", 0.0),
    ("high_side", "high_side_pressure", "Pa", 0.0),
    ("evaporating_temperature", "evaporating_temperature", "degC", ZERO_C_K),
    ("condensing_temperature", "condensing_temperature", "degC", ZERO_C_K),
    ("gas_cooler_pressure", "gas_cooler_pressure", "Pa", 0.0),
    ("gas_cooler_exit_temperature", "gas_cooler_exit_temperature", "degC", ZERO_C_K),
    ("superheat", "superheat", "K", 0.0),
    ("subcooling", "subcooling", "K", 0.0),
    ("pressure_ratio", "pressure_ratio", "1", 0.0),
    ("discharge_line", "discharge_temperature", "degC", ZERO_C_K),
    ("vent_air", "vent_temperature", "degC", ZERO_C_K),
    ("vent_depression", "vent_depression", "K", 0.0),
    ("ambient_air", "ambient_temperature", "degC", ZERO_C_K),
    ("ambient_humidity", "ambient_humidity", "1", 0.0),
)


def evidence_of(loop: Loop, running: Running) -> dict[str, Figure]:
    """The figures under their names in a verdict."""
    evidence = {
        shown: value.figure(unit, offset)
        for name, shown, unit, offset in _SHOWN
        if (value := loop.get(name)) is not None
    }
    if loop.air is not None:
        evidence["ambient_dew_point"] = Figure(loop.air.dew_point_k - ZERO_C_K, "degC")
        evidence["ambient_enthalpy"] = Figure(loop.air.enthalpy, "J/kg")
    if running.cycles is not None:
        evidence["cycle_period"] = Figure(running.cycles.period_s, "s")
        if math.isfinite(running.cycles.duty):
            evidence["cycle_duty"] = Figure(running.cycles.duty, "1")
    if running.settled_at_s is not None:
        evidence["settled_at"] = Figure(running.settled_at_s, "s")
    return evidence
