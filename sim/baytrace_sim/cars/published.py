"""Cars drawn from published effects of faults and published running tables, without any model of a loop.

Rules of this file:
- `published.toml` holds every figure with its sources; this file only draws from it. A car is a sound state drawn from the base
  figures, a reserve and a factor of response for every cause, and a slope for every cause and sign: a car with strong effects is
  strong at every strength.
- What a law of nature settles is worked out, not drawn: the standing pressure with air in the loop, the liquid line's
  temperature from condensing and subcooling, and the bounds below.
- Bounds: suction vapour, liquid and vent air lie between evaporating and what surrounds them; subcooling does not fall below
  none; a part that is starved reads no warmer than the bay around it.

Limits: signs are drawn each from its own figures, so a car's heat balance is not closed; effects do not depend on the day
except through the bounds. That is what the studies give.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from baytrace_sim.cars.day import STRENGTHS, CarDay, car_days
from baytrace_sim.cars.properties import saturated_humidity
from baytrace_sim.cars.standing import AIR, CLUTCH, not_pumping, standing
from baytrace_sim.cars.states import SOUND, State, Table

_STUCK, _OPEN = "wet or stuck valve", "stuck open"
_STUCK_OPEN = {"expansion valve": 0.4, "orifice tube": 0.25}
"""Share of stuck valves that are stuck open (judgement)."""
_KNEE = 2.5  # % of strength over which a reserve gives way
_INVERSE_10 = 0.1 / 0.9


@cache
def figures() -> dict[str, Any]:
    """`published.toml` as it stands: `studies`, `base`, `held`, `effects`."""
    text = resources.files("baytrace_sim.cars").joinpath("published.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True, slots=True)
class Response:
    """How one car answers one cause: `reserve` in %, `slopes` and `curves` by sign in its unit per 10 %, `afters` in %."""

    reserve: float
    inverse: bool
    slopes: dict[str, float]
    curves: dict[str, float]
    afters: dict[str, float]

    def change(self, sign: str, strength: float) -> float:
        tens = self._tens(strength, self.afters[sign])
        return self.slopes[sign] * tens + self.curves[sign] * tens * tens

    def _tens(self, strength: float, after: float) -> float:
        if self.inverse:
            share = strength / 100.0
            return share / (1.0 - share) / _INVERSE_10
        start = max(self.reserve + after, 0.0)
        return (_soft(strength - start) - _soft(-start)) / 10.0


def _soft(over: float) -> float:
    return _KNEE * float(np.logaddexp(0.0, over / _KNEE))


def _response(cause: str, day: CarDay, draw: np.random.Generator) -> Response:
    told = figures()["effects"][cause][day.valve]
    reserve = told.get("reserve", {"mean": 0.0, "sd": 0.0})
    mean = reserve.get("variable", reserve["mean"]) if day.compressor == "variable" else reserve["mean"]
    signs = {name: row for name, row in told.items() if isinstance(row, dict) and "slope" in row}
    factor = math.exp(draw.normal(0.0, told["common"]))
    return Response(
        reserve=max(float(draw.normal(mean, reserve["sd"])), 0.0),
        inverse=told.get("shape") == "inverse",
        slopes={name: factor * float(draw.normal(row["slope"], row["spread"])) for name, row in signs.items()},
        curves={name: factor * row.get("curve", 0.0) for name, row in signs.items()},
        afters={name: row.get("after", 0.0) for name, row in signs.items()},
    )


@dataclass(frozen=True, slots=True)
class Car:
    """A sound car on its day: degC, K and W as in `State`; `vent_share` is the vent's place between evaporating (0) and the
    ambient (1); `held` the share of a fall in evaporating that its controls leave; `bay` K of the lines above the air when standing.
    """

    day: CarDay
    evaporating: float
    condensing: float
    superheat: float
    subcooling: float
    vent_share: float
    discharge: float
    capacity: float
    held: float
    bay: tuple[float, float, float]


def _sound(day: CarDay, draw: np.random.Generator) -> Car:
    base = figures()["base"]
    warm = day.ambient - 25.0
    wet = 1000.0 * day.humidity * float(saturated_humidity(day.ambient + 273.15)) - 10.0
    row = base["condensing"]
    cool = 1.0 - row["cool"] * max(20.0 - day.ambient, 0.0)
    condensing = cool * draw.normal(row[day.speed] + row["per_k"] * warm + row["per_g"] * wet, row["sd"])
    row = base["evaporating"]
    held = row["held"] if day.compressor == "variable" else 1.0
    evaporating = row[day.compressor] + row[day.speed] + held * (row["per_k"] * warm + row["per_g"] * wet)
    evaporating = min(draw.normal(evaporating, row["sd"]), day.ambient - 6.0)
    row = base["superheat"]
    superheat = max(draw.normal(row[day.valve], row["sd"]), row["least"])
    row = base["subcooling"]
    subcooling = max(draw.normal(row[day.valve], row["sd"]) * condensing / 22.0, row["least"])
    row = base["vent_share"]
    vent_share = float(np.clip(draw.normal(row[day.speed] + row["per_g"] * wet, row["sd"]), 0.08, 0.8))
    row = base["discharge"]
    lift = day.ambient + condensing - evaporating
    discharge = row["lift"] * lift + row["superheat"] * superheat + row.get(day.refrigerant, 0.0)
    row = base["capacity"]
    level = row[day.speed] * row.get(day.refrigerant, 1.0) * row.get(day.valve, 1.0) * (1.0 + row["per_g"] * wet)
    told = figures()["held"]
    return Car(
        day=day,
        evaporating=evaporating,
        condensing=max(condensing, 5.0),
        superheat=superheat,
        subcooling=subcooling,
        vent_share=vent_share,
        discharge=max(draw.normal(discharge, base["discharge"]["sd"]), 3.0),
        capacity=level * math.exp(draw.normal(0.0, base["capacity"]["sd"])),
        held=float(np.clip(draw.normal(told["mean"], told["sd"]), 0.05, 1.0)),
        bay=(draw.uniform(0.0, 6.0), draw.uniform(0.0, 4.0), draw.uniform(0.0, 10.0)),
    )


def _state(car: Car, cause: str, strength: float, response: Response | None) -> State:
    def moved(sign: str) -> float:
        return response.change(sign, strength) if response else 0.0

    day, ambient = car.day, car.day.ambient
    fall = moved("evaporating")
    evaporating = car.evaporating + (fall if fall > 0.0 else fall * car.held)
    evaporating = min(max(evaporating, -40.0), ambient - 3.0)
    condensing = max(car.condensing + moved("condensing"), 2.0)
    condensing = min(condensing, 96.0 - ambient)
    # a suction line gets no warmer than the bay, a liquid line no colder than the air
    superheat = min(max(car.superheat + moved("superheat"), 0.0), ambient + car.bay[0] - evaporating)
    subcooling = min(max(car.subcooling + moved("subcooling"), 0.0), condensing - 0.3)
    vent = (1.0 - car.vent_share) * (car.evaporating - ambient) + moved("vent")
    vent = min(max(vent, evaporating - ambient + 0.5), 0.0)
    discharge = min(max(car.discharge + moved("discharge"), 0.5), 85.0)
    return State(
        car=day.car,
        refrigerant=day.refrigerant,
        valve=day.valve,
        compressor=day.compressor,
        speed=day.speed,
        cause=cause,
        strength=strength,
        ambient=ambient,
        humidity=day.humidity,
        evaporating=evaporating,
        condensing=condensing,
        superheat=superheat,
        subcooling=subcooling,
        approach=condensing - subcooling,
        vent=vent,
        discharge=discharge,
        static=standing(day.refrigerant, ambient, strength if cause == AIR else 0.0),
        capacity=max(car.capacity * (1.0 + moved("capacity")), 0.02 * car.capacity),
    )


def states_of(day: CarDay, seed: int) -> list[State]:
    """One car: sound first, then every cause at every strength."""
    draw = np.random.default_rng([seed, day.car, 1])
    car = _sound(day, draw)
    found = [_state(car, SOUND, 0.0, None)]
    for cause, strengths in STRENGTHS.items():
        if cause == CLUTCH:
            found += [not_pumping(day, car.bay)]
            continue
        opened = cause == _STUCK and draw.random() < _STUCK_OPEN[day.valve]
        told = _OPEN if opened else cause
        response = _response(told, day, draw)
        found += [_state(car, cause, strength, response) for strength in strengths]
    return found


def table(cars: int, seed: int) -> Table:
    """`cars` cars of seed `seed`; states that break a law are left out and counted."""
    every = [state for day in car_days(cars, seed) for state in states_of(day, seed)]
    kept = tuple(state for state in every if state.physical)
    return Table(kept, len(every) - len(kept))
