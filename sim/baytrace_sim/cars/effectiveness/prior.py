"""How cars differ: a range for each of their parts, drawn evenly unless said.

The ranges are common practice, no source, and meant wide: what is known of one unknown car. Compressor, exchangers and lines
grow together with the car's `size`, as makers match them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.day import CarDay
from baytrace_sim.cars.properties import Floats, saturated_humidity

_NEVER_K = 340.0

RANGES: dict[str, tuple[float, float]] = {
    # compressor
    "displacement": (80e-6, 210e-6),  # m3 a turn
    "idle_rpm": (700.0, 1000.0),
    "fast_rpm": (1500.0, 2500.0),
    "pulley": (1.2, 1.6),
    "volumetric": (0.82, 0.95),
    "clearance": (0.02, 0.05),
    "leak": (0.0, 0.10),
    "throttling": (0.0, 0.06),
    "isentropic": (0.58, 0.75),
    "best_ratio": (2.2, 4.0),
    "curvature": (0.06, 0.22),
    "part_stroke": (0.1, 0.4),
    "shell": (0.0, 0.2),
    "discharge_line": (0.0, 0.08),
    "cut_out": (2.6e6, 3.1e6),
    # condenser and its air
    "condenser_air": (0.25, 0.70),  # m3/s at idle, for a car of middle size
    "fast_air": (1.0, 1.7),
    "condenser_units": (0.65, 1.4),
    "air_exponent": (0.4, 0.6),
    "desuperheating": (0.3, 0.6),
    "liquid": (0.3, 0.7),
    "recirculating": (0.0, 0.35),
    "soak": (0.0, 3.0),
    "fan_low": (0.6, 1.0),
    "fan_at": (1.2e6, 1.7e6),
    "condenser_volume": (300e-6, 750e-6),
    "condenser_drop": (15e3, 90e3),  # Pa at 0.045 kg/s, for a car of middle size
    "slip": (0.2, 0.45),
    "air_blanket": (0.0, 0.5),
    "air_high": (0.75, 1.0),
    # evaporator and its air
    "blower": (0.055, 0.13),  # m3/s
    "coil_units": (1.6, 3.2),
    "coil_inside": (2.0, 5.0),
    "coil_vapour": (0.06, 0.15),
    "evaporator_volume": (250e-6, 650e-6),
    "duct": (0.0, 0.12),
    "blower_heat": (0.0, 1.0),
    # lines
    "suction_drop": (8e3, 45e3),  # Pa at 0.045 kg/s and 12 kg/m3, for a car of middle size
    "port": (0.2, 1.0),
    "clamp": (0.0, 0.6),
    "suction_gain": (1.5, 7.0),  # W/K
    "bay": (8.0, 30.0),
    "suction_volume": (200e-6, 600e-6),
    "discharge_volume": (50e-6, 200e-6),
    "liquid_volume": (40e-6, 140e-6),
    # valve and charge
    "static_superheat": (2.0, 6.0),
    "gradient": (2.0, 6.0),
    "bleed": (0.01, 0.06),
    "design_opening": (0.3, 0.65),
    "line_area": (1.2, 3.0),
    "choking": (0.80, 0.92),
    "flashing": (8.0, 22.0),
    "orifice_liquid": (0.06, 0.25),
    "level": (0.25, 0.7),
    "span": (
        0.01,
        0.10,
    ),  # share of the face that floods while a receiver fills: it parts vapour and liquid imperfectly
    "carry": (0.0, 0.06),
    # faults' side effects
    "wear_work": (0.1, 0.6),
}


@dataclass(frozen=True, slots=True)
class Cars:
    """One entry a car (or a row, after `take`): SI; shares 0 to 1; booleans as arrays of bool.

    `hold_k` is the evaporating or, where `holds_air`, the fins' temperature that stroke or clutch keep. `duct` and
    the like are shares of the way to the surrounding's temperature. `subcooling_share` is the condenser's share behind the
    receiver; `vessel` the volume of receiver or accumulator; `rest` K that a standing loop is above the air.
    """

    values: dict[str, Floats]
    orifice: npt.NDArray[np.bool_]
    variable: npt.NDArray[np.bool_]
    holds_air: npt.NDArray[np.bool_]
    port_first: npt.NDArray[np.bool_]
    clogs_first: npt.NDArray[np.bool_]
    clogs_device: npt.NDArray[np.bool_]
    opens: npt.NDArray[np.bool_]
    rpm: Floats
    ambient: Floats
    inlet: Floats
    humidity_ratio: Floats
    hold_k: Floats
    droop: Floats
    mop: Floats
    subcooling_share: Floats
    vessel: Floats
    rest: Floats
    fast: npt.NDArray[np.bool_]

    def __getitem__(self, name: str) -> Floats:
        return self.values[name]

    def take(self, rows: npt.NDArray[np.intp]) -> Cars:
        others = {field.name: getattr(self, field.name)[rows] for field in fields(self) if field.name != "values"}
        return Cars({name: value[rows] for name, value in self.values.items()}, **others)


def _one(day: CarDay, seed: int) -> dict[str, float]:
    draw = np.random.default_rng([seed, day.car, 71])
    car = {name: float(draw.uniform(*ends)) for name, ends in RANGES.items()}
    orifice, variable, fast = day.valve == "orifice tube", day.compressor == "variable", day.speed == "fast"
    size = (car["displacement"] / 140e-6) ** 0.5
    for name in ("condenser_air", "condenser_volume", "blower", "evaporator_volume", "suction_gain"):
        car[name] *= size ** (0.4 if name == "blower" else 1.0)
    for name in ("suction_drop", "condenser_drop"):
        car[name] /= size**4  # lines are as wide as the displacement asks
    if not variable:
        car["part_stroke"] = 0.0
    if orifice:
        car["level"] = float(draw.uniform(0.1, 0.75))  # an accumulator's reserve differs more than a receiver's
        car["line_area"] *= 1.3  # the tube's own screen is wide
    car["size"] = size
    # a thermostat in the coil's air for a fixed stroke behind a valve, a pressure switch for one behind an orifice tube
    holds_air = bool(draw.random() < 0.4) if variable else not orifice
    car["holds_air"] = holds_air
    hold = draw.uniform(1.0, 5.0) if holds_air else (draw.uniform(-3.0, 4.0) if variable else draw.uniform(-3.0, 2.5))
    car["hold_k"] = 273.15 + float(hold)
    car["droop"] = float(draw.uniform(2.0, 6.0) if variable else draw.uniform(1.5, 3.0))
    car["mop"] = 273.15 + float(draw.uniform(9.0, 18.0)) if draw.random() < 0.4 else _NEVER_K
    flooded = draw.uniform(0.0, 0.03) if draw.random() < 0.5 else draw.uniform(0.08, 0.25)
    car["subcooling_share"] = 0.0 if orifice else float(flooded)
    car["vessel"] = size * float(draw.uniform(350e-6, 800e-6) if orifice else draw.uniform(110e-6, 300e-6))
    car["port_first"], car["clogs_first"] = draw.random() < 0.5, draw.random() < 0.25
    car["clogs_device"] = not car["clogs_first"] and draw.random() < 0.6
    car["opens"] = draw.random() < 0.35
    car["rest"] = float(draw.uniform(0.0, 3.0)) if draw.random() < 0.4 else 0.0
    car["rpm"] = (car["fast_rpm"] if fast else car["idle_rpm"]) * car["pulley"]
    car["orifice"], car["variable"], car["fast"] = orifice, variable, fast
    return car | _inlet(day, draw)


def _inlet(day: CarDay, draw: np.random.Generator) -> dict[str, float]:
    """Air at the blower: outside air warmed by the cowl, cabin air with the doors open, or a cabin that has cooled down."""
    ambient = day.ambient + 273.15
    humidity = day.humidity * float(saturated_humidity(ambient))
    way = draw.random()
    if way < 0.4:
        inlet = ambient + draw.uniform(0.0, 4.0)
    elif way < 0.75:
        inlet = ambient + draw.uniform(-2.0, 5.0)
    else:
        share = draw.uniform(0.0, 0.4)
        inlet = ambient - share * max(day.ambient - 12.0, 0.0)
        humidity *= 1.0 - share * draw.uniform(0.4, 1.4)
    humidity = min(humidity, 0.95 * float(saturated_humidity(inlet)))
    return {"ambient": ambient, "inlet": float(inlet), "humidity_ratio": float(humidity)}


def draw_cars(days: Sequence[CarDay], seed: int) -> Cars:
    """The cars of these days; a car is the same however many are drawn with it."""
    rows = [_one(day, seed) for day in days]
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    others = {field.name: columns.pop(field.name) for field in fields(Cars) if field.name != "values"}
    return Cars(columns, **others)
