"""Figures of a running loop, with uncertainties carried from the instruments' limits of error (JCGM 100:2008, 5.1.2).

Superheat is the suction line above the dew point at the low side's pressure; subcooling the liquid line below the bubble
point at the high side's. Above the critical point there is no condensing temperature: the gas cooler's pressure and exit
temperature are given instead. Pressures and temperatures are means over the settled stretch (whole cycles where it cycles).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.verdict import Figure
from baytrace.physics.air import Air, humid_air
from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import AboveCritical, saturation, saturation_temperature_uncertainty
from baytrace.watches.limits_table import limit
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.settings import RunningSettings
from baytrace.watches.watch import View

ZERO_C_K = 273.15


@dataclass(frozen=True, slots=True)
class Value:
    """A quantity in SI and its standard uncertainty (k = 1)."""

    value: float
    u: float

    def figure(self, unit: str, offset: float = 0.0) -> Figure:
        return Figure.between(self.value - offset, self.u, unit)


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


def _measured(
    follower: RunningFollower, running: Running, unknown_atmosphere_pa: float, share: float
) -> dict[Role, Value]:
    found: dict[Role, Value] = {}
    for role, mean in running.means.items():
        channel = channel_of(follower.view, follower, role)
        parts = [running.scatter.get(role, 0.0)]
        if channel is not None:
            parts.append(share * channel.standard_uncertainty(mean))
        if FACTS[role].quantity is Quantity.PRESSURE and follower.atmosphere_assumed:
            parts.append(share * unknown_atmosphere_pa)
        found[role] = Value(mean, math.hypot(*parts))
    return found


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
    measured = _measured(follower, running, limit("charge.unknown_atmosphere"), share)
    _given(measured, settings.ambient_c, settings.ambient_humidity)
    values = {str(role): value for role, value in measured.items()}
    low, high = measured.get(Role.LOW_SIDE), measured.get(Role.HIGH_SIDE)
    _low_side(values, fluid, low, measured.get(Role.SUCTION_LINE))
    beyond = _high_side(values, fluid, high, measured.get(Role.LIQUID_LINE))
    if low is not None and high is not None and low.value > 0.0:
        ratio = high.value / low.value
        values["pressure_ratio"] = Value(ratio, ratio * math.hypot(low.u / low.value, high.u / high.value))
    ambient, vent = measured.get(Role.AMBIENT_AIR), measured.get(Role.VENT_AIR)
    if ambient is not None and vent is not None:
        values["vent_depression"] = Value(ambient.value - vent.value, math.hypot(ambient.u, vent.u))
    return Loop(values, beyond, _air(ambient, measured.get(Role.AMBIENT_HUMIDITY)))


def _low_side(values: dict[str, Value], fluid: Fluid, low: Value | None, suction: Value | None) -> None:
    if low is None:
        return
    try:
        line = saturation(fluid, pressure_pa=low.value)
    except BadInput:
        return
    u = saturation_temperature_uncertainty(fluid, low.value, low.u)
    values["evaporating_temperature"] = Value(line.dew_temperature_k, u)
    if suction is not None:
        values["superheat"] = Value(suction.value - line.dew_temperature_k, math.hypot(suction.u, u))


def _high_side(values: dict[str, Value], fluid: Fluid, high: Value | None, liquid: Value | None) -> bool:
    if high is None:
        return False
    try:
        line = saturation(fluid, pressure_pa=high.value)
    except AboveCritical:
        values["gas_cooler_pressure"] = high
        if liquid is not None:
            values["gas_cooler_exit_temperature"] = liquid
        return True
    except BadInput:
        return False
    u = saturation_temperature_uncertainty(fluid, high.value, high.u)
    values["condensing_temperature"] = Value(line.bubble_temperature_k, u)
    if liquid is not None:
        values["subcooling"] = Value(line.bubble_temperature_k - liquid.value, math.hypot(liquid.u, u))
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
