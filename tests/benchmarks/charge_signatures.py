"""Makes `watches/pressures/signatures*.csv`: what the loop model's gauges show under each fault, by car and day.

Run as `python tests/benchmarks/charge_signatures.py OUT.csv [--fluid R744] [--cars orifice-cycling ...] [--workers N]` (some
minutes; with `--cars` rows are added to the file, a car at a time). Columns in K (gas cooler in bar) but for the days: see
`causes.py`.
"""

from __future__ import annotations

import argparse
import csv
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from charge_loop_scenarios import DESIGNS, SOUND, STRENGTHS, Scenario, not_modelled

from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import AboveCritical, carried_on_pressure, saturation
from baytrace.watches.pressures.causes import GAS_COOLER_SIGNS, SIGNS
from baytrace_sim.loop.truth import run

HEAD = ("valve", "clutch", "cause", "strength", "ambient", "humidity")
_AMBIENTS, _TAIL_S = (15.0, 22.0, 29.0, 36.0, 43.0), 240
_HUMIDITIES, _RUN_S = (0.25, 0.55, 0.85), 720.0
_WETTEST_HOT = 0.7
_GAS_COOLER_HUMIDITIES, _GAS_COOLER_RUN_S = (0.3, 0.75), 480.0  # its model takes longer, and humidity shows less


def gas_cooler(fluid: str) -> bool:
    return resolve(fluid).transcritical


def signs(scenario: Scenario) -> dict[str, float]:
    """The signs of one settled loop."""
    loop, fluid = scenario.loop(), scenario.fluid
    ambient, standing = scenario.ambient_c + 273.15, loop.low_side_pa
    seconds = _RUN_S
    if gas_cooler(fluid):
        seconds, loop.longest_step_s = _GAS_COOLER_RUN_S, 1.0
    record = run(loop, seconds, rpm=scenario.rpm, blower=scenario.blower)
    mean = {name: float(np.mean(values[-_TAIL_S:])) for name, values in record.values.items()}
    evaporating = saturation(fluid, pressure_pa=mean["low_side_pa"]).temperature_k
    found = {
        "evaporating": evaporating - 273.15,
        "superheat": mean["suction_line_k"] - evaporating,
        "vent": mean["vent_air_k"] - ambient,
    }
    if gas_cooler(fluid):
        found["gas_cooler"] = (mean["high_side_pa"] - carried_on_pressure(fluid, ambient)) / 1e5
        found["exit"] = mean["liquid_line_k"] - ambient
        found["hot"] = mean["discharge_line_k"] - ambient
        return found
    condensing = saturation(fluid, pressure_pa=mean["high_side_pa"]).temperature_k
    found["condensing"] = condensing - ambient
    found["approach"] = mean["liquid_line_k"] - ambient
    found["subcooling"] = condensing - mean["liquid_line_k"]
    found["discharge"] = mean["discharge_line_k"] - condensing
    found["static"] = saturation(fluid, pressure_pa=standing).temperature_k - ambient
    return found


def names(fluid: str) -> tuple[str, ...]:
    return GAS_COOLER_SIGNS if gas_cooler(fluid) else SIGNS


def _row(scenario: Scenario) -> list[object] | None:
    """None for a loop that mostly stands, cut out by its high pressure, with a low side above the critical point."""
    day = [f"{scenario.ambient_c:g}", f"{scenario.humidity:g}"]
    try:
        found = signs(scenario)
    except AboveCritical:
        return None
    values = [f"{found[name]:.1f}" for name in names(scenario.fluid)]
    return [scenario.valve, scenario.clutch, scenario.cause, scenario.strength, *day, *values]


def _scenarios(fluid: str, cars: list[tuple[str, str]]) -> list[Scenario]:
    causes = [(SOUND, 0)] + [(c, s) for c in STRENGTHS if c not in not_modelled(fluid) for s in (1, 2, 3)]
    causes = [cause for cause in causes if cause[0] != "clutch not engaged"]
    humidities = _GAS_COOLER_HUMIDITIES if gas_cooler(fluid) else _HUMIDITIES
    days = [(t, h) for t in _AMBIENTS for h in humidities if t < 40.0 or h < _WETTEST_HOT]
    return [Scenario(*car, *day, *cause, fluid=fluid) for car in cars for day in days for cause in causes]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("--fluid", default="R134a")
    ask.add_argument("--cars", nargs="*", help="only these, added to the file: orifice-cycling, valve-variable ...")
    ask.add_argument("--workers", type=int, default=1)
    given = ask.parse_args()
    cars = [car for car in DESIGNS if not given.cars or "-".join(car) in given.cars]
    scenarios = _scenarios(given.fluid, cars)
    begun = given.cars and given.out.exists()
    with (
        ProcessPoolExecutor(given.workers) as pool,
        given.out.open("a" if begun else "w", encoding="utf-8", newline="") as file,
    ):
        writer = csv.writer(file, lineterminator="\n")
        if not begun:
            writer.writerow((*HEAD, *names(given.fluid)))
        for row in pool.map(_row, scenarios, chunksize=8):
            if row is not None:
                writer.writerow(row)
                file.flush()


if __name__ == "__main__":
    main()
