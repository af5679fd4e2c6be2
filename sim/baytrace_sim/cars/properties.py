"""Refrigerant and humid air as splines over arrays, filled from CoolProp once a fluid and process.

SI throughout: K, Pa absolute, kg/m3, J/kg, J/(kg K). Enthalpies keep CoolProp's reference state. Every function takes and gives
arrays of one shape (numbers too). The saturation line is a cubic spline over 1 K, superheated vapour one over 3 K of saturation
temperature and of superheat, up to 130 K; both hold their edge beyond it. Errors against CoolProp: saturation below 1e-4 of a
value, vapour below 0.2 K (`tests/unit/test_cars_properties.py`).
"""

from __future__ import annotations

from functools import cache

import CoolProp
import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline, RectBivariateSpline

from baytrace.physics.air import humid_air
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import abstract_state

Floats = npt.NDArray[np.float64]

LOWEST_K, BELOW_CRITICAL_K, MOST_SUPERHEAT_K = 213.15, 2.0, 130.0
_COLUMNS = ("p", "rho_l", "rho_v", "h_l", "h_v", "s_v", "cp_l", "cp_v")


class Saturated:
    """The line at one temperature each: Pa, then liquid (l) and vapour (v) values."""

    __slots__ = ("cp_l", "cp_v", "h_l", "h_v", "p", "rho_l", "rho_v", "s_v", "t")

    def __init__(self, t: Floats, values: Floats) -> None:
        self.t = t
        self.p, self.rho_l, self.rho_v = np.exp(values[..., 0]), values[..., 1], np.exp(values[..., 2])
        self.h_l, self.h_v, self.s_v = values[..., 3], values[..., 4], values[..., 5]
        self.cp_l, self.cp_v = values[..., 6], values[..., 7]

    @property
    def latent(self) -> Floats:
        """J/kg"""
        return self.h_v - self.h_l


class Properties:
    """One refrigerant that condenses."""

    def __init__(self, name: str) -> None:
        fluid = resolve(name)
        self.name, self.critical_k = fluid.name, fluid.critical_temperature_k
        self.gas_constant = 8.314462618 / fluid.molar_mass
        self.highest_k = fluid.critical_temperature_k - BELOW_CRITICAL_K
        self._state = abstract_state(fluid)
        grid = np.append(np.arange(LOWEST_K, self.highest_k - 0.5, 1.0), self.highest_k)
        rows = np.array([self._saturated(float(t)) for t in grid])
        rows[:, [0, 2]] = np.log(rows[:, [0, 2]])
        self._line = CubicSpline(grid, rows)
        self._boiling = CubicSpline(rows[:, 0], grid)
        self._range = (float(rows[0, 0]), float(rows[-1, 0]))
        self._fill_vapour()

    def _saturated(self, t: float) -> list[float]:
        state, values = self._state, []
        for quality in (0.0, 1.0):
            state.update(CoolProp.QT_INPUTS, quality, t)
            values.append((state.p(), state.rhomass(), state.hmass(), state.smass(), state.cpmass()))
        (p, rho_l, h_l, _, cp_l), (_, rho_v, h_v, s_v, cp_v) = values
        return [p, rho_l, rho_v, h_l, h_v, s_v, cp_l, cp_v]

    def _fill_vapour(self) -> None:
        over = np.arange(0.0, MOST_SUPERHEAT_K + 1.0, 3.0)
        line = np.append(np.arange(LOWEST_K, self.highest_k - 1.5, 3.0), self.highest_k)
        rho, dh, ds = (np.zeros((len(line), len(over))) for _ in range(3))
        state = self._state
        for i, t in enumerate(line):
            row = self._saturated(float(t))
            for j, k in enumerate(over):
                if j == 0:
                    rho[i, j] = row[2]
                    continue
                state.specify_phase(CoolProp.iphase_gas)
                state.update(CoolProp.PT_INPUTS, row[0], float(t + k))
                rho[i, j], dh[i, j], ds[i, j] = state.rhomass(), state.hmass() - row[4], state.smass() - row[5]
            state.unspecify_phase()
        self._rho = RectBivariateSpline(line, over, np.log(rho))
        self._dh = RectBivariateSpline(line, over, dh)
        self._ds = RectBivariateSpline(line, over, ds)
        # the same surfaces read the other way: superheat by enthalpy, enthalpy by entropy above the saturated vapour's
        enthalpies, entropies = (
            np.linspace(0.0, float(dh[:, -1].min()), 50),
            np.linspace(0.0, float(ds[:, -1].min()), 50),
        )
        self._ranges = (float(enthalpies[-1]), float(entropies[-1]))
        warm = np.array([CubicSpline(row, over)(enthalpies) for row in dh])
        ideal = np.array([CubicSpline(by, row)(entropies) for by, row in zip(ds, dh, strict=True)])
        self._warm = RectBivariateSpline(line, enthalpies, warm)
        self._ideal = RectBivariateSpline(line, entropies, ideal)

    def at(self, t: npt.ArrayLike) -> Saturated:
        """The saturation line at temperatures in K."""
        inside = np.clip(np.asarray(t, dtype=np.float64), LOWEST_K, self.highest_k)
        return Saturated(inside, np.asarray(self._line(inside), dtype=np.float64))

    def saturation_temperature(self, p: npt.ArrayLike) -> Floats:
        """K, held at the line's ends."""
        found = self._boiling(np.clip(np.log(np.maximum(p, 1.0)), *self._range))
        return np.asarray(found, dtype=np.float64)

    def vapour(self, saturation_k: npt.ArrayLike, superheat_k: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Density, enthalpy above that of saturated vapour, entropy above it."""
        line, over = np.asarray(saturation_k), np.clip(superheat_k, 0.0, MOST_SUPERHEAT_K)
        line = np.clip(line, LOWEST_K, self.highest_k)
        return np.exp(self._rho.ev(line, over)), self._dh.ev(line, over), self._ds.ev(line, over)

    def superheat(self, saturation_k: npt.ArrayLike, above: npt.ArrayLike) -> Floats:
        """K of superheat of vapour `above` J/kg richer than saturated vapour of that saturation temperature."""
        line = np.clip(saturation_k, LOWEST_K, self.highest_k)
        return np.asarray(self._warm.ev(line, np.clip(above, 0.0, self._ranges[0])), dtype=np.float64)

    def compressed(self, saturation_k: npt.ArrayLike, above: npt.ArrayLike) -> Floats:
        """J/kg above saturated vapour's enthalpy, for entropy `above` (J/(kg K)) saturated vapour's; negative where wet."""
        line, more = np.clip(saturation_k, LOWEST_K, self.highest_k), np.asarray(above)
        dry = self._ideal.ev(line, np.clip(more, 0.0, self._ranges[1]))
        return np.where(more < 0.0, line * more, dry)


@cache
def properties(name: str) -> Properties:
    return Properties(name)


_AIR_K = np.arange(223.15, 354.0, 1.0)


@cache
def _wet_air() -> tuple[CubicSpline[np.float64], CubicSpline[np.float64]]:
    humidity = np.array([humid_air(float(t), 1.0).humidity_ratio for t in _AIR_K])
    saturated = air_enthalpy(_AIR_K, humidity)
    return CubicSpline(_AIR_K, np.log(humidity)), CubicSpline(saturated, _AIR_K)


def air_enthalpy(t: npt.ArrayLike, humidity_ratio: npt.ArrayLike) -> Floats:
    """J per kg of dry air, zero for dry air at 0 degC (ASHRAE Fundamentals, psychrometrics chapter)."""
    celsius = np.asarray(t, dtype=np.float64) - 273.15
    return np.asarray(1006.0 * celsius + np.asarray(humidity_ratio) * (2_501_000.0 + 1860.0 * celsius))


def saturated_humidity(t: npt.ArrayLike) -> Floats:
    """kg of water per kg of dry air, at the standard atmosphere."""
    return np.asarray(np.exp(_wet_air()[0](np.clip(t, _AIR_K[0], _AIR_K[-1]))), dtype=np.float64)


def surface_temperature(saturated_enthalpy: npt.ArrayLike) -> Floats:
    """K of the surface whose saturated air has that enthalpy."""
    spline = _wet_air()[1]
    return np.asarray(spline(np.clip(saturated_enthalpy, spline.x[0], spline.x[-1])), dtype=np.float64)
