"""Makes `watches/pressures/ensemble.csv` from the states of the loop models' cars.

Run as `python tests/benchmarks/pressures_ensemble.py OUT.csv STRUCTURE.csv...` (seconds). A structure's file has the header
`car,refrigerant,valve,compressor,speed,cause,strength,ambient,humidity,evaporating,...,static` (signs as in `causes.py`, free of
noise; the same car sound and under each cause at several strengths on the same day); its name is the structure's.

For each kind of valve and compressor, cause and strength the signs are fitted by least squares to the features of the day
(`ensemble.FEATURES`; all but the mean drawn to none by a small ridge); what is left gives the covariance between cars, drawn
to that of the structure's kinds together, as a kind alone has few. Where structures ran different strengths they are
interpolated. A valve stuck shut and one stuck open are kept apart: a car's valve is open when, at its worst, it lowers the
superheat (expansion valve) or warms the liquid line (orifice tube). Too little charge and a restriction move some cars much
and others, with refrigerant in store, hardly at all: the half of a structure's cars that moved less, and the half that moved
more, are kept apart, as one normal spread over both would tell of too few cars that hardly move.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from baytrace.watches.pressures.causes import CAUSES, SIGNS, SOUND, VALVE
from baytrace.watches.pressures.ensemble import FEATURES, KINDS, Ensemble, State, columns, features

_RIDGE, _LEAST_CARS, _POOLED_CARS = 1.0, 9, 20.0
SPLIT = ("undercharge", "restriction")
_SPREADS = np.array([4.0, 8.0, 4.0, 5.0, 6.0, 5.0, 8.0, 1.0])  # of sound cars, K, to weigh how far signs moved


@dataclass(frozen=True)
class Cars:
    """The rows of a structure, by column."""

    structure: str
    car: np.ndarray
    refrigerant: np.ndarray
    valve: np.ndarray
    compressor: np.ndarray
    speed: np.ndarray
    cause: np.ndarray
    strength: np.ndarray
    ambient: np.ndarray
    humidity: np.ndarray
    signs: np.ndarray
    way: np.ndarray

    def of(self, state: State, kind: tuple[str, str] | None = None) -> np.ndarray:
        """Which rows are cars in a state, whose every sign could be had."""
        found = (self.cause == state.cause) & (self.strength == state.strength) & (self.way == state.way)
        found &= np.isfinite(self.signs).all(axis=1)
        return found if kind is None else found & (self.valve == kind[0]) & (self.compressor == kind[1])

    def states(self, cause: str) -> list[State]:
        found = zip(self.cause, self.strength, self.way, strict=True)
        states = {State(str(name), float(strength), str(way)) for name, strength, way in found if name == cause}
        return sorted(state for state in states if state.way or cause not in {VALVE, *SPLIT})

    def features(self) -> np.ndarray:
        faster, yf = np.where(self.speed == "fast", 1.0, -1.0), np.where(self.refrigerant == "R1234yf", 1.0, -1.0)
        return features(self.ambient, self.humidity, faster, yf)


def cars(path: Path) -> Cars:
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    text = {
        name: np.array([row[name] for row in rows])
        for name in ("car", "refrigerant", "valve", "compressor", "speed", "cause")
    }
    numbers = {name: np.array([float(row[name]) for row in rows]) for name in ("strength", "ambient", "humidity")}
    signs = np.array([[float(row[name] or "nan") for name in SIGNS] for row in rows])
    return Cars(path.stem, **text, **numbers, signs=signs, way=_ways(text, numbers["strength"], signs))


def _ways(text: dict[str, np.ndarray], strength: np.ndarray, signs: np.ndarray) -> np.ndarray:
    """In which way each row shows its cause: see the top."""
    ways = np.full(len(strength), "", dtype="<U5")
    sound = {car: row for row, car in enumerate(text["car"]) if text["cause"][row] == SOUND}
    for car in np.unique(text["car"][text["cause"] == VALVE]):
        mine = np.flatnonzero((text["cause"] == VALVE) & (text["car"] == car))
        if car in sound:
            worst = mine[int(np.argmax(strength[mine]))]
            moved = signs[worst] - signs[sound[car]]
            orifice = text["valve"][worst] == "orifice tube"
            opened = moved[SIGNS.index("approach")] > 0.0 if orifice else moved[SIGNS.index("superheat")] < 0.0
            ways[mine] = "open" if opened else "shut"
    for cause in SPLIT:
        for size in np.unique(strength[text["cause"] == cause]):
            for valve in np.unique(text["valve"]):
                rows = np.flatnonzero((text["cause"] == cause) & (strength == size) & (text["valve"] == valve))
                rows = np.array([row for row in rows if text["car"][row] in sound], dtype=int)
                moved = signs[rows] - signs[[sound[text["car"][row]] for row in rows]]
                far = np.abs(moved / _SPREADS).sum(axis=1)
                ways[rows] = np.where(far > np.nanmedian(far), "plain", "faint")
    return ways


def fitted(table: Cars, state: State) -> tuple[np.ndarray, np.ndarray]:
    """Means (kind, sign, feature) and covariances (kind, sign, sign) of one state; not a number where there are too few cars."""
    means = np.full((len(KINDS), len(SIGNS), len(FEATURES)), np.nan)
    spreads = np.full((len(KINDS), len(SIGNS), len(SIGNS)), np.nan)
    counts, of_day = np.zeros(len(KINDS)), table.features()
    ridge = _RIDGE * np.diag([0.0] + [1.0] * (len(FEATURES) - 1))
    for at, kind in enumerate(KINDS):
        rows = table.of(state, kind)
        counts[at] = rows.sum()
        if counts[at] < _LEAST_CARS:
            continue
        day, seen = of_day[rows], table.signs[rows]
        means[at] = np.linalg.solve(day.T @ day + ridge, day.T @ seen).T
        left = seen - day @ means[at].T
        spreads[at] = left.T @ left / max(counts[at] - len(FEATURES), 0.5 * counts[at])
    there = np.isfinite(spreads[:, 0, 0])
    if there.any():
        together = np.average(spreads[there], axis=0, weights=counts[there])
        pooled = (_POOLED_CARS / (_POOLED_CARS + counts))[:, None, None]
        spreads = (1.0 - pooled) * spreads + pooled * together
    return means, spreads


def states_of(tables: Sequence[Cars]) -> list[State]:
    """The sound car and every fault that a structure ran."""
    found = {state for table in tables for cause in CAUSES for state in table.states(cause)}
    return [State(SOUND, 0.0), *sorted(found, key=lambda state: (CAUSES.index(state.cause), state.strength, state.way))]


def ensemble_of(tables: Sequence[Cars]) -> Ensemble:
    states = states_of(tables)
    means = np.full((len(tables), len(KINDS), len(states), len(SIGNS), len(FEATURES)), np.nan)
    spreads = np.full((*means.shape[:4], len(SIGNS)), np.nan)
    for row, table in enumerate(tables):
        own = {state: fitted(table, state) for cause in CAUSES for state in table.states(cause)}
        sound = fitted(table, states[0])
        for at, wanted in enumerate(states):
            ways = [(state.strength, found) for state, found in own.items() if state[::2] == wanted[::2]]
            pair = sound if wanted.cause == SOUND else _between([(0.0, sound), *ways], wanted.strength)
            if pair is not None:
                means[row, :, at], spreads[row, :, at] = pair
    return Ensemble(tuple(table.structure for table in tables), tuple(states), means, spreads)


def _between(
    steps: list[tuple[float, tuple[np.ndarray, np.ndarray]]], strength: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Interpolated between a structure's own strengths, not beyond them."""
    for (low, first), (high, second) in pairwise(steps):
        if low < strength <= high:
            share = (strength - low) / (high - low)
            return tuple((1.0 - share) * a + share * b for a, b in zip(first, second, strict=True))  # type: ignore[return-value]
    return None


def write(cars_of: Ensemble, out: Path) -> None:
    mean_columns, half_columns = columns()
    lower = np.tril_indices(len(SIGNS))
    with out.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("structure", "valve", "compressor", "cause", "strength", "way", *mean_columns, *half_columns))
        for s, k, j in np.argwhere(np.isfinite(cars_of.means[..., 0, 0])):
            state = cars_of.states[j]
            numbers = [*cars_of.means[s, k, j].ravel(), *cars_of.covariances[s, k, j][lower]]
            named = (cars_of.structures[s], *KINDS[k], state.cause, f"{state.strength:g}", state.way)
            writer.writerow((*named, *[_short(value) for value in numbers]))


def _short(value: float) -> str:
    return f"{value:.2g}" if abs(value) < 1.0 else f"{round(value, 1):g}"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("structures", type=Path, nargs="+")
    given = ask.parse_args()
    write(ensemble_of([cars(path) for path in given.structures]), given.out)


if __name__ == "__main__":
    main()
