"""The high side of a loop above (or below) the critical point: cells in a row at one pressure, each with its own metal.

Theory. Every cell holds mass and energy (refrigerant and metal together, one temperature). A step is implicit: for a tried
pressure each cell's balance gives its enthalpy from what comes in,

    (C + K dt) T(h) + (M + m_in dt) h = E + m_in h_in dt + K T_air dt + V p

(M, E before the step; C the metal, K the conductance to the air), then its new mass and so what it passes on. The pressure is the
one at which the last cell passes on what the expansion device takes. New masses and energies are booked from the flows, so
both are kept to rounding whatever the search leaves over.

Limits: no pressure drop, no conduction along the metal. Where refrigerant flows backwards (while standing) a cell receives what
the next one held before the step.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from baytrace_sim.loop.dense import DenseFluid, Isobar
from baytrace_sim.loop.false_position import closing_in

_TRIES, _CLOSE_KG_S, _CLOSE_J = 40, 1e-7, 1e-5
_LEAST_H, _MOST_H = 60e3, 900e3
_LOWEST_PA, _HIGHEST_PA = 60.0, 248e5


@dataclass(slots=True)
class Cell:
    """m3, wall J/K, share of the air's conductance; then what it holds: kg, J (wall from 0 K), J/kg and K as last found."""

    volume: float
    wall: float
    share: float
    mass: float
    energy: float
    h: float
    temperature_k: float


class Inflow(NamedTuple):
    """kg/s and J/kg."""

    flow: float
    h: float


class Ends(NamedTuple):
    """What acts on the row in a step: what comes in, the air (K, W/K of the whole), what the expansion device takes by the
    isobar and the last cell's enthalpy (kg/s), and J/kg of what would come back through it.
    """

    inflow: Inflow
    air_k: float
    conductance: float
    takes: Callable[[Isobar, float], float]
    back_h: float


class _Tried(NamedTuple):
    """A whole row at a tried pressure: J/kg, kg, kg/s passed on by each cell."""

    pressure_pa: float
    h: list[float]
    masses: list[float]
    flows: list[float]
    wrong: float


class GasCooler:
    """Cells from the compressor to the expansion device; the last ones without air are the line."""

    def __init__(self, fluid: DenseFluid, cells: Sequence[Cell], pressure_pa: float) -> None:
        self.fluid, self.cells, self.pressure_pa = fluid, list(cells), pressure_pa

    @property
    def mass(self) -> float:
        return sum(cell.mass for cell in self.cells)

    @property
    def exit(self) -> Cell:
        """The last cell that air passes over."""
        return next(cell for cell in reversed(self.cells) if cell.share > 0.0)

    @property
    def last(self) -> Cell:
        return self.cells[-1]

    def step(self, dt_s: float, ends: Ends) -> tuple[float, float, float]:
        """Let `dt_s` pass; kg/s that left (negative: came back), J/kg it carries, W to the air."""
        found = self._search(dt_s, ends)
        inflow = ends.inflow
        heat = 0.0
        isobar = self.fluid.isobar(found.pressure_pa)
        flow, carried = inflow.flow, inflow.flow * inflow.h
        for index, cell in enumerate(self.cells):
            cell.h = found.h[index]
            cell.temperature_k = isobar.near(cell.h)[0]
            own = cell.share * ends.conductance * (cell.temperature_k - ends.air_k)
            leaving = self._leaving(found.flows[index], found.h, index, ends.back_h)
            cell.energy += dt_s * (carried - found.flows[index] * leaving - own)
            cell.mass += dt_s * (flow - found.flows[index])
            flow, carried = found.flows[index], found.flows[index] * leaving
            heat += own
        self.pressure_pa = found.pressure_pa
        return flow, carried / flow if flow else self.last.h, heat

    def _leaving(self, flow: float, h: list[float], index: int, back_h: float) -> float:
        if flow >= 0.0:
            return h[index]
        return self.cells[index + 1].h if index + 1 < len(self.cells) else back_h

    def _search(self, dt_s: float, ends: Ends) -> _Tried:
        """The pressure: what is passed on falls with it, what the device takes rises."""

        def tried(pressure_pa: float) -> _Tried:
            return self._row(pressure_pa, dt_s, ends)

        first = tried(self.pressure_pa)
        if abs(first.wrong) < _CLOSE_KG_S:
            return first
        step = 0.002 * self.pressure_pa if first.wrong > 0.0 else -0.002 * self.pressure_pa
        other = tried(_kept(self.pressure_pa + step))
        while other.wrong * first.wrong > 0.0 and _LOWEST_PA < other.pressure_pa < _HIGHEST_PA:
            step *= 3.0
            first, other = other, tried(_kept(other.pressure_pa + step))
        for found in closing_in(tried, first, other):
            if abs(found.wrong) < _CLOSE_KG_S or found.wrong == other.wrong:
                return found
            other = found
        return other

    def _row(self, pressure_pa: float, dt_s: float, ends: Ends) -> _Tried:
        isobar = self.fluid.isobar(pressure_pa)
        flow, carried = ends.inflow.flow, ends.inflow.flow * ends.inflow.h
        h, masses, flows = [], [], []
        for index, cell in enumerate(self.cells):
            back = self.cells[index + 1].h if index + 1 < len(self.cells) else ends.back_h
            air = ends.air_k, cell.share * ends.conductance
            here, mass = _cell(isobar, cell, (flow, carried, back), air, dt_s)
            flow -= (mass - cell.mass) / dt_s
            carried = flow * (here if flow >= 0.0 else back)
            h.append(here)
            masses.append(mass)
            flows.append(flow)
        return _Tried(pressure_pa, h, masses, flows, flow - ends.takes(isobar, h[-1]))


def _kept(pressure_pa: float) -> float:
    return min(max(pressure_pa, _LOWEST_PA), _HIGHEST_PA)


def _cell(
    isobar: Isobar, cell: Cell, streams: tuple[float, float, float], air: tuple[float, float], dt_s: float
) -> tuple[float, float]:  # fmt: skip
    """J/kg and kg in a cell at the end of the step. `streams`: kg/s in, W in, J/kg of what may flow back into it."""
    flow, carried, back = streams
    air_k, conductance = air
    pv = cell.volume * isobar.pressure_pa
    goal = cell.energy + dt_s * (carried + conductance * air_k) + pv
    metal, through = cell.wall + dt_s * conductance, dt_s * flow + cell.mass
    low, high, h = _LEAST_H, _MOST_H, cell.h
    mass = cell.mass
    for _ in range(_TRIES):
        temperature, volume, warming, swelling = isobar.near(h)
        mass = pv / volume
        if through >= mass:  # what leaves has this cell's enthalpy
            wrong = metal * temperature + through * h - goal
            steep = metal * warming + through
        else:  # what comes back has the next one's
            wrong = metal * temperature + mass * (h - back) + through * back - goal
            steep = metal * warming + mass * (1.0 - (h - back) * swelling / volume)
        if abs(wrong) < _CLOSE_J:
            break
        if wrong > 0.0:
            high = h
        else:
            low = h
        h = h - wrong / steep if steep > 0.0 else low
        if not low < h < high:
            h = 0.5 * (low + high)
    return h, mass
