"""The standing loop before the start: with liquid in it, both sides stand at saturation for their temperature.

More than that is air (or another gas) in the loop, or a loop warmer than the air taken for its temperature; less is a loop
without liquid, or not filled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import saturation, saturation_temperature_uncertainty
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import Value, channel_of
from baytrace.watches.running.follow import Running, RunningFollower

_LOOK_S, _LEAST = 60.0, 3


@dataclass(frozen=True, slots=True)
class Standing:
    """Pa absolute; `excess` is the saturation temperature of the standing pressure above the loop's, K."""

    pressure: Value
    temperature: Value
    saturation_pa: float
    excess: Value


def _before(follower: RunningFollower, role: Role, start_s: float) -> Value | None:
    series = follower.series.get(role)
    if series is None:
        return None
    _, values = series.between(start_s - _LOOK_S, start_s)
    if len(values) < _LEAST:
        return None
    value = float(np.mean(values))
    channel = channel_of(follower.view, follower, role)
    return Value(value, channel.standard_uncertainty(value) if channel is not None else 0.0)


def standing_before(
    follower: RunningFollower, running: Running, fluid: Fluid, ambient_c: float | None
) -> Standing | None:
    """None when there is no record of both sides standing equal before the start, or no temperature."""
    start = follower.all()[0].stretch.start_s if follower.all() else running.stretch.start_s
    sides = [_before(follower, role, start) for role in (Role.LOW_SIDE, Role.HIGH_SIDE)]
    low, high = sides
    if low is None or high is None or not 0.93 < high.value / max(low.value, 1.0) < 1.07:
        return None
    temperature = next(
        (
            value
            for role in (Role.SYSTEM_TEMPERATURE, Role.AMBIENT_AIR)
            if (value := _before(follower, role, start)) is not None
        ),
        Value(ambient_c + 273.15, 1.0) if ambient_c is not None else None,
    )
    if temperature is None:
        return None
    temperature = Value(
        temperature.value, float(np.hypot(temperature.u, limit("pressures.static_temperature_uncertainty")))
    )
    pressure = Value(0.5 * (low.value + high.value), 0.5 * float(np.hypot(low.u, high.u)))
    try:
        saturated = saturation(fluid, temperature_k=temperature.value).dew_pressure_pa
        boils = saturation(fluid, pressure_pa=pressure.value).dew_temperature_k
    except BadInput:
        return None
    u = saturation_temperature_uncertainty(fluid, pressure.value, pressure.u)
    excess = Value(boils - temperature.value, float(np.hypot(u, temperature.u)))
    return Standing(pressure, temperature, saturated, excess)
