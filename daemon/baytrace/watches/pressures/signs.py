"""The signs of a running loop, as the tables of signatures name them (`causes.py`)."""

from __future__ import annotations

import math

from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import carried_on_pressure
from baytrace.watches.pressures.standing import Standing
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value


def signs_of(loop: Loop, standing: Standing | None, fluid: Fluid) -> dict[str, Value]:
    """What could be had; K, and bar for the gas cooler."""
    signs = {}
    if (superheat := loop.get("superheat")) is not None:
        signs["superheat"] = superheat
    if (evaporating := loop.get("evaporating_temperature")) is not None:
        signs["evaporating"] = Value(evaporating.value - ZERO_C_K, evaporating.u)
    _difference(signs, "vent", loop.get("vent_air"), loop.get("ambient_air"))
    if fluid.transcritical:
        _gas_cooler(signs, loop, fluid)
    else:
        _condenser(signs, loop, standing)
    return signs


def _difference(signs: dict[str, Value], name: str, upper: Value | None, lower: Value | None) -> None:
    if upper is not None and lower is not None:
        signs[name] = Value(upper.value - lower.value, math.hypot(upper.u, lower.u))


def _condenser(signs: dict[str, Value], loop: Loop, standing: Standing | None) -> None:
    condensing = loop.get("condensing_temperature")
    if (subcooling := loop.get("subcooling")) is not None:
        signs["subcooling"] = subcooling
    _difference(signs, "condensing", condensing, loop.get("ambient_air"))
    _difference(signs, "approach", loop.get("liquid_line"), loop.get("ambient_air"))
    _difference(signs, "discharge", loop.get("discharge_line"), condensing)
    if standing is not None:
        signs["static"] = standing.excess


def _gas_cooler(signs: dict[str, Value], loop: Loop, fluid: Fluid) -> None:
    ambient, high = loop.get("ambient_air"), loop.get("high_side")
    _difference(signs, "exit", loop.get("liquid_line"), ambient)
    _difference(signs, "hot", loop.get("discharge_line"), ambient)
    if ambient is None or high is None:
        return
    here, warmer = (carried_on_pressure(fluid, ambient.value + step) / 1e5 for step in (0.0, 1.0))
    signs["gas_cooler"] = Value(high.value / 1e5 - here, math.hypot(high.u / 1e5, (warmer - here) * ambient.u))
