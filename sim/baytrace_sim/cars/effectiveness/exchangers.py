"""Condenser in three zones and wet evaporator, by effectiveness.

Condenser: crossflow, the refrigerant mixed, the air not. A strip of the face passes its air at effectiveness
1 - exp(-NTU) against the local refrigerant, so along the flow a single phase comes towards the air's temperature exponentially,
and the face that a phase needs has a closed form. Evaporator: effectiveness on enthalpies, the refrigerant's side reckoned by
the slope of saturated air's enthalpy (Braun, Klein and Mitchell 1989, "Effectiveness models for cooling towers and cooling
coils", from memory); a coil is as wet as gives the more heat, all dry or all wet.

Left out: pressure drop's effect on temperatures within an exchanger, maldistribution, frost.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from baytrace_sim.cars.effectiveness.prior import Cars
from baytrace_sim.cars.properties import (
    Floats,
    Properties,
    Saturated,
    air_enthalpy,
    saturated_humidity,
    surface_temperature,
)

AIR_CP = 1006.0
LEAST_GAP_K = 0.3


class CondenserAir(NamedTuple):
    """W/K of the air, and its shares taken up by a strip that condenses, desuperheats and holds liquid."""

    capacity: Floats
    condensing: Floats
    desuperheating: Floats
    liquid: Floats


def condenser_air(cars: Cars, pressure: Floats, share: Floats, flow: Floats, blanket: Floats) -> CondenserAir:
    """`share` of the air is left; fans run up with the high side's `pressure`; `blanket` is what air inside leaves of the
    condensing film.
    """
    ramp = np.clip((pressure - cars["fan_at"]) / 0.3e6, 0.0, 1.0)
    fan = cars["fan_low"] + (1.0 - cars["fan_low"]) * ramp
    way = share * fan * np.where(cars.fast, cars["fast_air"], 1.0)
    capacity = cars["condenser_air"] * way * 353.0 / cars.ambient * AIR_CP
    units = cars["condenser_units"] * way ** (cars["air_exponent"] - 1.0)
    inside = (np.maximum(flow, 2e-3) / (0.03 * cars["size"])) ** 0.4
    single = 2.0 * inside / (1.0 + inside)

    def taken(part: Floats) -> Floats:
        return -np.expm1(-units * part)

    return CondenserAir(
        capacity, taken(blanket), taken(cars["desuperheating"] * single), taken(cars["liquid"] * single)
    )


class Evaporator(NamedTuple):
    """W from the air if the whole coil boiled, how that air leaves (K), and K of the fins."""

    heat: Floats
    outlet: Floats
    surface: Floats


def coil_air(cars: Cars) -> Floats:
    """kg/s of dry air."""
    return np.asarray(cars["blower"] * 353.0 / cars.inlet)


def boiling_coil(cars: Cars, evaporating: Floats) -> Evaporator:
    air, units, inside = coil_air(cars), cars["coil_units"], cars["coil_inside"]
    touched = -np.expm1(-units)
    entering = air_enthalpy(cars.inlet, cars.humidity_ratio)
    at_coil = air_enthalpy(evaporating, saturated_humidity(evaporating))
    warmer = evaporating + 5.0
    slope = np.maximum((air_enthalpy(warmer, saturated_humidity(warmer)) - at_coil) / 5.0, AIR_CP)
    wet_units = units / (1.0 + slope / AIR_CP / inside)
    wet = -np.expm1(-wet_units) * (entering - at_coil)
    dry = -np.expm1(-units * inside / (1.0 + inside)) * AIR_CP * (cars.inlet - evaporating)
    heat = np.maximum(wet, dry)
    surface = surface_temperature(entering - heat / touched)
    outlet_wet = surface + (cars.inlet - surface) * np.exp(-units)
    is_wet = wet > dry
    outlet = np.where(is_wet, outlet_wet, cars.inlet - heat / AIR_CP)
    fins = np.where(is_wet, surface, cars.inlet - heat / AIR_CP / touched)
    return Evaporator(air * heat, outlet, fins)


def superheating(cars: Cars, row: Saturated, dry: Floats, flow: Floats) -> Floats:
    """K at the coil's outlet, when a share `dry` of it holds vapour alone."""
    air = coil_air(cars) * AIR_CP
    inside = cars["coil_inside"] * cars["coil_vapour"]
    taken = -np.expm1(-cars["coil_units"] * inside / (1.0 + inside))
    return np.asarray(
        np.maximum(cars.inlet - row.t, 0.0) * -np.expm1(-air * taken * dry / (np.maximum(flow, 1e-5) * row.cp_v))
    )


class Rejected(NamedTuple):
    """Share of the face that desuperheats; W that the face left for condensing takes; liquid's temperature; the zones' W."""

    desuperheating: Floats
    condensing_w: Floats
    liquid_k: Floats
    heat: Floats


def reject(
    fluid: Properties, row: Saturated, air: CondenserAir, entering_k: Floats, *,
    hot_k: Floats, hot_h: Floats, flow: Floats, liquid: Floats,
) -> Rejected:  # fmt: skip
    """`liquid` is the share of the face full of it; refrigerant enters at `hot_k`, `hot_h`, air at `entering_k`."""
    gap = np.maximum(row.t - entering_k, LEAST_GAP_K)
    warm = np.maximum(hot_h - row.h_v, 0.0)
    over = np.maximum(hot_k - row.t, 1e-6)
    face = flow * warm / over / (air.capacity * air.desuperheating) * np.log1p(over / gap)
    condensing = air.capacity * air.condensing * (1.0 - liquid - face) * (row.t - entering_k)
    closer = np.exp(-air.capacity * air.liquid * liquid / (np.maximum(flow, 1e-5) * row.cp_l))
    liquid_k = row.t - (row.t - entering_k) * (1.0 - closer)
    cooled = flow * (row.h_l - fluid.at(liquid_k).h_l)
    return Rejected(face, condensing, liquid_k, flow * warm + condensing + cooled)
