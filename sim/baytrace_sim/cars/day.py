"""Which cars stand in the workshop, and on what day: common to all structures, so that their tables cover the same days.

Half of the cars are on R134a. Ambient 15 to 45 degC, humidity 0.2 to 0.9 but no air wetter than a dew point of 28 degC (the most
that damp coasts see).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baytrace_sim.cars.properties import saturated_humidity
from baytrace_sim.cars.states import COMPRESSORS, REFRIGERANTS, SPEEDS, VALVES

WETTEST_DEW_K = 301.15
STRENGTHS: dict[str, tuple[float, ...]] = {
    "undercharge": (10.0, 20.0, 30.0, 40.0, 50.0, 70.0),
    "overcharge": (10.0, 20.0, 30.0, 40.0, 50.0),
    "condenser airflow": (10.0, 20.0, 30.0, 40.0, 50.0, 70.0),
    "worn or slipping compressor": (10.0, 20.0, 30.0, 40.0, 50.0, 70.0),
    "restriction": (10.0, 20.0, 30.0, 40.0, 50.0, 70.0),
    "air in the loop": (10.0, 20.0, 30.0, 40.0, 50.0),
    "wet or stuck valve": (10.0, 20.0, 30.0, 40.0, 50.0, 70.0),
    "clutch not engaged": (100.0,),
}
"""% by cause, as `states` counts them."""


@dataclass(frozen=True, slots=True)
class CarDay:
    """`ambient` in degC, `humidity` 0 to 1."""

    car: int
    refrigerant: str
    valve: str
    compressor: str
    speed: str
    ambient: float
    humidity: float


def car_days(cars: int, seed: int) -> list[CarDay]:
    """The same for every structure that asks with the same seed."""
    found = []
    for car in range(cars):
        draw = np.random.default_rng([seed, car])
        refrigerant, valve, compressor, speed = (
            str(draw.choice(names)) for names in (REFRIGERANTS, VALVES, COMPRESSORS, SPEEDS)
        )
        ambient = float(draw.uniform(15.0, 45.0))
        most = float(saturated_humidity(WETTEST_DEW_K) / saturated_humidity(ambient + 273.15))
        humidity = float(draw.uniform(0.2, min(max(most, 0.25), 0.9)))
        found.append(CarDay(car, refrigerant, valve, compressor, speed, ambient, humidity))
    return found
