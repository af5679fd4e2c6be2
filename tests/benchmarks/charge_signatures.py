"""Makes `watches/pressures/signatures.csv`: what the loop model's gauges show under each fault, by car and day.

Run as `python tests/benchmarks/charge_signatures.py OUT.csv` (some minutes). Columns in K but for the days: see `causes.py`.
"""

from __future__ import annotations

import csv
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from charge_loop_scenarios import DESIGNS, SOUND, STRENGTHS, Scenario

from baytrace.physics.fluids import saturation
from baytrace_sim.loop.truth import run

HEAD = (
    "valve", "clutch", "cause", "strength", "ambient", "humidity", "evaporating", "condensing", "superheat", "subcooling",
    "approach", "vent", "discharge", "static",
)  # fmt: skip
_AMBIENTS, _HUMIDITIES = (15.0, 22.0, 29.0, 36.0, 43.0), (0.25, 0.55, 0.85)
_RUN_S, _TAIL_S = 720.0, 240


def signs(scenario: Scenario) -> list[float]:
    """The signs of one settled loop, K."""
    loop = scenario.loop()
    ambient = scenario.ambient_c + 273.15
    static = saturation("R134a", pressure_pa=loop.low_side_pa).temperature_k - ambient
    record = run(loop, _RUN_S, rpm=scenario.rpm, blower=scenario.blower)
    mean = {name: float(np.mean(values[-_TAIL_S:])) for name, values in record.values.items()}
    evaporating = saturation("R134a", pressure_pa=mean["low_side_pa"]).temperature_k
    condensing = saturation("R134a", pressure_pa=mean["high_side_pa"]).temperature_k
    return [
        evaporating - 273.15,
        condensing - ambient,
        mean["suction_line_k"] - evaporating,
        condensing - mean["liquid_line_k"],
        mean["liquid_line_k"] - ambient,
        mean["vent_air_k"] - ambient,
        mean["discharge_line_k"] - condensing,
        static,
    ]


def _row(scenario: Scenario) -> list[object]:
    day = [f"{scenario.ambient_c:g}", f"{scenario.humidity:g}"]
    return [
        scenario.valve,
        scenario.clutch,
        scenario.cause,
        scenario.strength,
        *day,
        *(f"{sign:.1f}" for sign in signs(scenario)),
    ]


def _scenarios() -> list[Scenario]:
    causes = [(SOUND, 0)] + [(c, s) for c in STRENGTHS if c != "clutch not engaged" for s in (1, 2, 3)]
    days = [(t, h) for t in _AMBIENTS for h in _HUMIDITIES if t < 40.0 or h < 0.8]
    return [Scenario(*car, *day, *cause) for car in DESIGNS for day in days for cause in causes]


def main() -> None:
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(_row, _scenarios(), chunksize=8))
    with Path(sys.argv[1]).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEAD)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
