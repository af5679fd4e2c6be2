"""How much refrigerant is where: each side of the loop as one volume in equilibrium, and what its liquid means.

Theory. A side holds a mass and an energy (refrigerant and metal together, one temperature); temperature and pressure follow
from them, so mass and energy are conserved to rounding whatever the heat exchangers do. The liquid in the high side says how
much of the condenser is flooded: with a void fraction after Zivi (1964, from memory: alpha = 1 / (1 + (1-x)/x (rho_v/rho_l)^(2/3)))
and quality falling evenly along the area, a condenser that just condenses everything holds a certain liquid share; more
floods the last part (subcooling), less leaves vapour at the outlet. The evaporator's liquid says how much of it is wet.

Limits. Pressure drop along a side is not modelled; a side nearly full of liquid is a stiff spring (no source), there to stop the filling.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field

from baytrace_sim.loop.properties import Refrigerant, Saturated

_POCKET, _FULL, _POCKET_PA = (
    0.94,
    0.97,
    2.0e9,
)  # the last pockets of vapour resist being filled: pressure rises with the square


@dataclass(slots=True)
class Side:
    """Volume m3, wall J/K, mass kg, energy J (walls from 0 K). `settle` brings `temperature_k`, `row`, `pressure_pa`, `liquid_kg` up to date."""

    fluid: Refrigerant
    volume: float
    wall: float
    mass: float
    temperature_k: float
    energy: float = 0.0
    pressure_pa: float = 0.0
    liquid_kg: float = 0.0
    row: Saturated = field(init=False)

    def __post_init__(self) -> None:
        self.energy = self._energy(self.temperature_k)
        self.settle()

    def _energy(self, temperature_k: float) -> float:
        row = self.fluid.at(temperature_k)
        self.row = row
        density = self.mass / self.volume
        if density <= row.rho_v:
            inner = row.u_dilute + (row.u_v - row.u_dilute) * density / row.rho_v
        else:
            vapour, liquid = 1.0 / row.rho_v, 1.0 / row.rho_l
            dry = max((1.0 / density - liquid) / (vapour - liquid), 0.0)
            inner = row.u_l + dry * (row.u_v - row.u_l)
        return self.mass * inner + self.wall * temperature_k

    def settle(self) -> Saturated:
        """Temperature from energy (secant; the walls keep it nearly straight), then pressure and liquid."""
        here = self.temperature_k
        value = self._energy(here)
        slope = self.wall + 1500.0 * self.mass
        for _ in range(12):
            wrong = self.energy - value
            if abs(wrong) < 1e-3 * self.wall:
                break
            there = min(max(here + wrong / slope, self.fluid.lowest_k), self.fluid.highest_k)
            if there == here:
                break
            after = self._energy(there)
            slope = max((after - value) / (there - here), 0.5 * self.wall)
            here, value = there, after
        self.temperature_k = here
        row = self.row
        density = self.mass / self.volume
        if density <= row.rho_v:
            gas = self.fluid.gas_constant * here
            bend = (row.p / (row.rho_v * gas) - 1.0) / row.rho_v
            self.pressure_pa = density * gas * (1.0 + bend * density)
            self.liquid_kg = 0.0
        else:
            self.liquid_kg = min((self.mass - row.rho_v * self.volume) / (1.0 - row.rho_v / row.rho_l), self.mass)
            beyond = max(self.liquid_kg / (row.rho_l * self.volume) - _POCKET, 0.0)
            self.pressure_pa = row.p + _POCKET_PA * beyond * beyond
        return row

    @property
    def room_kg(self) -> float:
        """What still fits in before liquid fills nearly all of it."""
        return max(_FULL * self.row.rho_l * self.volume - self.mass, 0.0)

    def vapour_enthalpy(self) -> float:
        """J/kg of this side's vapour, saturated or thinner."""
        row = self.row
        if self.liquid_kg > 0.0:
            return row.h_v
        density = self.mass / self.volume
        return row.u_dilute + (row.u_v - row.u_dilute) * density / row.rho_v + self.pressure_pa / density


def mean_liquid_share(slip: float, quality: float) -> float:
    """Liquid's share of the volume, averaged over qualities from `quality` to 1; slip = (rho_v/rho_l)^(2/3)."""
    if quality >= 1.0:
        return 0.0
    rest = 1.0 - slip
    # 1 - alpha = slip (1-x) / (x + slip (1-x)) integrates to the closed form below
    start = quality + slip * (1.0 - quality)
    integral = slip * (-math.log(start) / (rest * rest) - (1.0 - quality) / rest)
    return integral / (1.0 - quality)


def liquid_share(slip: float, quality: float) -> float:
    return slip * (1.0 - quality) / (quality + slip * (1.0 - quality))


_QUALITIES = tuple((index / 24.0) ** 2 for index in range(25))


class CondenserFill:
    """From the high side's liquid to the flooded share of the condenser, or the quality at its outlet."""

    def __init__(self, condenser_m3: float, line_m3: float, receiver_m3: float, last_pass: float, slip: float) -> None:
        self.condenser_m3, self.receiver_m3, self.last_pass = condenser_m3, receiver_m3, last_pass
        self.empty_share = mean_liquid_share(slip, 0.0)
        self.just_m3 = condenser_m3 * self.empty_share + line_m3
        fills = [
            (condenser_m3 * mean_liquid_share(slip, x) + line_m3 * liquid_share(slip, x)) / self.just_m3
            for x in _QUALITIES
        ]
        self._fills, self._outlet = fills[::-1], _QUALITIES[::-1]

    def outlet(self, liquid_m3: float) -> tuple[float, float]:
        """(flooded share of the area, quality at the outlet) for a volume of liquid in the high side."""
        fill = liquid_m3 / self.just_m3
        if fill < 1.0:
            index = min(max(bisect_left(self._fills, fill), 1), len(self._fills) - 1)
            low, high = self._fills[index - 1], self._fills[index]
            share = (fill - low) / (high - low)
            return 0.0, self._outlet[index - 1] + share * (self._outlet[index] - self._outlet[index - 1])
        per_area = self.condenser_m3 * (1.0 - self.empty_share)
        more = liquid_m3 - self.just_m3
        if self.receiver_m3 > 0.0:
            return min(self._with_receiver(more, per_area), 0.9), 0.0
        return min(more / per_area, 0.9), 0.0

    def _with_receiver(self, more_m3: float, per_area: float) -> float:
        """The last pass floods first, then the receiver takes the liquid, then the passes before it flood."""
        if more_m3 < self.last_pass * per_area:
            return more_m3 / per_area
        beyond = more_m3 - self.last_pass * per_area
        seep = 0.02  # a receiver's level still changes the flooding a little
        if beyond < self.receiver_m3:
            return self.last_pass + seep * beyond / self.receiver_m3
        return self.last_pass + seep + (beyond - self.receiver_m3) / per_area
