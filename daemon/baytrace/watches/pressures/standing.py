"""The standing loop before the start: with liquid in it, both sides stand at saturation for their temperature.

More than that is air (or another gas) in the loop, or a loop warmer than the air taken for its temperature; less is a loop
without liquid, or not filled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import saturation
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Value, boils_at, measured_value
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.settings import RunningSettings

_LOOK_S, _LEAST = 60.0, 3


@dataclass(frozen=True, slots=True)
class Standing:
    """Pa absolute; `excess` is the saturation temperature of the standing pressure above the loop's, K."""

    pressure: Value
    temperature: Value
    saturation_pa: float
    excess: Value


def _before(follower: RunningFollower, settings: RunningSettings, role: Role, start_s: float) -> Value | None:
    series = follower.series.get(role)
    if series is None:
        return None
    _, values = series.between(start_s - _LOOK_S, start_s)
    return measured_value(follower, settings, role, float(np.mean(values))) if len(values) >= _LEAST else None


def standing_before(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings
) -> Standing | None:
    """None when there is no record of both sides standing equal before the start, or no temperature."""
    start = follower.all()[0].stretch.start_s if follower.all() else running.stretch.start_s
    low, high = (_before(follower, settings, role, start) for role in (Role.LOW_SIDE, Role.HIGH_SIDE))
    if low is None or high is None or not 0.93 < high.value / max(low.value, 1.0) < 1.07:
        return None
    given = Value(settings.ambient_c + ZERO_C_K, 1.0) if settings.ambient_c is not None else None
    measured = (_before(follower, settings, role, start) for role in (Role.SYSTEM_TEMPERATURE, Role.AMBIENT_AIR))
    temperature = next((value for value in measured if value is not None), given)
    if temperature is None:
        return None
    return standing_from(fluid, low, high, temperature)


def standing_from(fluid: Fluid, low: Value, high: Value, temperature: Value) -> Standing | None:
    """From both sides (Pa) and the loop's temperature (K); None where the refrigerant has no such state."""
    doubt = limit("pressures.static_temperature_uncertainty")
    warm = Value(temperature.value, math.hypot(temperature.u, doubt))
    pressure = Value(0.5 * (low.value + high.value), 0.5 * math.hypot(low.u, high.u), low.below, low.above)
    try:
        saturated = saturation(fluid, temperature_k=warm.value).dew_pressure_pa
        found = boils_at(fluid, pressure, bubble=False)
    except BadInput:
        return None
    return None if found is None else Standing(pressure, warm, saturated, found[0] - warm)
