"""A compressor as polynomials and a refrigerant as straight lines: what the lumped loop calculates with.

Theory. Capacity and power of a compressor over evaporating and condensing temperature are given in makers' data sheets as
polynomials (EN 12900 and AHRI 540 use ten terms); here each has the nine terms of a bi-quadratic, per cubic metre swept. They
are fitted once a refrigerant to a machine of usual efficiencies (common practice, no source), and a car's own machine differs
by its factors. Vapour pressure is an Antoine line, enthalpy differences are planes.

Temperatures in degC, pressures in Pa absolute, enthalpies in J/kg; arrays of one shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import curve_fit

from baytrace_sim.cars.properties import properties

Floats = npt.NDArray[np.float64]

RATED_SUPERHEAT_K, RATED_SUBCOOLING_K = 8.0, 5.0
_COLD = np.linspace(-22.0, 26.0, 13)
_HOT = np.linspace(22.0, 86.0, 17)
_LEAST_LIFT_K = 12.0


@dataclass(frozen=True, slots=True)
class Lines:
    """Fits of one refrigerant: `capacity` and `power` coefficients (9,) in J per m3 swept, `effect` of an enthalpy difference
    (1, evaporating, liquid, superheat), `antoine` of ln p = a - b / (t + c).
    """

    capacity: Floats
    power: Floats
    effect: Floats
    antoine: tuple[float, float, float]

    def pressure(self, t: Floats) -> Floats:
        a, b, c = self.antoine
        return np.asarray(np.exp(a - b / (t + c)))

    def boiling(self, p: Floats) -> Floats:
        a, b, c = self.antoine
        return np.asarray(b / (a - np.log(p)) - c)

    def effect_of(self, evaporating: Floats, liquid: Floats, superheat: Floats) -> Floats:
        """J/kg taken up between the liquid line and the suction line."""
        one, cold, warm, over = self.effect
        return np.asarray(one + cold * evaporating + warm * liquid + over * superheat)


def terms(evaporating: Floats, condensing: Floats) -> Floats:
    """The nine terms of a bi-quadratic, first axis."""
    e, c = evaporating / 10.0, condensing / 10.0
    one = np.ones_like(e * c)
    return np.stack([one, e, c, e * e, e * c, c * c, e * e * c, e * c * c, e * e * c * c])


@cache
def lines(refrigerant: str) -> Lines:
    fluid = properties(refrigerant)
    cold, hot = (grid.ravel() for grid in np.meshgrid(_COLD, _HOT[fluid.highest_k - 278.15 > _HOT], indexing="ij"))
    inside = hot - cold > _LEAST_LIFT_K
    cold, hot = cold[inside], hot[inside]
    low, high = fluid.at(cold + 273.15), fluid.at(hot + 273.15)
    density, over, entropy = fluid.vapour(cold + 273.15, RATED_SUPERHEAT_K)
    ideal = high.h_v + fluid.compressed(hot + 273.15, low.s_v + entropy - high.s_v)
    ratio = high.p / low.p
    volumetric, isentropic = 0.88 - 0.038 * (ratio - 1.0), 0.70 - 0.014 * np.abs(ratio - 3.5)
    liquid = fluid.at(hot + 273.15 - RATED_SUBCOOLING_K).h_l
    swept = volumetric * density
    basis = terms(cold, hot).T
    capacity = np.linalg.lstsq(basis, swept * (low.h_v + over - liquid), rcond=None)[0]
    power = np.linalg.lstsq(basis, swept * (ideal - low.h_v - over) / isentropic, rcond=None)[0]
    return Lines(
        np.asarray(capacity, dtype=np.float64),
        np.asarray(power, dtype=np.float64),
        _effect(refrigerant),
        _antoine(refrigerant),
    )


def _effect(refrigerant: str) -> Floats:
    fluid = properties(refrigerant)
    cold, warm, over = (grid.ravel() for grid in np.meshgrid(_COLD, np.linspace(15.0, 70.0, 12), (0.0, 10.0, 25.0)))
    gained = fluid.vapour(cold + 273.15, over)[1]
    rise = fluid.at(cold + 273.15).h_v + gained - fluid.at(warm + 273.15).h_l
    basis = np.stack([np.ones_like(cold), cold, warm, over], axis=1)
    return np.asarray(np.linalg.lstsq(basis, rise, rcond=None)[0])


def _antoine(refrigerant: str) -> tuple[float, float, float]:
    fluid = properties(refrigerant)
    t = np.arange(-25.0, fluid.highest_k - 275.0, 2.0)
    logs = np.log(fluid.at(t + 273.15).p)
    found = curve_fit(lambda x, a, b, c: a - b / (x + c), t, logs, p0=(21.0, 2100.0, 245.0))[0]
    return float(found[0]), float(found[1]), float(found[2])
