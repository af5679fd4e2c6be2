"""The evaporator: a wet part that cools and dries the air, and a part where vapour only warms up.

Air either touches the coil and leaves saturated at the coil's surface temperature (or dry-cooled when the surface is above
its dew point), or misses it: bypass = exp(-transfer units). Condensate drains at the surface temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from baytrace_sim.loop.air import HEAT_CAPACITY, WATER_HEAT_CAPACITY, enthalpy, humidity_at, temperature_of
from baytrace_sim.loop.properties import Saturated

STILL_UA = 14.0
"""W/K between the coil and still air (common practice, no source)."""


_VAPOUR_UA = 0.08
"""Conductance of passages with vapour inside, as a share of those with boiling liquid (common practice, no source)."""


class Cooled(NamedTuple):
    """Heat from the air in W; the air behind the coil (K, kg/kg); superheat at the outlet in K."""

    heat_w: float
    air_k: float
    humidity_ratio: float
    superheat_k: float
    drained_w: float
    """Heat leaving with the condensate, W, against water at 0 degC."""


@dataclass(slots=True)
class Coil:
    """Air side of the evaporator at one inlet condition. Keeps the last heat flow as the next one's first guess."""

    table: tuple[float, ...]
    refrigerant_ua: float
    transfer_units: float
    full_kg_s: float
    last_w: float = 2000.0

    def cool(
        self, coil_k: float, row: Saturated, air_k: float, humidity: float, *, air_kg_s: float, flow: float, wet: float
    ) -> Cooled:
        """`wet` is the share of the coil with liquid inside, `flow` the vapour leaving it in kg/s."""
        if air_kg_s < 0.02 * self.full_kg_s:
            heat = STILL_UA * (air_k - coil_k)
            return Cooled(heat, air_k, humidity, max(air_k - coil_k, 0.0) * (1.0 - wet), 0.0)
        bypass = math.exp(-self.transfer_units * (self.full_kg_s / air_kg_s) ** 0.4)
        touching = air_kg_s * (1.0 - bypass)
        heat, surface_k, left = self._wet_part(coil_k, air_k, humidity, touching)
        # metal between wet and dry passages conducts: a coil short of liquid is still a little cold
        wetted = 0.1 + 0.9 * wet
        capacity = max(flow, 1e-5) * row.k_vapour
        units = _VAPOUR_UA * self.refrigerant_ua * (1.0 - wet) / capacity
        superheat = max(air_k - coil_k, 0.0) * -math.expm1(-units)
        warming = 0.0
        if flow > 1e-4:
            # the dry part's air cannot give more than cooling it down to the coil would
            most = (1.0 - wetted) * air_kg_s * HEAT_CAPACITY * max(air_k - coil_k, 0.0)
            warming = min(flow * row.k_vapour * superheat, most)
            superheat = warming / (flow * row.k_vapour)
        total = wetted * heat + warming
        dried = wetted * (1.0 - bypass) * (humidity - left)
        drained = air_kg_s * dried * WATER_HEAT_CAPACITY * (surface_k - 273.15)
        behind = enthalpy(air_k, humidity) - (total + drained) / air_kg_s
        return Cooled(total, temperature_of(behind, humidity - dried), humidity - dried, superheat, drained)

    def _wet_part(self, coil_k: float, air_k: float, humidity: float, touching: float) -> tuple[float, float, float]:
        """Heat in W, surface temperature and the humidity ratio left, were the whole coil wet inside (two Newton steps)."""
        heat = self.last_w
        inlet = enthalpy(air_k, humidity)
        surface, left = coil_k, humidity
        for _ in range(3):
            surface = coil_k + heat / self.refrigerant_ua
            saturated, slope = humidity_at(self.table, surface)
            left = min(humidity, saturated)
            steep = slope if saturated < humidity else 0.0
            celsius = surface - 273.15
            latent = 2_501_000.0 + 1860.0 * celsius - WATER_HEAT_CAPACITY * celsius
            flux = touching * (inlet - enthalpy(surface, left) - (humidity - left) * WATER_HEAT_CAPACITY * celsius)
            change = touching * (HEAT_CAPACITY + 1860.0 * left + steep * latent) / self.refrigerant_ua
            heat -= (heat - flux) / (1.0 + change)
        self.last_w = heat
        return heat, surface, left
