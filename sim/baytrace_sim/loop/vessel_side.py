"""The low side around the critical point: one volume in equilibrium with its metal, from vacuum to dense and back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from baytrace_sim.loop.dense import DenseFluid, Isobar, Point
from baytrace_sim.loop.false_position import closing_in
from baytrace_sim.loop.properties import Saturated


class _Tried(NamedTuple):
    """`wrong` in J."""

    isobar: Isobar
    point: Point
    wrong: float

    @property
    def pressure_pa(self) -> float:
        return self.isobar.pressure_pa


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

    def _tried(self, pressure_pa: float) -> _Tried:
        isobar = self.fluid.isobar(pressure_pa)
        point = isobar.at_volume(self.volume / self.mass)
        return _Tried(isobar, point, self._energy(point) - self.energy)

    def settle(self) -> None:
        """The pressure: at a given density energy rises with it."""
        close = 1e-5 * self.wall
        low = high = self._tried(self.isobar.pressure_pa)
        step = -0.003 if low.wrong > 0.0 else 0.003
        while abs(low.wrong) > close and low.wrong * high.wrong > 0.0 and abs(step) < 1e3:
            low, high = high, self._tried(max(high.pressure_pa * (1.0 + max(step, -0.6)), 60.0))
            step *= 3.0
        found = high
        if abs(high.wrong) > close and low is not high:
            for found in closing_in(self._tried, low, high):
                if abs(found.wrong) <= close:
                    break
        self.isobar, self.point, _ = found
        self._read()

    def _read(self) -> None:
        point, dome = self.point, self.isobar.dome
        self.row = self.fluid.at(point.temperature_k)
        if dome is None or point.h >= dome[1].h:
            self.liquid_kg, self.vapour = 0.0, point
            return
        dry = max((point.h - dome[0].h) / (dome[1].h - dome[0].h), 0.0)
        self.liquid_kg, self.vapour = (1.0 - dry) * self.mass, dome[1]
