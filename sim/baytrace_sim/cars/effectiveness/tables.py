"""Cars made, charged as a maker would, and run sound and with each fault.

A maker's charge is the mass with which the car, on a day of 35 degC and 45 %, has its receiver or accumulator filled to `level`;
the valve's or tube's area is what the same day needs. A car that cannot be made so is left out whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.day import STRENGTHS, CarDay, car_days
from baytrace_sim.cars.effectiveness import holdings, machinery
from baytrace_sim.cars.effectiveness.model import Condition, Running, run
from baytrace_sim.cars.effectiveness.newton import solve
from baytrace_sim.cars.effectiveness.prior import Cars, draw_cars
from baytrace_sim.cars.effectiveness.signs import LEAST_ENGAGED_PA, running_signs, standing_pa, standing_signs
from baytrace_sim.cars.properties import Floats, Properties, properties, saturated_humidity
from baytrace_sim.cars.states import REFRIGERANTS, SOUND, State, Table

GOOD = 1e-5
CLUTCH = "clutch not engaged"
_SCALE = np.array([6.0, 6.0, 0.15, 0.25])
_MAKER_K, _MAKER_HUMIDITY = 308.15, 0.45


@dataclass(frozen=True, slots=True)
class Made:
    """Cars of one refrigerant that could be made, with label charge in kg and device area in m2."""

    fluid: Properties
    days: list[CarDay]
    cars: Cars
    charge: Floats
    area: Floats


class Row(NamedTuple):
    """`car` numbers the cars of a `Made`."""

    car: int
    cause: str
    strength: float


class Batch(NamedTuple):
    """Rows of one refrigerant, solved; `good` where they are."""

    made: Made
    rows: list[Row]
    cars: Cars
    asked: Condition
    running: Running
    good: npt.NDArray[np.bool_]


def _sound(charge: Floats, area: Floats) -> Condition:
    one = np.ones(len(charge))
    return Condition(charge, one, 0.0 * one, one, 0.0 * one, np.nan * one, one, area)


def _limits(cars: Cars, fluid: Properties) -> tuple[Floats, Floats]:
    n = len(cars.rpm)
    low = np.stack([np.full(n, 225.0), cars.ambient + 0.2, np.full(n, -0.85), np.full(n, -0.98)], axis=1)
    high = np.stack([cars.inlet - 0.2, np.full(n, fluid.highest_k), np.full(n, 0.96), np.full(n, 1.9)], axis=1)
    return low, high


def _search(
    fluid: Properties, cars: Cars, asked: Condition, starts: Sequence[Floats], design: Floats | None = None
) -> tuple[Floats, Floats]:
    """Unknowns and worst residual, from the first of `starts` that leads to balance, a row at a time."""
    low, high = _limits(cars, fluid)
    best = np.clip(starts[0], low, high)
    worst = np.full(len(best), np.inf)
    for start in starts:
        rows = np.flatnonzero(worst > GOOD)
        if not len(rows):
            break
        some, of = cars.take(rows), asked.take(rows)
        wanted = None if design is None else design[rows]

        def residual(
            u: Floats, at: npt.NDArray[np.intp], some: Cars = some, of: Condition = of, wanted: Floats | None = wanted
        ) -> Floats:
            return run(fluid, some.take(at), of.take(at), u, None if wanted is None else wanted[at]).residual

        found = solve(residual, start[rows], low[rows], high[rows], _SCALE)
        better = found.worst < worst[rows]
        best[rows[better]], worst[rows[better]] = found.unknowns[better], found.worst[better]
    return best, worst


def _guesses(cars: Cars, count: int) -> list[Floats]:
    """Starts from likely to far-fetched, the same every time and for every car."""
    draw = np.random.default_rng(17)
    n = len(cars.rpm)
    own = np.where(cars.orifice, 0.12, 0.08)
    first = np.stack([np.minimum(276.0, cars.inlet - 8.0), cars.ambient + 18.0, own, np.full(n, 0.5)], axis=1)
    more = []
    for _ in range(count - 1):
        away = np.tile(draw.uniform([-30.0, 3.0, -0.2, -0.7], [12.0, 45.0, 0.8, 1.4]), (n, 1))
        away[:, 0] += 274.0
        away[:, 1] += cars.ambient
        more.append(away)
    return [first, *more]


def make(name: str, days: list[CarDay], seed: int) -> Made:
    """Cars of one refrigerant on their days, charged and fitted by their maker."""
    fluid = properties(name)
    cars = draw_cars(days, seed)
    zero = fluid.at(273.15)
    cars.values["spring"] = np.full(len(days), float(zero.p) / 273.15**2)
    at_maker = replace(
        cars,
        ambient=np.full(len(days), _MAKER_K),
        inlet=np.full(len(days), _MAKER_K),
        humidity_ratio=np.full(len(days), _MAKER_HUMIDITY * float(saturated_humidity(_MAKER_K))),
        rpm=(0.4 * cars["idle_rpm"] + 0.6 * cars["fast_rpm"]) * cars["pulley"],
    )
    one = np.ones(len(days))
    asked = _sound(one, one)
    design = np.stack([cars["level"], cars["orifice_liquid"]], axis=1)
    u, worst = _search(fluid, at_maker, asked, _guesses(at_maker, 6), design)
    got = run(fluid, at_maker, asked, u, design)
    area = _area(fluid, at_maker, got)
    kept = np.flatnonzero((worst < GOOD) & np.isfinite(area))
    return Made(fluid, [days[car] for car in kept], cars.take(kept), got.mass[kept], area[kept])


def _area(fluid: Properties, cars: Cars, got: Running) -> Floats:
    """m2 with which device and line drop what there is; both drops go with one over the area squared while nothing flashes
    on the way, so a few rounds find it.
    """
    area = np.full(len(got.flow), 2e-6)
    share = np.where(cars.orifice, 1.0, cars["design_opening"])
    for _ in range(30):
        needs = machinery.drops(
            fluid, cars, got.inlet, got.low_pa, flow=got.flow, area=area * share, line=area * cars["line_area"]
        )
        area = area * np.clip(np.sqrt((needs.line + needs.needed) / np.maximum(needs.available, 1e3)), 0.3, 3.0)
    return np.asarray(np.where(np.abs(needs.residual) < 1e-6, area, np.nan))


def _faulty(made: Made, rows: Sequence[Row], usual: Floats) -> tuple[Cars, Condition]:
    """`usual` is the valve's opening in the sound car."""
    index = np.array([row.car for row in rows], dtype=np.intp)
    share = np.array([row.strength for row in rows]) / 100.0
    cars = made.cars.take(index)

    def of(cause: str) -> Floats:
        return np.where(np.array([row.cause == cause for row in rows]), share, 0.0)

    charge = made.charge[index] * (1.0 - of("undercharge") + of("overcharge"))
    at_25 = np.full(len(index), 298.15)
    rest = holdings.standing(made.fluid, cars, charge, at_25)
    gas = of("air in the loop") * made.fluid.at(at_25).p * rest.room / at_25
    stuck = of("wet or stuck valve")
    turned = 1.0 + np.where(cars.opens, stuck, -stuck)
    fixed = np.where(stuck > 0.0, np.minimum(usual[index] * turned, 1.5), np.nan)
    left = 1.0 - of("restriction")
    # what clogs is a strainer in the line, or the device itself, whose line keeps its area
    device = np.where(cars.clogs_device, left, 1.0)
    return cars, Condition(
        charge, 1.0 - of("condenser airflow"), of("worn or slipping compressor"), np.where(cars.clogs_device, 1.0, left) / device,
        gas, fixed, turned, made.area[index] * device,
    )  # fmt: skip


def sound(made: Made) -> tuple[Batch, Floats]:
    """The cars without a fault, and their unknowns."""
    rows = [Row(car, SOUND, 0.0) for car in range(len(made.days))]
    cars, asked = _faulty(made, rows, np.ones(len(rows)))
    u, worst = _search(made.fluid, cars, asked, _guesses(cars, 8))
    return Batch(made, rows, cars, asked, run(made.fluid, cars, asked, u), worst < GOOD), u


def _batches(made: Made) -> list[Batch]:
    """Sound cars, then every fault from its sound car's state."""
    usual, u = sound(made)
    faults = [
        Row(int(car), cause, strength)
        for car in np.flatnonzero(usual.good)
        for cause, strengths in STRENGTHS.items()
        for strength in strengths
    ]
    cars, asked = _faulty(made, faults, usual.running.opening)
    found, worst = _search(made.fluid, cars, asked, [u[[row.car for row in faults]], *_guesses(cars, 6)])
    return [usual, Batch(made, faults, cars, asked, run(made.fluid, cars, asked, found), worst < GOOD)]


def solved_table(cars: int, seed: int) -> list[Batch]:
    """Every batch with its inner states: for who checks balances."""
    days = car_days(cars, seed)
    groups = [[day for day in days if day.refrigerant == name] for name in REFRIGERANTS]
    return [batch for days in groups if days for batch in _batches(make(days[0].refrigerant, days, seed))]


def _states(batch: Batch) -> list[State]:
    """Those that were solved, or need no solving because the clutch is out."""
    fluid = batch.made.fluid
    out = np.array([row.cause == CLUTCH for row in batch.rows])
    out |= standing_pa(fluid, batch.cars, batch.asked) < LEAST_ENGAGED_PA
    running = running_signs(fluid, batch.cars, batch.asked, batch.running)
    standing = standing_signs(fluid, batch.cars, batch.asked)
    signs = {name: np.where(out, standing[name], values) for name, values in running.items()}
    found = []
    for index in np.flatnonzero(batch.good | out):
        row = batch.rows[index]
        day = batch.made.days[row.car]
        at = {name: float(values[index]) for name, values in signs.items()}
        state = State(
            day.car, day.refrigerant, day.valve, day.compressor, day.speed, row.cause, row.strength, day.ambient, day.humidity,
            evaporating=at["evaporating"], condensing=at["condensing"], superheat=at["superheat"], subcooling=at["subcooling"],
            approach=at["approach"], vent=at["vent"], discharge=at["discharge"], static=at["static"], capacity=at["capacity"],
        )  # fmt: skip
        if state.physical:
            found.append(state)
    return found


def table(cars: int, seed: int) -> Table:
    """Paired rows of `cars` cars. What failed: rows not solved, and all rows of cars that could not be made or run sound."""
    states = [state for batch in solved_table(cars, seed) for state in _states(batch)]
    wanted = cars * (1 + sum(len(strengths) for strengths in STRENGTHS.values()))
    return Table(tuple(sorted(states, key=lambda state: state.car)), wanted - len(states))
