"""Leak rates: throughput in the units people use, and what a leak found under vacuum would lose of refrigerant.

A vacuum hold measures air coming in (throughput, Pa m3/s at the loop's temperature). What leaks out in service is another
flow: other gas, other pressures. Two readings are given, always labelled, because they differ by a factor of tens:
- equal throughput: the same Pa m3/s, counted as refrigerant. The lower figure.
- laminar (viscous) scaling: flow through a fine channel goes as (p1^2 - p2^2) / viscosity (Poiseuille; used so in vacuum
  leak testing, EN 1779, from memory). Right for leaks of this size if they are one smooth channel; the higher figure.
Neither says what a leak that opens only under pressure will do.
"""

from __future__ import annotations

import re
from functools import cache
from typing import NamedTuple

from baytrace.measure.faults import BadInput
from baytrace.measure.later import Later

CoolProp = Later("CoolProp")
GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018, exact since 2019."""
YEAR_S = 365.25 * 86_400.0
PA_M3_S_PER_MBAR_L_S = 0.1
AIR_MOLAR_MASS = 0.028_965_46
"""kg/mol, dry air (ISO 2533:1975 gives 28.964 420 g/mol; the CIPM-2007 value is used)."""
WORKING_TEMPERATURE_K = 293.15


class Refrigerant(NamedTuple):
    """At `temperature_k`: saturation pressure (Pa), vapour viscosity (Pa s), molar mass (kg/mol)."""

    name: str
    temperature_k: float
    pressure_pa: float
    viscosity: float
    molar_mass: float


class Loss(NamedTuple):
    """Grams of refrigerant a year, by either assumption."""

    equal_throughput: float
    laminar: float


def mbar_l_s(throughput: float) -> float:
    """mbar L/s of a throughput in Pa m3/s."""
    return throughput / PA_M3_S_PER_MBAR_L_S


def molar_flow(throughput: float, temperature_k: float) -> float:
    """mol/s of a throughput in Pa m3/s of gas at K."""
    return throughput / (GAS_CONSTANT * temperature_k)


def standard_cc_s(throughput: float, temperature_k: float) -> float:
    """Standard cm3/s (0 degC, 101325 Pa) of a throughput in Pa m3/s of gas at K."""
    return molar_flow(throughput, temperature_k) * GAS_CONSTANT * 273.15 / 101_325.0 * 1e6


def grams_a_year(throughput: float, molar_mass: float, temperature_k: float) -> float:
    """g/year (365.25 d) of gas of `molar_mass` kg/mol at K."""
    return molar_flow(throughput, temperature_k) * molar_mass * 1e3 * YEAR_S


def laminar_ratio(inside_pa: float, viscosity: float, ambient_pa: float = 101_325.0) -> float:
    """Throughput out of a loop at `inside_pa` over throughput of air into it under vacuum, through the same fine channel."""
    return (inside_pa**2 - ambient_pa**2) / ambient_pa**2 * air_viscosity(WORKING_TEMPERATURE_K) / viscosity


def air_viscosity(temperature_k: float) -> float:
    """Pa s at atmospheric pressure: Sutherland's law as in ISO 2533:1975, equation 21."""
    return float(1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4))


@cache
def refrigerant(name: str, temperature_k: float = WORKING_TEMPERATURE_K) -> Refrigerant:
    """Standing vapour over liquid at K. Raises BadInput for a name that is no known refrigerant or is above critical."""
    tidy = re.sub(r"[\s_-]", "", name)
    try:
        state = CoolProp.AbstractState("HEOS", tidy)
        state.update(CoolProp.QT_INPUTS, 1.0, temperature_k)
        return Refrigerant(tidy, temperature_k, state.p(), state.viscosity(), state.molar_mass())
    except ValueError:
        raise BadInput(
            f"no vapour properties of refrigerant {name!r} at {temperature_k - 273.15:.0f} degC",
            where="refrigerant",
            right="write e.g. R134a, R1234yf or R744",
        ) from None


def yearly_loss(air_in: float, gas: Refrigerant, ambient_pa: float = 101_325.0) -> Loss:
    """What a leak of `air_in` Pa m3/s under vacuum would lose of a standing loop at `gas.temperature_k`."""
    equal = grams_a_year(air_in, gas.molar_mass, gas.temperature_k)
    return Loss(equal, equal * laminar_ratio(gas.pressure_pa, gas.viscosity, ambient_pa))
