"""Where the refrigerant is: slip-ratio void fraction in the exchangers, levels in receiver or accumulator, and the loop at rest.

Void fraction 1 / (1 + (1 - x) / x (rho_v / rho_l)^(1 - q)); q is 1/3 after Zivi 1964 and drawn about it, for correlations
differ by that much. Quality runs evenly along an exchanger, so the mean over it has a closed form. Oil's share is left out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from baytrace_sim.cars.effectiveness.prior import Cars
from baytrace_sim.cars.properties import Floats, Properties, Saturated


def void(x: Floats, gamma: Floats) -> Floats:
    return np.asarray(x / (gamma + (1.0 - gamma) * x))


def mean_void(first: Floats, last: Floats, gamma: Floats) -> Floats:
    """Mean of `void` over qualities between two ends."""
    low, high = np.minimum(first, last), np.maximum(first, last)
    high = np.maximum(high, low + 1e-3)

    def whole(x: Floats) -> Floats:
        return np.asarray(x / (1.0 - gamma) - gamma / (1.0 - gamma) ** 2 * np.log(gamma + (1.0 - gamma) * x))

    return np.asarray((whole(high) - whole(low)) / (high - low))


def slip(row: Saturated, q: Floats) -> Floats:
    return np.asarray((row.rho_v / row.rho_l) ** (1.0 - q))


def _mixed(row: Saturated, share: Floats) -> Floats:
    return np.asarray(row.rho_l + share * (row.rho_v - row.rho_l))


class Fill(NamedTuple):
    """Shares of the condenser's face (desuperheating, liquid), of the coil that is dry; qualities at the condenser's outlet,
    the coil's inlet and outlet; the vessel's level; K of the discharge line and the suction line.
    """

    desuperheating: Floats
    liquid: Floats
    dry: Floats
    condenser_out: Floats
    coil_in: Floats
    coil_out: Floats
    level: Floats
    discharge_k: Floats
    suction_density: Floats


def held(cars: Cars, hot: Saturated, cold: Saturated, fill: Fill) -> Floats:
    """kg in the whole loop."""
    high, low = slip(hot, cars["slip"]), slip(cold, cars["slip"])
    condensing = np.clip(1.0 - fill.desuperheating - fill.liquid, 0.0, 1.0)
    desuperheating = 1.0 - condensing - fill.liquid
    gas = hot.rho_v * hot.t / np.maximum(fill.discharge_k, hot.t)
    two_phase = _mixed(hot, mean_void(fill.condenser_out, np.ones_like(hot.t), high))
    mass = cars["discharge_volume"] * gas
    mass = mass + cars["condenser_volume"] * (
        desuperheating * 0.5 * (gas + hot.rho_v) + condensing * two_phase + fill.liquid * hot.rho_l
    )
    mass = mass + cars["liquid_volume"] * _mixed(hot, void(fill.condenser_out, high))
    boiling = _mixed(cold, mean_void(fill.coil_in, fill.coil_out, low))
    mass = mass + cars["evaporator_volume"] * ((1.0 - fill.dry) * boiling + fill.dry * cold.rho_v)
    wet = _mixed(cold, void(fill.coil_out, low))
    mass = mass + cars["suction_volume"] * np.where(fill.coil_out < 1.0, wet, fill.suction_density)
    upright = np.where(cars.orifice, _mixed(cold, 1.0 - fill.level), _mixed(hot, 1.0 - fill.level))
    return np.asarray(mass + cars.vessel * upright)


def volume(cars: Cars) -> Floats:
    """m3 of the whole loop."""
    parts = ("discharge_volume", "condenser_volume", "liquid_volume", "evaporator_volume", "suction_volume")
    return np.asarray(sum(cars[name] for name in parts) + cars.vessel)


def gas_room(cars: Cars, hot: Saturated, fill_liquid: Floats, level: Floats) -> Floats:
    """m3 of vapour on the high side, where air gathers."""
    condensing = mean_void(np.zeros_like(hot.t), np.ones_like(hot.t), slip(hot, cars["slip"]))
    room = cars["discharge_volume"] + cars["condenser_volume"] * np.maximum(1.0 - fill_liquid, 0.05) * condensing
    return np.asarray(room + np.where(cars.orifice, 0.0, cars.vessel * (1.0 - level)))


class Standing(NamedTuple):
    """Pa of refrigerant, m3 of vapour."""

    pressure: Floats
    room: Floats


def standing(fluid: Properties, cars: Cars, charge: Floats, temperature: Floats) -> Standing:
    """The loop at rest at one temperature: saturated while liquid is left, else a gas that meets the line."""
    row = fluid.at(temperature)
    whole = volume(cars)
    density = charge / whole
    liquid = np.clip((density - row.rho_v) / (row.rho_l - row.rho_v), 0.0, 0.98)
    ideal = fluid.gas_constant * row.t
    bend = (row.p / (row.rho_v * ideal) - 1.0) / row.rho_v
    gas = density * ideal * (1.0 + bend * density)
    return Standing(np.where(density < row.rho_v, gas, row.p), whole * (1.0 - liquid))
