"""Refrigerant properties as tables, filled from CoolProp once per fluid and process.

Rules of this file:
- SI throughout: K, Pa absolute, kg/m3, J/kg, J/(kg K). Enthalpies keep CoolProp's reference state.
- The saturation line is a table every 0.25 K read by straight lines (relative error below 2e-5), superheated vapour a table
  over saturation temperature (2 K) and superheat (4 K) read bilinearly (enthalpy within 50 J/kg).
- Vapour below saturation pressure at a temperature (a nearly empty loop) is a gas with one density correction, chosen so
  that it meets the saturation line exactly: p = rho R T (1 + b(T) rho).
- Limits: from 213 K (or the triple point) to 3 K below the critical point. Beyond them the nearest entry holds; the loop's pressure switches and
  design keep it away from there.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import lru_cache
from typing import NamedTuple

import CoolProp

from baytrace.measure.faults import BadInput
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import abstract_state

LOWEST_K, STEP_K = 213.15, 0.25
_SUPERHEAT_STEP_K, _SUPERHEATS, _LINE_STEP_K = 4.0, 36, 2.0
_GAS_CONSTANT = 8.314462618


class Saturated(NamedTuple):
    """One temperature on the saturation line: pressure, then liquid (l) and vapour (v) values; `u` is internal energy,
    `u_dilute` the vapour's internal energy at vanishing density, `k_liquid` cp of the liquid, `k_vapour` of the vapour.
    """

    p: float
    rho_l: float
    rho_v: float
    h_l: float
    h_v: float
    u_l: float
    u_v: float
    s_v: float
    k_liquid: float
    k_vapour: float
    u_dilute: float


class SaturationLine:
    """The line of one pure fluid, `below_critical_k` K short of its critical point. Raises BadInput for a blend."""

    def __init__(self, name: str, below_critical_k: float) -> None:
        fluid = resolve(name)
        if fluid.blend:
            raise BadInput(f"the loop cannot run on the blend {fluid.name}", right="a pure fluid such as R134a")
        self.name, self.critical_pa, self.critical_k = (
            fluid.name,
            fluid.critical_pressure_pa,
            fluid.critical_temperature_k,
        )
        self.lowest_k = max(LOWEST_K, float(math.ceil(fluid.lowest_temperature_k)) + 0.15)
        self.highest_k = fluid.critical_temperature_k - below_critical_k
        self._state = abstract_state(fluid)
        count = int((self.highest_k - self.lowest_k) / STEP_K)
        self._line = [self._saturated(self.lowest_k + STEP_K * index) for index in range(count)]
        self._pressures = [row.p for row in self._line]
        self._boiling = [row.h_l for row in self._line]

    def _saturated(self, temperature_k: float) -> Saturated:
        state, values = self._state, []
        for quality in (0.0, 1.0):
            state.update(CoolProp.QT_INPUTS, quality, temperature_k)
            values.append((state.p(), state.rhomass(), state.hmass(), state.umass(), state.smass(), state.cpmass()))
        liquid, vapour = values
        state.update(CoolProp.DmassT_INPUTS, 1e-3, temperature_k)
        return Saturated(
            liquid[0], liquid[1], vapour[1], liquid[2], vapour[2], liquid[3], vapour[3], vapour[4], liquid[5], vapour[5],
            state.umass(),
        )  # fmt: skip

    def at(self, temperature_k: float) -> Saturated:
        """The saturation line at a temperature."""
        place = (temperature_k - self.lowest_k) / STEP_K
        index = int(place)
        if place <= 0.0:
            return self._line[0]
        if index >= len(self._line) - 1:
            return self._line[-1]
        share = place - index
        return Saturated(*[a + share * (b - a) for a, b in zip(self._line[index], self._line[index + 1], strict=True)])

    def saturation_temperature(self, pressure_pa: float) -> float:
        pressures = self._pressures
        index = min(max(bisect_right(pressures, pressure_pa) - 1, 0), len(pressures) - 2)
        low, high = pressures[index], pressures[index + 1]
        share = min(max((pressure_pa - low) / (high - low), 0.0), 1.0)
        return self.lowest_k + STEP_K * (index + share)

    def boiling_pressure(self, h_l: float) -> float:
        """Pa at which liquid of that enthalpy boils; the line's end where none does."""
        index = min(max(bisect_right(self._boiling, h_l), 1), len(self._boiling) - 1)
        low, high = self._boiling[index - 1], self._boiling[index]
        share = min(max((h_l - low) / (high - low), 0.0), 1.0)
        return self._pressures[index - 1] + share * (self._pressures[index] - self._pressures[index - 1])


class Refrigerant(SaturationLine):
    """Tables of one pure fluid. Not for blends, and not for a fluid whose condenser works above its critical point."""

    def __init__(self, name: str) -> None:
        fluid = resolve(name)
        if fluid.transcritical:
            raise BadInput(
                f"this loop cannot run on {fluid.name}: its high side works above the critical point",
                right="R134a, R1234yf or R152a here; the loop with a gas cooler for R744",
            )
        super().__init__(name, 3.0)
        self.gas_constant = _GAS_CONSTANT / fluid.molar_mass
        every = round(_LINE_STEP_K / STEP_K)
        self._vapour = [self._superheated(index * every) for index in range((len(self._line) - 1) // every + 1)]

    def _superheated(self, line_index: int) -> tuple[list[float], list[float], list[float]]:
        """Density, enthalpy and entropy at superheats 0, 4, 8 ... K at one saturation temperature."""
        row = self._line[line_index]
        density, enthalpy, entropy = [row.rho_v], [row.h_v], [row.s_v]
        for step in range(1, _SUPERHEATS):
            temperature = self.lowest_k + STEP_K * line_index + _SUPERHEAT_STEP_K * step
            self._state.update(CoolProp.PT_INPUTS, row.p, temperature)
            density.append(self._state.rhomass())
            enthalpy.append(self._state.hmass())
            entropy.append(self._state.smass())
        return density, enthalpy, entropy

    def _between(self, saturation_k: float) -> tuple[int, float]:
        place = (saturation_k - self.lowest_k) / _LINE_STEP_K
        index = min(max(int(place), 0), len(self._vapour) - 2)
        return index, min(max(place - index, 0.0), 1.0)

    def vapour(self, saturation_k: float, superheat_k: float) -> tuple[float, float, float]:
        """Density, enthalpy and entropy of vapour at the pressure of `saturation_k`, that much warmer."""
        index, down = self._between(saturation_k)
        place = max(superheat_k, 0.0) / _SUPERHEAT_STEP_K
        step = min(int(place), _SUPERHEATS - 2)
        along = place - step
        upper, lower = self._vapour[index], self._vapour[index + 1]
        result = []
        for one, two in zip(upper, lower, strict=True):
            first = one[step] + along * (one[step + 1] - one[step])
            second = two[step] + along * (two[step + 1] - two[step])
            result.append(first + down * (second - first))
        return result[0], result[1], result[2]

    def superheat_of(self, saturation_k: float, value: float, column: int) -> float:
        """Superheat in K at which enthalpy (column 1) or entropy (column 2) has `value`; negative inside the dome."""
        index, down = self._between(saturation_k)
        upper, lower = self._vapour[index][column], self._vapour[index + 1][column]
        line = [a + down * (b - a) for a, b in zip(upper, lower, strict=True)]
        step = min(max(bisect_right(line, value) - 1, 0), _SUPERHEATS - 2)
        return _SUPERHEAT_STEP_K * (step + (value - line[step]) / (line[step + 1] - line[step]))


@lru_cache(maxsize=8)
def refrigerant(name: str) -> Refrigerant:
    """The tables of a fluid, filled at the first call (about 0.1 s). Raises BadInput for an unsuitable fluid."""
    return Refrigerant(name)
