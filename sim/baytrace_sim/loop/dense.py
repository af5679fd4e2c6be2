"""A refrigerant on both sides of its critical point, as tables over pressure and enthalpy.

Rules of this file:
- SI: Pa absolute, J/kg, kg/m3, K, J/(kg K). Pressure and enthalpy fix every state: liquid, vapour, both together or neither,
  so nothing here asks which it is.
- What is tabulated is pressure times volume (J/kg), temperature and entropy, every 4 kJ/kg along isobars that lie closer where
  the fluid bends most, filled from CoolProp along temperatures. Between isobars straight lines; on an isobar the ends of
  the dome are put in from the saturation line, so that evaporation is level.
- Limits: 222 to 490 K, up to 250 bar. Below the triple pressure there is vapour alone (no dry ice).
"""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from typing import NamedTuple

import CoolProp
import numpy as np
import numpy.typing as npt

from baytrace_sim.loop.properties import SaturationLine

_COLDEST_K = 222.15
_STEP_H = 4e3
_Curves = npt.NDArray[np.float64]


class Point(NamedTuple):
    """One state: enthalpy, pressure times volume, temperature, entropy."""

    h: float
    pv: float
    temperature_k: float
    s: float


def _pressures() -> npt.NDArray[np.float64]:
    parts = (
        np.geomspace(50.0, 5e5, 14)[:-1],
        np.geomspace(5e5, 20e5, 12)[:-1],
        np.arange(20e5, 66e5, 1.5e5),
        np.arange(66e5, 90e5, 0.75e5),
        np.arange(90e5, 160e5, 2.5e5),
        np.arange(160e5, 251e5, 10e5),
    )
    return np.concatenate(parts)


_TEMPERATURES = np.concatenate(
    (np.arange(_COLDEST_K, 294.0, 4.0), np.arange(294.15, 320.0, 0.6), np.arange(320.15, 492.0, 5.0))
)


class Isobar:
    """States along one pressure."""

    __slots__ = ("_h", "_pv", "_s", "_t", "dome", "pressure_pa")

    def __init__(
        self, pressure_pa: float, grid: list[float], columns: list[list[float]], dome: tuple[Point, Point] | None
    ) -> None:
        """`columns` hold pressure times volume, temperature, entropy at each enthalpy of `grid`; `dome` is its liquid and its
        vapour end, where there is one.
        """
        self.pressure_pa, self.dome = pressure_pa, dome
        h, (pv, temperature, entropy) = grid, columns
        if dome is not None:
            h = grid.copy()
            first, past = bisect_right(h, dome[0].h), bisect_right(h, dome[1].h)
            for column, ends in zip((h, pv, temperature, entropy), zip(*dome, strict=True), strict=True):
                column[first:past] = ends
        self._h, self._pv, self._t, self._s = h, pv, temperature, entropy

    def _along(self, line: list[float], value: float) -> tuple[int, float]:
        index = min(max(bisect_right(line, value) - 1, 0), len(line) - 2)
        return index, (value - line[index]) / (line[index + 1] - line[index])

    def _read(self, index: int, share: float) -> Point:
        h, pv, temperature, entropy = self._h, self._pv, self._t, self._s
        return Point(
            h[index] + share * (h[index + 1] - h[index]),
            max(pv[index] + share * (pv[index + 1] - pv[index]), 1.0),
            temperature[index] + share * (temperature[index + 1] - temperature[index]),
            entropy[index] + share * (entropy[index + 1] - entropy[index]),
        )

    def at(self, h: float) -> Point:
        return self._read(*self._along(self._h, h))

    def near(self, h: float) -> tuple[float, float, float, float]:
        """Temperature and pressure times volume, then their slopes along the isobar (K per J/kg, 1)."""
        grid, pv, temperature = self._h, self._pv, self._t
        index = bisect_right(grid, h) - 1
        if index < 0 or index > len(grid) - 2:
            index = 0 if index < 0 else len(grid) - 2
        start = grid[index]
        span = grid[index + 1] - start
        warming = (temperature[index + 1] - temperature[index]) / span
        swelling = (pv[index + 1] - pv[index]) / span
        beyond = h - start
        volume = pv[index] + swelling * beyond
        return temperature[index] + warming * beyond, max(volume, 1.0), warming, swelling

    def at_entropy(self, s: float) -> Point:
        return self._read(*self._along(self._s, s))

    def at_volume(self, volume: float) -> Point:
        """The state with m3/kg `volume`."""
        return self._read(*self._along(self._pv, self.pressure_pa * volume))

    def at_temperature(self, temperature_k: float) -> Point:
        """Outside the dome; on its line the liquid's end."""
        return self._read(*self._along(self._t, temperature_k))

    def density(self, h: float) -> float:
        return self.pressure_pa / self.at(h).pv


class DenseFluid(SaturationLine):
    """Tables of one pure fluid around its critical point."""

    def __init__(self, name: str) -> None:
        super().__init__(name, 0.3)
        grid = np.arange(95e3, 710e3, _STEP_H)
        self._h: list[float] = grid.tolist()
        nodes = _pressures()
        self._nodes: list[float] = nodes.tolist()
        self._curves = [self._filled(float(pressure), grid) for pressure in nodes]

    def _filled(self, pressure_pa: float, grid: npt.NDArray[np.float64]) -> _Curves:
        """Columns over the grid of enthalpies at one pressure, (3, n)."""
        ends = self._dome(pressure_pa)
        rows = [
            point
            for temperature in _TEMPERATURES
            if (point := self._single(pressure_pa, float(temperature))) is not None
        ]
        table = np.array(sorted([*rows, *(ends or ())]))
        columns = [np.interp(grid, table[:, 0], table[:, place]) for place in (1, 2, 3)]
        for place, column in enumerate(columns, start=1):
            _extend(grid, column, table[:, 0], table[:, place])
        return np.array(columns)

    def _single(self, pressure_pa: float, temperature_k: float) -> Point | None:
        """A state outside the dome; none within a hair of the line, where pressure and temperature do not fix one."""
        if pressure_pa < self.critical_pa and abs(self.saturation_temperature(pressure_pa) - temperature_k) < 0.02:
            return None
        self._state.update(CoolProp.PT_INPUTS, pressure_pa, temperature_k)
        state = self._state
        return Point(state.hmass(), pressure_pa / state.rhomass(), temperature_k, state.smass())

    def _dome(self, pressure_pa: float) -> tuple[Point, Point] | None:
        if not self._pressures[0] <= pressure_pa <= self._pressures[-1]:
            return None
        temperature = self.saturation_temperature(pressure_pa)
        row = self.at(temperature)
        liquid_s = row.s_v - (row.h_v - row.h_l) / temperature
        return (
            Point(row.h_l, pressure_pa / row.rho_l, temperature, liquid_s),
            Point(row.h_v, pressure_pa / row.rho_v, temperature, row.s_v),
        )

    def isobar(self, pressure_pa: float) -> Isobar:
        nodes = self._nodes
        kept = min(max(pressure_pa, nodes[0]), nodes[-1])
        index = min(max(bisect_right(nodes, kept) - 1, 0), len(nodes) - 2)
        share = (kept - nodes[index]) / (nodes[index + 1] - nodes[index])
        lower = self._curves[index]
        columns: list[list[float]] = (lower + share * (self._curves[index + 1] - lower)).tolist()
        return Isobar(kept, self._h, columns, self._dome(kept))

    def resting(self, density: float, temperature_k: float) -> float:
        """Pa of an evenly filled space."""
        self._state.update(CoolProp.DmassT_INPUTS, density, temperature_k)
        return float(self._state.p())


def _extend(
    grid: npt.NDArray[np.float64], column: npt.NDArray[np.float64], h: npt.NDArray[np.float64],
    values: npt.NDArray[np.float64],
) -> None:  # fmt: skip
    """Beyond the coldest and the hottest state: a straight line on, so that every column goes on rising with enthalpy."""
    below, above = grid < h[0], grid > h[-1]
    first = (values[1] - values[0]) / (h[1] - h[0])
    last = (values[-1] - values[-2]) / (h[-1] - h[-2])
    column[below] = values[0] + first * (grid[below] - h[0])
    column[above] = values[-1] + last * (grid[above] - h[-1])


@lru_cache(maxsize=2)
def dense_fluid(name: str) -> DenseFluid:
    """The tables of a fluid, filled at the first call (about half a second)."""
    return DenseFluid(name)
