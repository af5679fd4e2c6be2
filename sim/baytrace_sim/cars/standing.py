"""A loop that does not pump: what both gauges and the clamps read."""

from __future__ import annotations

from baytrace_sim.cars.day import STRENGTHS, CarDay
from baytrace_sim.cars.properties import properties
from baytrace_sim.cars.states import State

CLUTCH, AIR = "clutch not engaged", "air in the loop"
STANDING_K = 298.15
"""Where the share of air in the loop is counted, K."""


def standing(refrigerant: str, ambient_c: float, strength: float) -> float:
    """K: saturation temperature of the standing pressure above the air, with air in the loop of `strength` % of the saturation
    pressure at 25 degC. Liquid is present; the room that the air has changes little with the day.
    """
    fluid, air = properties(refrigerant), ambient_c + 273.15
    extra = strength / 100.0 * float(fluid.at(STANDING_K).p) * air / STANDING_K
    return float(fluid.saturation_temperature(float(fluid.at(air).p) + extra)) - air


def not_pumping(day: CarDay, bay: tuple[float, float, float]) -> State:
    """A clutch that never engages: both gauges read the standing pressure of the coldest part, which is at the air's temperature;
    the suction, liquid and discharge lines are `bay` K warmer than the air in a warm engine bay.
    """
    suction, liquid, hot = bay
    return State(
        car=day.car,
        refrigerant=day.refrigerant,
        valve=day.valve,
        compressor=day.compressor,
        speed=day.speed,
        cause=CLUTCH,
        strength=STRENGTHS[CLUTCH][0],
        ambient=day.ambient,
        humidity=day.humidity,
        evaporating=day.ambient,
        condensing=0.0,
        superheat=suction,
        subcooling=-liquid,
        approach=liquid,
        vent=0.0,
        discharge=hot,
        static=0.0,
        capacity=0.0,
    )
