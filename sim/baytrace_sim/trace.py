"""A scenario's readings as a CSV trace, without wires: RFC 4180, `time [s]`, `role [unit]` columns and `mark`."""

from __future__ import annotations

import csv
import math
from pathlib import Path

from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace_sim.plant import Plant
from baytrace_sim.readings import Readings
from baytrace_sim.scenario import Scenario

SCPI_OPEN = 9.9e37
"""What an ohmmeter answers with nothing connected (SCPI-99)."""
_SWEEP_TICK_S = 0.5


def write_csv(scenario: Scenario, path: Path) -> None:
    """Play `scenario` and write what its instruments showed. The same scenario gives the same file, byte for byte."""
    plant = Plant(scenario)
    readings = Readings(scenario, plant)
    # the barometer first: gauge pressures are read against it
    roles = sorted(readings.roles(), key=lambda role: (role is not Role.BAROMETER, list(Role).index(role)))
    due = dict.fromkeys(roles, 0.0)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(["time [s]", *(f"{role} [{scenario.channel[role].unit}]" for role in roles), "mark"])
        for time_s in _instants(plant):
            marks = [deed.mark for deed in plant.advance(time_s) if deed.mark]
            cells = [_cell(readings, role, time_s, due) for role in roles]
            if any(cells) or marks:
                writer.writerow([_seconds(time_s), *cells, "; ".join(marks)])


def _instants(plant: Plant) -> list[float]:
    """Every second, twice a second while the leads are in use, and the instants of the marks."""
    script = plant.script
    times = {float(second) for second in range(math.floor(script.length_s) + 1)}
    times |= {deed.at_s for deed in script.deeds if deed.mark}
    sweep = script.contacts
    if sweep:
        first, last = sweep[0].start_s - 10.0, min(sweep[-1].end_s + 10.0, script.length_s)
        times |= {first + _SWEEP_TICK_S * index for index in range(math.floor((last - first) / _SWEEP_TICK_S) + 1)}
    return sorted(times)


def _cell(readings: Readings, role: Role, time_s: float, due: dict[Role, float]) -> str:
    if time_s < due[role] - 1e-9:
        return ""
    due[role] = max(due[role], math.floor(time_s)) + readings.scenario.channel[role].period_s
    value = readings.shown(role, time_s)
    if value is None or not readings.heard(role, time_s):
        return ""
    if math.isinf(value):
        return f"{SCPI_OPEN:.1e}" if FACTS[role].quantity is Quantity.RESISTANCE else ""
    return f"{value:.10g}"


def _seconds(time_s: float) -> str:
    return f"{time_s:.3f}".rstrip("0").rstrip(".")


__all__ = ["SCPI_OPEN", "write_csv"]
