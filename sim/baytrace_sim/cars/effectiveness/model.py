"""The loop closed: what four unknowns make of a car and a fault, and how far that is from balanced.

Unknowns: evaporating and condensing temperature, a coordinate of the side whose outlet the expansion device decides, and one of
the side that takes up the charge. Condenser's coordinate: above zero the share of the face full of liquid, below zero the
outlet's quality. Evaporator's: above zero the share that is dry, below zero what is missing from quality 1. With a valve the
charge decides the condenser (below the receiver's span, within it, beyond it) and the valve the coil; with an orifice tube the
charge decides accumulator and coil, and the tube the condenser. Balanced are the coil's heat, the condenser's, the flow through
device and compressor, and the mass.

Where clutch or stroke hold back, the state is the mean of a cycle, with the share of time or stroke as a share of flow.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.effectiveness import exchangers, holdings, machinery
from baytrace_sim.cars.effectiveness.prior import Cars
from baytrace_sim.cars.properties import Floats, Properties, Saturated


@dataclass(frozen=True, slots=True)
class Condition:
    """What is asked of each car. `charge` kg; `air` the share of the condenser's air left; `wear` of volumetric efficiency
    lost; `line` the share of flow area left; `gas` J/K of air inside (n R); `stuck` the valve's opening, or not a number while
    it moves; `tube` the orifice tube's share of area; `area` the device's full area, m2.
    """

    charge: Floats
    air: Floats
    wear: Floats
    line: Floats
    gas: Floats
    stuck: Floats
    tube: Floats
    area: Floats

    def take(self, rows: npt.NDArray[np.intp]) -> Condition:
        return Condition(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class Running:
    """One state a row. Heat in W: `boiled` the coil's air by the coil's law, `taken` what the refrigerant took there, `gained`
    the suction line, `work` into the refrigerant less the shell's loss, `lost` the discharge line, `rejected` to the condenser's
    air by its law. `high_pa` at the condenser, `low_pa` at the coil.
    """

    cold: Saturated
    hot: Saturated
    flow: Floats
    duty: Floats
    coil_superheat: Floats
    suction_superheat: Floats
    clamp_superheat: Floats
    condenser_out: Floats
    coil_out: Floats
    liquid: Floats
    level: Floats
    opening: Floats
    high_pa: Floats
    low_pa: Floats
    discharge_pa: Floats
    suction_pa: Floats
    hot_k: Floats
    liquid_k: Floats
    behind_k: Floats
    inlet: machinery.Inlet
    vent_k: Floats
    boiled: Floats
    taken: Floats
    gained: Floats
    work: Floats
    lost: Floats
    rejected: Floats
    mass: Floats
    residual: Floats


@dataclass(frozen=True, slots=True)
class _Places:
    """Shares of face and coil, qualities and level, from the unknowns."""

    liquid: Floats
    condenser_out: Floats
    dry: Floats
    coil_out: Floats
    level: Floats


def _places(cars: Cars, own: Floats, taking: Floats) -> _Places:
    level = np.clip(taking, 0.0, 1.0)
    short, over = np.minimum(taking, 0.0), np.maximum(taking - 1.0, 0.0)
    condenser = np.where(cars.orifice, own, cars.subcooling_share + short + cars["span"] * level + over)
    coil = np.where(cars.orifice, -short - cars["carry"] * level - over, own)
    return _Places(
        np.clip(condenser, 0.0, 0.97), np.clip(-condenser, 0.0, 0.97), np.clip(coil, 0.0, 0.97),
        1.0 - np.clip(-coil, 0.0, 0.9), level,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Suction:
    """kg/s, Pa and saturation at the compressor; superheat at coil, clamp and compressor; quality, density there; W gained."""

    flow: Floats
    pressure: Floats
    row: Saturated
    coil: Floats
    clamp: Floats
    superheat: Floats
    quality: Floats
    density: Floats
    gained: Floats


def _suction(fluid: Properties, cars: Cars, cold: Saturated, at: _Places, swept: Floats) -> _Suction:
    """Flow, pressure drop and superheat lean on each other: two rounds with a gas that is ideal from the coil on, then the
    state at the compressor by its enthalpy, which the pressure drop leaves as it is.
    """
    flow, density = swept * cold.rho_v, cold.rho_v
    bay = cars.ambient + cars["bay"]
    wet = (1.0 - at.coil_out) * cold.latent
    for _ in range(3):
        coil = exchangers.superheating(cars, cold, at.dry, flow)
        warmer = -np.expm1(-cars["suction_gain"] / (np.maximum(flow, 1e-5) * cold.cp_v))
        gained = cold.cp_v * warmer * np.maximum(bay - cold.t - coil, 0.0)
        # a wet outlet boils dry before the line warms up
        rise = coil + (gained - wet) / cold.cp_v
        quality = 1.0 - np.clip(-rise * cold.cp_v / cold.latent, 0.0, 0.9)
        drop = cars["suction_drop"] * (flow / 0.045) ** 2 * 12.0 / density
        pressure = np.maximum(cold.p - drop, 0.3 * cold.p)
        dry = cold.rho_v * cold.t / (cold.t + np.maximum(rise, 0.0))
        density = pressure / cold.p / (quality / dry + (1.0 - quality) / cold.rho_l)
        flow = swept * density
    row = fluid.at(fluid.saturation_temperature(pressure))
    above = cold.h_v + fluid.vapour(cold.t, coil)[1] - wet + gained - row.h_v
    superheat = np.where(above > 0.0, fluid.superheat(row.t, above), 0.0)
    quality = 1.0 - np.clip(-above / row.latent, 0.0, 0.9)
    density = 1.0 / (quality / fluid.vapour(row.t, superheat)[0] + (1.0 - quality) / row.rho_l)
    clamp = np.maximum(coil + (cars["clamp"] * gained - wet) / cold.cp_v, 0.0)
    flow = swept * density
    return _Suction(flow, pressure, row, coil, clamp, superheat, quality, density, flow * gained)


def run(fluid: Properties, cars: Cars, asked: Condition, u: Floats, design: Floats | None = None) -> Running:
    """`u` (n, 4). With `design` (n, 2: the level or coordinate of charge, the condenser's coordinate behind an orifice tube)
    area and charge are free and come out as `mass` and the drops for an area of one.
    """
    cold, hot = fluid.at(u[:, 0]), fluid.at(u[:, 1])
    at = _places(cars, u[:, 2], u[:, 3])
    room = holdings.gas_room(cars, hot, at.liquid, at.level)
    gas_pa = asked.gas * hot.t * cars["air_high"] / room
    high_pa = hot.p + gas_pa
    coil = exchangers.boiling_coil(cars, cold.t)
    sensed = np.where(
        cars.holds_air, 0.5 * (coil.surface + cold.t), cold.t
    )  # a thermostat sits where the fins are coldest
    duty = machinery.duty(cars, sensed, high_pa)
    rate = machinery.efficiency(cars, high_pa / cold.p, duty, asked.wear)
    swept = cars["displacement"] * cars.rpm / 60.0 * duty * rate.volumetric
    suction = _suction(fluid, cars, cold, at, swept)
    flow = suction.flow
    drop = cars["condenser_drop"] * (flow / 0.045) ** 2
    discharge_pa = high_pa + drop
    hot_k, hot_h, work, lost = _compress(fluid, cars, suction, discharge_pa, rate.isentropic)
    blanket = 1.0 - cars["air_blanket"] * gas_pa / high_pa
    air = exchangers.condenser_air(cars, high_pa, asked.air, flow, blanket)
    again = cars["recirculating"] * np.where(cars.fast, 0.4, 1.0)
    entering = cars.ambient + cars["soak"] + again * flow * np.maximum(hot_h - hot.h_l, 0.0) / air.capacity
    out = exchangers.reject(fluid, hot, air, entering, hot_k=hot_k, hot_h=hot_h, flow=flow, liquid=at.liquid)
    liquid_h = np.where(at.condenser_out > 0.0, hot.h_l + at.condenser_out * hot.latent, fluid.at(out.liquid_k).h_l)
    inlet = machinery.Inlet(high_pa, out.liquid_k, at.condenser_out, liquid_h)
    open_share = np.where(np.isnan(asked.stuck), machinery.opening(cars, cold, suction.coil), asked.stuck)
    open_share = np.where(cars.orifice, asked.tube, open_share)
    needs = machinery.drops(
        fluid, cars, inlet, cold.p, flow=flow, area=asked.area * open_share,
        line=asked.area * cars["line_area"] * asked.line,
    )  # fmt: skip
    fill = holdings.Fill(
        out.desuperheating, at.liquid, at.dry, at.condenser_out,
        np.clip((liquid_h - cold.h_l) / cold.latent, 0.0, 0.95), at.coil_out, at.level, hot_k, suction.density,
    )  # fmt: skip
    mass = holdings.held(cars, hot, cold, fill)
    over = fluid.vapour(cold.t, suction.coil)[1]
    taken = flow * (cold.h_v + over - (1.0 - at.coil_out) * cold.latent - liquid_h)
    boiled = coil.heat * (1.0 - at.dry) + flow * over
    condensed = flow * hot.latent * (1.0 - at.condenser_out)
    wet_start = np.minimum(hot_h - hot.h_v, 0.0) * flow  # a wet discharge condenses less
    residual = np.stack(
        [
            (boiled - taken) / (flow * cold.latent),
            (out.condensing_w - condensed - wet_start) / (flow * hot.latent),
            needs.residual,
            (mass - asked.charge) / np.maximum(asked.charge, 0.02),
        ],
        axis=1,
    )
    if design is not None:
        at_valve = (suction.coil - machinery.design_superheat(cars, cold)) / 5.0
        residual[:, 2] = np.where(cars.orifice, 5.0 * (u[:, 2] - design[:, 1]), at_valve)
        residual[:, 3] = u[:, 3] - design[:, 0]
    vent = _vent(cars, _mixed_air(cars, coil, at.dry, flow * over))
    return Running(
        cold, hot, flow, duty, suction.coil, suction.superheat, suction.clamp, at.condenser_out, at.coil_out, at.liquid,
        at.level, open_share, high_pa, cold.p, discharge_pa, suction.pressure, hot_k, out.liquid_k, needs.behind_k, inlet,
        vent, boiled, taken, suction.gained, work, lost, out.heat, mass, residual,
    )  # fmt: skip


def _mixed_air(cars: Cars, coil: exchangers.Evaporator, dry: Floats, warming: Floats | float = 0.0) -> Floats:
    """K behind the coil: what passed boiling passages, and what passed dry ones and gave `warming` W."""
    past_dry = cars.inlet * dry - warming / (exchangers.coil_air(cars) * exchangers.AIR_CP)
    return np.asarray((1.0 - dry) * coil.outlet + past_dry)


def _vent(cars: Cars, behind: Floats) -> Floats:
    return np.asarray(behind + cars["duct"] * (cars.inlet - behind) + cars["blower_heat"])


def _compress(
    fluid: Properties, cars: Cars, suction: _Suction, discharge_pa: Floats, isentropic: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """K and J/kg at the condenser's inlet; W of work that stays in the refrigerant, W that the discharge line loses."""
    low, high = suction.row, fluid.at(fluid.saturation_temperature(discharge_pa))
    _, over, entropy = fluid.vapour(low.t, suction.superheat)
    wet = (1.0 - suction.quality) * low.latent
    enters, entropy = low.h_v + over - wet, low.s_v + entropy - wet / low.t
    ideal = high.h_v + fluid.compressed(high.t, entropy - high.s_v)
    work = np.maximum(ideal - enters, 0.0) / isentropic * (1.0 - cars["shell"])
    leaves = enters + work
    over_k = fluid.superheat(high.t, leaves - high.h_v)
    left = np.maximum(high.t + over_k - cars["discharge_line"] * (high.t + over_k - cars.ambient - cars["bay"]), high.t)
    left = np.where(over_k > 0.0, np.minimum(left, high.t + over_k), high.t)
    entering = np.where(leaves > high.h_v, high.h_v + fluid.vapour(high.t, left - high.t)[1], leaves)
    return left, entering, suction.flow * work, suction.flow * (leaves - entering)
