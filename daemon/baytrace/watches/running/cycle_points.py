"""The running loop as the four points of the pressure-enthalpy picture."""

from __future__ import annotations

from typing import Any

from baytrace.measure.faults import BadInput
from baytrace.physics.cycle import cycle
from baytrace.watches.running.figures import Loop


def cycle_points(fluid: str, loop: Loop) -> list[dict[str, Any]]:
    """The four points for the pressure-enthalpy picture; empty when a reading is missing or no state exists."""
    names = ("low_side", "high_side", "suction_line", "liquid_line")
    values = [loop.get(name) for name in names]
    if any(value is None for value in values):
        return []
    low, high, suction, liquid = (value.value for value in values if value is not None)
    discharge = loop.get("discharge_line")
    try:
        found = cycle(fluid, low, high, suction, liquid, discharge_k=discharge.value if discharge is not None else None)
    except BadInput:
        return []
    return found.points()
