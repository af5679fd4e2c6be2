"""The low side around the critical point: one volume in equilibrium with its metal, from vacuum to dense and back."""

from __future__ import annotations

from dataclasses import dataclass, field

from baytrace_sim.loop.dense import DenseFluid, Isobar, Point
from baytrace_sim.loop.properties import Saturated

_TRIES = 40


@dataclass(slots=True)
class VesselSide:
    """m3, J/K of metal, kg, and the isobar it starts at. `settle` finds pressure and state from mass and energy (J, metal from
    0 K); `row` is the saturation line at its temperature, `vapour` what leaves at its top.
    """

    fluid: DenseFluid
    volume: float
    wall: float
    mass: float
    isobar: Isobar
    energy: float = 0.0
    point: Point = field(init=False)
    row: Saturated = field(init=False)
    vapour: Point = field(init=False)
    liquid_kg: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self.point = self.isobar.at_volume(self.volume / self.mass)
        self.energy = self._energy(self.point)
        self._read()

    @property
    def pressure_pa(self) -> float:
        return self.isobar.pressure_pa

    @property
    def temperature_k(self) -> float:
        return self.point.temperature_k

    def _energy(self, point: Point) -> float:
        return self.mass * (point.h - point.pv) + self.wall * point.temperature_k

    def _tried(self, pressure_pa: float) -> tuple[Isobar, Point, float]:
        isobar = self.fluid.isobar(pressure_pa)
        point = isobar.at_volume(self.volume / self.mass)
        return isobar, point, self._energy(point) - self.energy

    def settle(self) -> None:
        """Pressure by false position (Illinois): at a given density energy rises with it."""
        close = 1e-5 * self.wall
        low = self._tried(self.isobar.pressure_pa)
        step = -0.003 if low[2] > 0.0 else 0.003
        high = low
        while abs(low[2]) > close and low[2] * high[2] > 0.0 and abs(step) < 1e3:
            low, high = high, self._tried(max(high[0].pressure_pa * (1.0 + max(step, -0.6)), 60.0))
            step *= 3.0
        weights = [low[2], high[2]]
        for _ in range(_TRIES):
            if abs(high[2]) <= close or low is high:
                break
            pressure = (weights[1] * low[0].pressure_pa - weights[0] * high[0].pressure_pa) / (weights[1] - weights[0])
            found = self._tried(pressure)
            if found[2] * high[2] < 0.0:
                low, weights = high, [high[2], found[2]]
            else:
                weights = [0.5 * weights[0], found[2]]
            high = found
        self.isobar, self.point, _ = high
        self._read()

    def _read(self) -> None:
        point, dome = self.point, self.isobar.dome
        self.row = self.fluid.at(point.temperature_k)
        if dome is None or point.h >= dome[1].h:
            self.liquid_kg, self.vapour = 0.0, point
            return
        dry = max((point.h - dome[0].h) / (dome[1].h - dome[0].h), 0.0)
        self.liquid_kg, self.vapour = (1.0 - dry) * self.mass, dome[1]
