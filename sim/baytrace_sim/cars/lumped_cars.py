"""The lumped loop's cars: what each part's size and correlation may be.

Every range is common practice, no source, and wide: a small car to a van, kept well or badly. One draw a car, whatever the fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.day import CarDay
from baytrace_sim.cars.lumped_map import Floats, Lines, terms
from baytrace_sim.cars.properties import properties, saturated_humidity
from baytrace_sim.cars.standing import STANDING_K

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Parts:
    """Arrays over cars. degC, W/K, m3/s, kg/s; shares from 0 to 1 and slopes as named in `lumped`."""

    air: Floats
    wet_bulb: Floats
    dew_point: Floats
    swept: Floats
    least_stroke: Floats
    low_cut: Floats
    high_cut: Floats
    set_point: Floats
    tilt: Floats
    work: Floats
    pumping: Floats
    condenser: Floats
    condenser_capacity: Floats
    condenser_air: Floats
    soak: Floats
    evaporator: Floats
    blower_capacity: Floats
    wet_gain: Floats
    latent_gain: Floats
    dry_loss: Floats
    opening: Floats
    by_lift: Floats
    by_subcooling: Floats
    by_vapour: Floats
    set_superheat: Floats
    wetness: Floats
    charge: Floats
    plateau_from: Floats
    plateau_to: Floats
    subcooled: Floats
    short_slope: Floats
    over_slope: Floats
    flooding: Floats
    relief: Floats
    subcooled_air: Floats
    moves: Floats
    area_power: Floats
    wear_work: Floats
    wear_hot: Floats
    hot_lift: Floats
    hot_offset: Floats
    wet_cooling: Floats
    line_gain: Floats
    duct_gain: Floats
    standing_pa: Floats
    gathers: Floats
    blanket: Floats
    air_pa: Floats
    air_blanket: Floats
    bay: Floats
    accumulator: Flags
    governs: Flags
    stuck_open: Flags


def wet_bulb(air_c: float, humidity: float) -> float:
    """degC of air that is wet to its dew point or drier, by the psychrometer's line at the standard atmosphere."""
    water = humidity * float(saturated_humidity(air_c + 273.15))
    low, high = -15.0, air_c
    for _ in range(30):
        guess = 0.5 * (low + high)
        here = float(saturated_humidity(guess + 273.15)) - 4.02e-4 * (air_c - guess)
        low, high = (guess, high) if here < water else (low, guess)
    return 0.5 * (low + high)


def dew_point(air_c: float, humidity: float) -> float:
    """degC, by bisection of the saturated humidity."""
    water = humidity * float(saturated_humidity(air_c + 273.15))
    low, high = -25.0, air_c
    for _ in range(30):
        guess = 0.5 * (low + high)
        low, high = (guess, high) if float(saturated_humidity(guess + 273.15)) < water else (low, guess)
    return 0.5 * (low + high)


def _car(day: CarDay, seed: int, told: Lines) -> dict[str, float | bool | Floats]:
    draw = np.random.default_rng([seed, day.car, 2])

    def near(mean: float, sd: float, least: float, most: float) -> float:
        return float(np.clip(draw.normal(mean, sd), least, most))

    def about(median: float, spread: float) -> float:
        return float(median * np.exp(draw.normal(0.0, spread)))

    variable, tube, idle = day.compressor == "variable", day.valve == "orifice tube", day.speed == "idle"
    displacement = about(160e-6 if variable else 135e-6, 0.13)
    turns = (draw.uniform(11.0, 16.0) if idle else draw.uniform(23.0, 46.0)) * about(1.2, 0.05)
    blower = about(150.0, 0.18)
    row = {
        "air": day.ambient,
        "wet_bulb": wet_bulb(day.ambient, day.humidity),
        "dew_point": dew_point(day.ambient, day.humidity),
        "swept": displacement * turns,
        "least_stroke": 0.05 if variable else 0.12,
        "low_cut": near(-15.0, 5.0, -26.0, -7.0),
        "high_cut": near(82.5, 2.5, 77.0, 87.0),
        "set_point": near(-0.8, 2.0, -5.5, 4.0) if variable else near(0.2, 2.0, -4.0, 5.0),
        "tilt": near(0.0, 0.06, -0.15, 0.15),
        "work": about(1.0, 0.08),
        "pumping": about(1.0, 0.06),
        "condenser": about(335.0, 0.15) * np.sqrt(displacement / 145e-6 * blower / 150.0),
        "condenser_capacity": about(760.0, 0.15),
        "condenser_air": near(0.62, 0.10, 0.35, 0.9) if idle else near(0.9, 0.12, 0.5, 1.3),
        "soak": draw.uniform(0.05, 0.30) if idle else draw.uniform(0.0, 0.20),
        "evaporator": blower * near(0.74, 0.06, 0.55, 0.88),
        "blower_capacity": blower,
        "wet_gain": near(2.2, 0.18, 1.7, 2.7),
        "latent_gain": near(1.8, 0.2, 1.3, 2.3),
        "dry_loss": draw.uniform(0.6, 0.85),
    }  # fmt: skip
    row |= _valve(day, draw, near, about)
    rated = row["swept"] ** 0.6 * (displacement * 30.0) ** 0.4
    row["opening"] = float(row["opening"]) * rated * _rated_flow(told)
    row |= _charge(tube, draw, near)
    row |= {
        "area_power": near(1.0, 0.1, 0.8, 1.2),
        "wear_work": draw.uniform(0.1, 0.8),
        "wear_hot": draw.uniform(0.0, 0.8),
        "hot_lift": about(0.27 if day.refrigerant == "R134a" else 0.15, 0.18),
        "hot_offset": near(0.0, 2.5, -5.0, 5.0),
        "wet_cooling": draw.uniform(2.0, 9.0),
        "line_gain": draw.uniform(0.0, 2.0),
        "duct_gain": draw.uniform(0.0, 1.5),
        "standing_pa": float(properties(day.refrigerant).at(STANDING_K).p),
        "gathers": draw.uniform(1.6, 3.0),
        "blanket": draw.uniform(0.1, 0.6),
        "air_pa": 0.0,
        "air_blanket": 0.0,
        "bay": np.array([draw.uniform(0.0, 6.0), draw.uniform(0.0, 4.0), draw.uniform(0.0, 10.0)]),
        "accumulator": tube,
        "governs": not tube,
        "stuck_open": bool(draw.random() < (0.25 if tube else 0.4)),
    }
    return row


def _rated_flow(told: Lines) -> float:
    """kg per m3 swept at 2 and 52 degC: what expansion devices are sized for."""
    cold, hot = np.array(2.0), np.array(52.0)
    heat = float(np.tensordot(told.capacity, terms(cold, hot), 1))
    return heat / float(told.effect_of(cold, hot - 5.0, np.array(8.0)))


def _valve(
    day: CarDay, draw: np.random.Generator, near: Callable[..., float], about: Callable[..., float]
) -> dict[str, float]:
    tube = day.valve == "orifice tube"
    return {
        "opening": about(0.80, 0.12) if tube else near(1.40, 0.25, 1.0, 2.2),
        "by_lift": near(0.008, 0.0015, 0.004, 0.012),
        "by_subcooling": near(0.028, 0.005, 0.015, 0.04),
        "by_vapour": draw.uniform(1.5, 4.0),
        "set_superheat": near(1.2, 0.8, 0.1, 3.5) if tube else near(6.8, 2.0, 2.5, 12.0),
        "wetness": 1.0,
    }


def _charge(tube: bool, draw: np.random.Generator, near: Callable[..., float]) -> dict[str, float]:
    plain = not tube and draw.random() < 0.15  # a receiver with no pass behind it leaves little subcooling
    subcooled = near(0.52, 0.07, 0.3, 0.75) if tube else near(0.47, 0.10, 0.15, 0.7)
    return {
        "charge": near(1.0, 0.02, 0.95, 1.05),
        "plateau_from": 1.0 - near(0.15 if tube else 0.18, 0.07, 0.02, 0.35),
        "plateau_to": 1.0 + near(0.18 if tube else 0.14, 0.07, 0.03, 0.35),
        "subcooled": near(0.12, 0.05, 0.03, 0.25) if plain else subcooled,
        "short_slope": draw.uniform(2.0, 4.5) if tube else draw.uniform(1.2, 3.0),
        "over_slope": draw.uniform(0.5, 1.6),
        "flooding": draw.uniform(0.4, 1.4),
        "relief": draw.uniform(0.05, 0.35),
        "subcooled_air": draw.uniform(0.0, 0.5),
        "moves": draw.uniform(0.03, 0.15),
    }


_FLAGS = ("accumulator", "governs", "stuck_open")


def drawn(days: list[CarDay], seed: int, told: Lines) -> Parts:
    """One car a day of `days`; the same seed gives the same cars."""
    rows = [_car(day, seed, told) for day in days]
    return Parts(
        **{
            field.name: np.array([row[field.name] for row in rows], dtype=bool if field.name in _FLAGS else np.float64)
            for field in fields(Parts)
        }
    )
