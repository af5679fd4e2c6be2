"""The refrigeration cycle of a running loop, for the pressure-enthalpy picture and for figures.

Four points: 1 suction (entering the compressor), 2 discharge, 3 liquid (leaving the condenser or gas cooler), 4 after the
valve at the enthalpy of 3. A discharge temperature that was not measured is worked out with an assumed isentropic
efficiency, and the result says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from baytrace.measure.faults import BadInput
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import State, compressed, saturation, state_at, state_at_enthalpy

ASSUMED_EFFICIENCY = 0.65
"""Isentropic efficiency of a car compressor near idle; common practice, no source. Only places point 2 on the picture."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """States 1 to 4; `discharge_measured` tells whether point 2 rests on a reading."""

    suction: State
    discharge: State
    liquid: State
    valve: State
    discharge_measured: bool

    @property
    def cooling(self) -> float:
        """J per kg of refrigerant taken up in the evaporator."""
        return self.suction.enthalpy - self.valve.enthalpy

    @property
    def work(self) -> float:
        """J per kg put in by the compressor."""
        return self.discharge.enthalpy - self.suction.enthalpy

    @property
    def coefficient_of_performance(self) -> float:
        return self.cooling / self.work if self.work > 0.0 else math.inf

    def points(self) -> list[dict[str, Any]]:
        """JSON for the picture: enthalpy in J/kg, pressure in Pa absolute, temperature in degC."""
        names = ("suction", "discharge", "liquid", "valve")
        states = (self.suction, self.discharge, self.liquid, self.valve)
        return [
            {
                "point": number,
                "name": name,
                "enthalpy": state.enthalpy,
                "pressure": state.pressure_pa,
                "temperature": state.temperature_k - 273.15,
                "measured": name != "discharge" or self.discharge_measured,
            }
            for number, (name, state) in enumerate(zip(names, states, strict=True), start=1)
        ]


def cycle(
    fluid: str,
    low_pa: float,
    high_pa: float,
    suction_k: float,
    liquid_k: float,
    *,
    discharge_k: float | None = None,
) -> Cycle:
    """The cycle between two absolute pressures with line temperatures in K; above the critical point `liquid_k` is the
    gas cooler's exit. Raises BadInput where no state exists.
    """
    suction = state_at(fluid, low_pa, suction_k, side="vapour")
    if discharge_k is not None:
        discharge = state_at(fluid, high_pa, discharge_k, side="vapour")
    else:
        discharge = compressed(fluid, suction, high_pa, ASSUMED_EFFICIENCY)
    liquid = state_at(fluid, high_pa, liquid_k, side="liquid")
    valve = state_at_enthalpy(fluid, low_pa, liquid.enthalpy)
    return Cycle(suction, discharge, liquid, valve, discharge_k is not None)


@lru_cache(maxsize=32)
def ph_dome(fluid: str, n: int = 60) -> dict[str, Any]:
    """The saturation dome: `{"fluid", "bubble": [[J/kg, Pa], ...], "dew": [...]}`, each from low to high pressure.

    `n` points a side between about -40 degC (or the triple point) and just below the critical point. Do not change the
    returned lists: they are shared.
    """
    known = resolve(fluid)
    coldest = max(known.lowest_temperature_k + 0.5, min(233.15, 0.7 * known.critical_temperature_k))
    warmest = known.critical_temperature_k * (0.93 if known.mixture else 0.9995)
    bubble, dew = [], []
    for temperature in np.linspace(coldest, warmest, n):
        try:
            line = saturation(known, temperature_k=float(temperature))
            left = state_at(known, line.bubble_pressure_pa, line.bubble_temperature_k, side="liquid")
            right = state_at(known, line.dew_pressure_pa, line.dew_temperature_k, side="vapour")
        except BadInput:
            break  # a mixture's equation gives up some way below its critical point; the dome is drawn that far
        bubble.append([left.enthalpy, left.pressure_pa])
        dew.append([right.enthalpy, right.pressure_pa])
    return {"fluid": known.name, "bubble": bubble, "dew": dew}
