"""The discharge temperature of a table's row, carried from the table's refrigerant to another one.

Evaporating and condensing temperature, superheat, subcooling and air temperatures are what hardware and air make them, much
alike for every refrigerant below its critical point; the discharge temperature is the fluid's own. What the compressor adds
beyond the ideal goes with the ideal work (losses), and what a wet suction takes from it with the heat of evaporation.
"""

from __future__ import annotations

from typing import NamedTuple

from baytrace.measure.faults import BadInput
from baytrace.physics.fluid_names import Fluid
from baytrace.physics.fluids import compressed, saturation, state_at, state_at_enthalpy


class Running(NamedTuple):
    """Saturation temperatures in K, superheat at the suction line in K (below zero counts as none)."""

    evaporating_k: float
    condensing_k: float
    superheat_k: float


class _Ideal(NamedTuple):
    high_pa: float
    suction_h: float
    ideal_h: float
    latent: float


def _ideal(fluid: Fluid, running: Running) -> _Ideal:
    low = saturation(fluid, temperature_k=running.evaporating_k).dew_pressure_pa
    high = saturation(fluid, temperature_k=running.condensing_k).bubble_pressure_pa
    warm = running.evaporating_k + max(running.superheat_k, 0.0)
    suction = state_at(fluid, low, warm, side="vapour")
    liquid = state_at(fluid, low, running.evaporating_k, side="liquid")
    return _Ideal(high, suction.enthalpy, compressed(fluid, suction, high).enthalpy, suction.enthalpy - liquid.enthalpy)


def carried(known: Fluid, other: Fluid, running: Running, discharge_k: float) -> float:
    """The discharge temperature (K above condensing) of `other` where `known` shows `discharge_k` of it.

    Where either has no such state the figure is left as it is.
    """
    try:
        here, there = _ideal(known, running), _ideal(other, running)
        seen = state_at(known, here.high_pa, running.condensing_k + discharge_k, side="vapour").enthalpy - here.ideal_h
        scale = (there.ideal_h - there.suction_h) / (here.ideal_h - here.suction_h)
        if seen < 0.0:
            scale = there.latent / here.latent
        outlet = state_at_enthalpy(other, there.high_pa, there.ideal_h + seen * scale)
    except (BadInput, ZeroDivisionError):
        return discharge_k
    return outlet.temperature_k - running.condensing_k
