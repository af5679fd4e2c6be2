"""The condenser: a condensing part and a flooded part share the area and the air."""

from __future__ import annotations

import math
from typing import NamedTuple

from baytrace_sim.loop.air import HEAT_CAPACITY
from baytrace_sim.loop.properties import Saturated


class Rejected(NamedTuple):
    """Heat to the air in W (condensing part, flooded part), the outlet's temperature in K and enthalpy in J/kg."""

    heat_w: float
    outlet_k: float
    outlet_h: float


STILL_UA = 20.0
"""W/K from the condenser to the air around it when neither fan nor wind moves it (common practice, no source)."""


def air_conductance(ua: float, air_kg_s: float, full_kg_s: float) -> float:
    """Effectiveness times capacity rate, W/K, against the inlet air; ua falls with the square root of the flow."""
    if air_kg_s <= 1e-6:
        return STILL_UA
    capacity = air_kg_s * HEAT_CAPACITY
    units = ua * math.sqrt(air_kg_s / full_kg_s) / capacity
    return max(capacity * -math.expm1(-units), STILL_UA)


def reject(
    row: Saturated, temperature_k: float, air_k: float, *, conductance: float, flow: float, flooded: float,
    quality: float, liquid_ua: float,
) -> Rejected:  # fmt: skip
    """`flow` kg/s leaves through the liquid line; `flooded` share of the area, or `quality` at the outlet when not flooded.

    The flooded part's heat is what the liquid gives up on its way towards the air's temperature, so it vanishes with the flow.
    """
    condensing = conductance * (1.0 - flooded) * (temperature_k - air_k)
    if flooded <= 0.0:
        return Rejected(condensing, temperature_k, row.h_l + quality * (row.h_v - row.h_l))
    capacity = max(flow, 2e-4) * row.k_liquid
    closeness = math.exp(-liquid_ua * flooded / capacity)
    outlet = air_k + (temperature_k - air_k) * closeness
    cooled = row.k_liquid * (temperature_k - outlet)
    return Rejected(condensing + max(flow, 0.0) * cooled, outlet, row.h_l - cooled)
