"""The compressor: swept volume, volumetric and isentropic efficiency falling with pressure ratio, wear taking from both.

The efficiency lines are common practice, no source: of the size published for car compressors.
"""

from __future__ import annotations

from typing import NamedTuple

from baytrace_sim.loop.properties import Refrigerant


class Suction(NamedTuple):
    """Vapour (or wet vapour) at the compressor's inlet."""

    density: float
    enthalpy: float
    entropy: float


class Compression(NamedTuple):
    """kg/s, J/kg, K."""

    flow: float
    enthalpy: float
    temperature_k: float


def suction(fluid: Refrigerant, saturation_k: float, superheat_k: float, quality: float) -> Suction:
    """State at the inlet; `quality` below 1 is liquid carried over, and then superheat does not count."""
    density, enthalpy, entropy = fluid.vapour(saturation_k, superheat_k if quality >= 1.0 else 0.0)
    if quality >= 1.0:
        return Suction(density, enthalpy, entropy)
    row = fluid.at(saturation_k)
    wet = (1.0 - quality) * (row.h_v - row.h_l)
    volume = quality / row.rho_v + (1.0 - quality) / row.rho_l
    return Suction(1.0 / volume, enthalpy - wet, entropy - wet / saturation_k)


class Machine(NamedTuple):
    """Shares, 0 to 1."""

    volumetric: float
    isentropic: float


def machine(low_pa: float, high_pa: float, efficiency: float) -> Machine:
    """Efficiencies between two pressures. A worn machine lets vapour slip back: less flow, and the work per kg rises."""
    ratio = max(high_pa / max(low_pa, 1e3), 1.0)
    volumetric = max(0.90 - 0.042 * (ratio - 1.0), 0.05) * efficiency
    return Machine(volumetric, max(0.74 - 0.018 * (ratio - 1.0), 0.40) * (0.45 + 0.55 * efficiency))


def compress(
    fluid: Refrigerant, inlet: Suction, low_pa: float, high_pa: float, *, swept_m3_s: float, efficiency: float
) -> Compression:
    """Flow and outlet state."""
    volumetric, isentropic = machine(low_pa, high_pa, efficiency)
    flow = volumetric * swept_m3_s * inlet.density
    outlet_k = fluid.saturation_temperature(high_pa)
    superheat = fluid.superheat_of(outlet_k, inlet.entropy, 2)
    if superheat >= 0.0:
        ideal = fluid.vapour(outlet_k, superheat)[1]
    else:
        row = fluid.at(outlet_k)
        ideal = row.h_v - outlet_k * (row.s_v - inlet.entropy)
    enthalpy = inlet.enthalpy + max(ideal - inlet.enthalpy, 0.0) / isentropic
    return Compression(flow, enthalpy, outlet_k + max(fluid.superheat_of(outlet_k, enthalpy, 1), 0.0))
