"""What a car shows in steady state: one row a car, day and fault, and the file that holds the rows.

Signs: `evaporating` is the saturation temperature of the low side's gauge, degC; `condensing` that of the high side's gauge,
K above the ambient; `superheat` of the suction line and `subcooling` of the liquid line, K; `approach` the liquid line above
the ambient, K; `vent` the vent air above the ambient, K (negative where it cools); `discharge` the discharge line above
condensing, K; `static` the saturation temperature of the standing pressure above the air, K. A gauge reads the total pressure,
so air in the loop shows in `condensing`, `subcooling`, `discharge` and `static`.

A row's `car` is one car on one day at one speed, so rows of one car are paired. `strength` is in %: the share of the label's
charge missing or above it, of the condenser's air, of volumetric efficiency, of flow area or of the valve's usual opening
lost (or added, stuck open), and the partial pressure of the air at 25 degC standing over the refrigerant's saturation pressure.
"""

from __future__ import annotations

import csv
import importlib
import math
import pkgutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import NamedTuple, cast

SOUND = "nothing wrong"
CAUSES = (
    SOUND,
    "undercharge",
    "overcharge",
    "condenser airflow",
    "worn or slipping compressor",
    "restriction",
    "air in the loop",
    "wet or stuck valve",
    "clutch not engaged",
)
REFRIGERANTS = ("R134a", "R1234yf")
VALVES = ("expansion valve", "orifice tube")
COMPRESSORS = ("fixed", "variable")
SPEEDS = ("idle", "fast")
SIGNS = ("evaporating", "condensing", "superheat", "subcooling", "approach", "vent", "discharge", "static")


@dataclass(frozen=True, slots=True)
class State:
    """`ambient` in degC, `humidity` 0 to 1, `capacity` the heat taken from the evaporator's air in W; the rest as above."""

    car: int
    refrigerant: str
    valve: str
    compressor: str
    speed: str
    cause: str
    strength: float
    ambient: float
    humidity: float
    evaporating: float
    condensing: float
    superheat: float
    subcooling: float
    approach: float
    vent: float
    discharge: float
    static: float
    capacity: float

    @property
    def physical(self) -> bool:
        """Whether no law is broken: finite, vent air not colder than what cools it, a gas compressed does
        not cool below condensing by more than lines lose, liquid not colder than the air by more than a flashing restriction
        makes it, nothing outside what refrigerant and air can reach.
        """
        values = [getattr(self, sign) for sign in SIGNS]
        return (
            all(math.isfinite(value) for value in (*values, self.capacity))
            and (self.vent + self.ambient >= self.evaporating - 0.5 or self.capacity == 0.0)
            and -60.0 < self.evaporating < 75.0
            and -5.0 < self.condensing + self.ambient < 100.0
            and -1.0 <= self.superheat <= 80.0
            and -40.0 < self.approach < 60.0
            and -15.0 <= self.discharge <= 90.0
            and -1.0 <= self.capacity <= 15_000.0
        )


HEADER = tuple(field.name for field in fields(State))


class Table(NamedTuple):
    """`failed` counts states that could not be solved and are not among `states`."""

    states: tuple[State, ...]
    failed: int


_DECIMALS = {"humidity": "{:.2f}", "capacity": "{:.0f}"}


def write(file: Path, states: Iterable[State]) -> None:
    """A CSV with `HEADER`, temperatures to 0.01 K."""
    with file.open("w", encoding="utf-8", newline="") as out:
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(HEADER)
        for state in states:
            values = [(name, getattr(state, name)) for name in HEADER]
            rows.writerow(
                _DECIMALS.get(name, "{:.2f}").format(value) if isinstance(value, float) else value
                for name, value in values
            )


def structures() -> dict[str, Callable[[int, int], Table]]:
    """By name, every module of this package that defines `table(cars, seed)`."""
    package = importlib.import_module("baytrace_sim.cars")
    found = {}
    for module in pkgutil.iter_modules(package.__path__):
        if not module.name.startswith("_"):
            table = getattr(importlib.import_module(f"{package.__name__}.{module.name}"), "table", None)
            if table is not None:
                found[module.name] = cast("Callable[[int, int], Table]", table)
    return found
