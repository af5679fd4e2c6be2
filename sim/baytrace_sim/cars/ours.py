"""The project's own loop model over cars of wide priors: `baytrace_sim.loop`, run until nothing moves.

Rules of this file:
- A car is a ready-made design with every size, set point and correlation scaled on its own; the ranges are common practice, no
  source, and wider than those that the model's earlier tables were drawn from.
- Strengths are put to the model in its own terms: air by the gas law in the room that liquid leaves at 25 degC, a stuck
  valve as a share of the opening that the same car's sound valve had on that day.
- Signs are those of the mean pressures over whole clutch cycles, as a settled gauge's mean would be.

Limits: a loop that its pressure switches keep from running, or that still moves after forty simulated minutes, is left out and
counted. Restriction of a tube is the tube's own area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from baytrace.measure.faults import BadInput
from baytrace_sim.cars.day import STRENGTHS, CarDay, car_days
from baytrace_sim.cars.properties import properties
from baytrace_sim.cars.standing import AIR, CLUTCH, STANDING_K, not_pumping, standing
from baytrace_sim.cars.states import SOUND, State, Table
from baytrace_sim.loop import Air, Faults, LoopDesign, Steady, design, loop_of, steady

_STUCK = "wet or stuck valve"
_AIR_GAS = 287.05
_CLUTCHES = {"fixed": "cycling", "variable": "variable"}
_EXPANSIONS = {"expansion valve": "valve", "orifice tube": "orifice"}
_STUCK_OPEN = {"expansion valve": 0.4, "orifice tube": 0.25}


@dataclass(frozen=True, slots=True)
class Car:
    """`charge_kg` of the sound car, engine speed rpm, blower's share; `stuck_open` for the valve's fault; `bay` as in `standing`."""

    day: CarDay
    design: LoopDesign
    charge_kg: float
    rpm: float
    blower: float
    stuck_open: bool
    bay: tuple[float, float, float]


def drawn(day: CarDay, seed: int) -> Car:
    """The same car for the same day and seed."""
    draw = np.random.default_rng([seed, day.car, 3])

    def about(value: float, spread: float) -> float:
        return float(value * np.exp(np.clip(draw.normal(0.0, spread), -2.5 * spread, 2.5 * spread)))

    made = design(_EXPANSIONS[day.valve], _CLUTCHES[day.compressor], day.refrigerant)
    idle = day.speed == "idle"
    cold = about(0.98, 0.07)  # switches and strokes hold another evaporating pressure from car to car
    built = replace(
        made,
        displacement_m3=about(made.displacement_m3, 0.15),
        condenser_m3=about(made.condenser_m3, 0.10),
        receiver_m3=about(made.receiver_m3, 0.25) if made.receiver_m3 else 0.0,
        accumulator_m3=about(made.accumulator_m3, 0.20) if made.accumulator_m3 else 0.0,
        last_pass=float(draw.uniform(0.06, 0.22)) if made.last_pass else 0.0,
        condenser_ua=about(0.78 * made.condenser_ua, 0.25),
        fan_m3_s=about(made.fan_m3_s, 0.18) * (0.62 if idle else 1.0),
        fan_stages=bool(draw.random() < 0.5),
        soak=float(draw.uniform(0.10, 0.40) if idle else draw.uniform(0.02, 0.2)),
        evaporator_refrigerant_ua=about(made.evaporator_refrigerant_ua, 0.20),
        coil_transfer_units=about(made.coil_transfer_units, 0.15),
        blower_m3_s=about(made.blower_m3_s, 0.12),
        suction_line_ua=about(made.suction_line_ua, 0.3),
        orifice_m2=about(made.orifice_m2, 0.12),
        valve_m2=about(made.valve_m2, 0.15),
        static_superheat_k=float(draw.uniform(1.5, 6.0)),
        superheat_to_full_k=float(draw.uniform(7.0, 13.0)),
        switch_off_pa=made.switch_off_pa * cold,
        switch_on_pa=made.switch_on_pa * cold,
        stroke_low_pa=made.stroke_low_pa * cold,
        stroke_full_pa=made.stroke_full_pa * cold,
        coil_off_k=made.coil_off_k + float(draw.uniform(-2.5, 1.5)),
        coil_on_k=made.coil_on_k + float(draw.uniform(-1.0, 2.0)),
    )
    room = (built.volume_m3 - made.volume_m3) * 450.0  # a maker's label goes with the car's own volume
    return Car(
        day=day,
        design=built,
        charge_kg=(made.label_charge_kg + room) * float(draw.uniform(0.96, 1.04)),
        rpm=float(draw.uniform(650.0, 900.0) if idle else draw.uniform(1400.0, 2300.0)),
        blower=float(draw.uniform(0.6, 1.0)),
        stuck_open=bool(draw.random() < _STUCK_OPEN[day.valve]),
        bay=(draw.uniform(0.0, 6.0), draw.uniform(0.0, 4.0), draw.uniform(0.0, 10.0)),
    )


def air_kg(car: Car, strength: float) -> float:
    """Air whose partial pressure in the vapour's room at 25 degC is `strength` % of the refrigerant's saturation pressure."""
    row = properties(car.day.refrigerant).at(STANDING_K)
    room = (float(row.rho_l) * car.design.volume_m3 - car.charge_kg) / float(row.rho_l - row.rho_v)
    return strength / 100.0 * float(row.p) * room / (_AIR_GAS * STANDING_K)


def usual_opening(car: Car, sound: Steady) -> float:
    """Share of full flow area at which the sound car's thermostatic valve stood."""
    over = sound.superheat_k - car.design.static_superheat_k
    return min(max(over / car.design.superheat_to_full_k, 0.05), 1.0)


def faulty(car: Car, cause: str, strength: float, opening: float) -> tuple[LoopDesign, Faults, float]:
    """The design, the faults and the charge in kg that one fault asks for; `opening` the valve's usual one."""
    share, built, charge = strength / 100.0, car.design, car.charge_kg
    if cause == "undercharge":
        return built, Faults(), charge * (1.0 - share)
    if cause == "overcharge":
        return built, Faults(), charge * (1.0 + share)
    if cause == "condenser airflow":
        return built, Faults(condenser_airflow=1.0 - share), charge
    if cause == "worn or slipping compressor":
        return built, Faults(compressor_efficiency=1.0 - share), charge
    if cause == "restriction":
        return built, Faults(restriction=share), charge
    if cause == AIR:
        return built, Faults(noncondensable_kg=air_kg(car, strength)), charge
    if cause == _STUCK:
        moved = 1.0 + share if car.stuck_open else 1.0 - share
        if car.day.valve == "orifice tube":
            return replace(built, orifice_m2=built.orifice_m2 * moved), Faults(), charge
        return built, Faults(valve_stuck=min(opening * moved, 1.0)), charge
    return built, Faults(), charge


def _run(car: Car, built: LoopDesign, faults: Faults, charge_kg: float) -> Steady | None:
    """None for a loop that cannot be filled so, or does not settle."""
    air = Air(car.day.ambient + 273.15, car.day.humidity)
    try:
        loop = loop_of(built, air, faults, charge_kg=charge_kg, refrigerant=car.day.refrigerant)
        found = steady(loop, rpm=car.rpm, blower=car.blower)
    except BadInput:
        return None
    return found if found.converged and math.isfinite(found.subcooling_k) else None


def _state(car: Car, cause: str, strength: float, found: Steady) -> State:
    day, fluid = car.day, properties(car.day.refrigerant)
    ambient = day.ambient + 273.15
    low, high = (float(fluid.saturation_temperature(p)) for p in (found.low_side_pa, found.high_side_pa))
    return State(
        car=day.car,
        refrigerant=day.refrigerant,
        valve=day.valve,
        compressor=day.compressor,
        speed=day.speed,
        cause=cause,
        strength=strength,
        ambient=day.ambient,
        humidity=day.humidity,
        evaporating=low - 273.15,
        condensing=high - ambient,
        superheat=found.suction_line_k - low,
        subcooling=high - found.liquid_line_k,
        approach=found.liquid_line_k - ambient,
        vent=found.vent_air_k - ambient,
        discharge=found.discharge_line_k - high,
        static=standing(day.refrigerant, day.ambient, strength if cause == AIR else 0.0),
        capacity=found.balance.evaporator_w,
    )


def states_of(car: Car) -> tuple[list[State], int]:
    """(states, failed) of one car; without a sound state there is nothing to compare with, and all its states count as failed."""
    sound = _run(car, car.design, Faults(), car.charge_kg)
    asked = [(cause, s) for cause, strengths in STRENGTHS.items() if cause != CLUTCH for s in strengths]
    if sound is None:
        return [], len(asked) + 2
    opening = usual_opening(car, sound)
    found = [_state(car, SOUND, 0.0, sound)]
    failed = 0
    for cause, strength in asked:
        run = _run(car, *faulty(car, cause, strength, opening))
        if run is None:
            failed += 1
        else:
            found.append(_state(car, cause, strength, run))
    return [*found, not_pumping(car.day, car.bay)], failed


def table(cars: int, seed: int) -> Table:
    """`cars` cars of seed `seed`; some seconds a car."""
    states: list[State] = []
    failed = 0
    for day in car_days(cars, seed):
        found, missed = states_of(drawn(day, seed))
        # a cycling clutch's mean pressure reads up to 2 K above what the slower suction line feels: no law is broken
        kept = [state for state in found if replace(state, superheat=max(state.superheat, -1.0)).physical]
        states += kept
        failed += missed + len(found) - len(kept)
    return Table(tuple(states), failed)
