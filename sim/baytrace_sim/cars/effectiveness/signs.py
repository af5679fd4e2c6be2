"""What gauges, clamps and a vent thermometer show of a state, running or standing."""

from __future__ import annotations

import numpy as np

from baytrace_sim.cars.effectiveness import holdings
from baytrace_sim.cars.effectiveness.model import Condition, Running
from baytrace_sim.cars.effectiveness.prior import Cars
from baytrace_sim.cars.properties import Floats, Properties

LEAST_ENGAGED_PA = 280e3
"""A low-pressure cut-out keeps the clutch out below this standing pressure (common practice, no source)."""
_LINE_WARMTH = {"suction": 0.05, "liquid": 0.08, "discharge": 0.2}
"""How far the engine's warm bay brings a line that nothing flows in (common practice, no source)."""


def standing_pa(fluid: Properties, cars: Cars, asked: Condition) -> Floats:
    """Pa that both gauges read before the start, the loop `rest` warmer than the air."""
    at = cars.ambient + cars.rest
    rest = holdings.standing(fluid, cars, asked.charge, at)
    return np.asarray(rest.pressure + asked.gas * at / rest.room)


def running_signs(fluid: Properties, cars: Cars, asked: Condition, got: Running) -> dict[str, Floats]:
    """As `states` names them, with `capacity`."""
    low = fluid.saturation_temperature(got.low_pa - cars["port"] * (got.low_pa - got.suction_pa))
    high = fluid.saturation_temperature(np.where(cars.port_first, got.discharge_pa, got.high_pa))
    liquid = np.where(cars.clogs_first, got.behind_k, got.liquid_k)
    return {
        "evaporating": low - 273.15,
        "condensing": high - cars.ambient,
        "superheat": got.cold.t + got.clamp_superheat - low,
        "subcooling": high - liquid,
        "approach": liquid - cars.ambient,
        "vent": got.vent_k - cars.ambient,
        "discharge": got.hot_k - high,
        "static": fluid.saturation_temperature(standing_pa(fluid, cars, asked)) - cars.ambient,
        "capacity": got.boiled,
    }


def standing_signs(fluid: Properties, cars: Cars, asked: Condition) -> dict[str, Floats]:
    """With the engine on and the clutch out: both gauges at the standing pressure, lines a little warmed by the bay."""
    at = fluid.saturation_temperature(standing_pa(fluid, cars, asked))
    suction, liquid, discharge = (cars.ambient + cars.rest + cars["bay"] * share for share in _LINE_WARMTH.values())
    return {
        "evaporating": at - 273.15,
        "condensing": at - cars.ambient,
        "superheat": suction - at,
        "subcooling": at - liquid,
        "approach": liquid - cars.ambient,
        "vent": cars.inlet + cars["blower_heat"] - cars.ambient,
        "discharge": discharge - at,
        "static": at - cars.ambient,
        "capacity": np.zeros_like(at),
    }
