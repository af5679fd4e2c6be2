"""What sound and faulty cars show, after several loop models of different structure: `ensemble.csv`.

Rules. Each structure ran a few hundred cars of its own over the usual days, each car once sound and once under each cause at
each strength. A row of the table holds, for one structure, kind of valve and compressor, cause and strength, the mean of each
sign as a smooth function of the day (and of the engine's speed and the refrigerant) and the covariance between cars of what is
left. A car of the bench is one more draw of a structure that is not among them, so each structure's component is widened by
what structures differ from each other, and drawn towards their mean by as much as keeps the whole no wider than that (shrunk
kernels: M. West, J. R. Stat. Soc. B 55 (1993) 409). What is not known of the day widens the covariance by its slope.

Limits. Days from 15 to 45 degC; R134a and R1234yf. Other refrigerants that condense are taken for the mean of both, as the
signs are temperatures that hardware and air make; their discharge temperature is the fluid's own and is left out. R744 has one
structure alone: nothing can be calibrated on it.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from baytrace.physics.fluid_names import resolve
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import SIGNS, SOUND, Day

Floats = npt.NDArray[np.float64]
VALVES, COMPRESSORS, SPEEDS = ("expansion valve", "orifice tube"), ("fixed", "variable"), ("idle", "fast")
KINDS = tuple((valve, compressor) for valve in VALVES for compressor in COMPRESSORS)
REFRIGERANTS = ("R134a", "R1234yf")
FEATURES = ("mean", "warmer", "warmer2", "wetter", "faster", "yf")
"""Per 10 K above 30 degC (and its square), per 6 g/kg above 12 g/kg of water in dry air, +1 fast and -1 idle, +1 R1234yf and
-1 R134a."""
_WARMER, _WETTER, _FASTER = (FEATURES.index(name) for name in ("warmer", "wetter", "faster"))
COOLEST_C, HOTTEST_C = 15.0, 45.0
_BEYOND_K = 3.0
_USUAL_WATER, _WATER_SPAN, _WETTEST = 12.0, 6.0, 26.0
_UNKNOWN_HUMIDITY, _UNKNOWN_HUMIDITY_U = 0.55, 0.2  # mean and standard deviation of 0.2 to 0.9, any as likely


def water(ambient_c: float | Floats, humidity: float | Floats) -> Floats:
    """g of water per kg of dry air at sea level (Magnus' formula after D. Sonntag, Z. Meteorol. 70 (1990) 340)."""
    vapour = np.asarray(humidity) * 611.2 * np.exp(17.62 * np.asarray(ambient_c) / (243.12 + np.asarray(ambient_c)))
    grams: Floats = 622.0 * vapour / (101_325.0 - vapour)
    return grams


def features(ambient_c: Floats, humidity: Floats, faster: Floats, yf: Floats) -> Floats:
    """One row a day, a column for each of FEATURES."""
    warm = (np.clip(ambient_c, COOLEST_C, HOTTEST_C) - 30.0) / 10.0
    wet = (np.minimum(water(ambient_c, humidity), _WETTEST) - _USUAL_WATER) / _WATER_SPAN
    return np.column_stack([np.ones_like(warm), warm, warm**2, wet, faster, yf])


class State(NamedTuple):
    """A cause at a strength in %; its ways are as likely: a valve stuck "shut" or "open", a car that moves "faint" or "plain"."""

    cause: str
    strength: float
    way: str = ""


@dataclass(frozen=True, slots=True)
class Components:
    """One row a structure, kind of car and state, on one day; `share` of each within its state."""

    state: npt.NDArray[np.int64]
    share: Floats
    mean: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Axes: structure, kind of car (KINDS), state (the first is the sound car), sign, feature.

    Not a number where a structure has no such cars.
    """

    structures: tuple[str, ...]
    states: tuple[State, ...]
    means: Floats
    covariances: Floats

    def without(self, structure: str) -> Ensemble:
        """The others alone."""
        keep = [index for index, name in enumerate(self.structures) if name != structure]
        names = tuple(self.structures[index] for index in keep)
        return replace(self, structures=names, means=self.means[keep], covariances=self.covariances[keep])

    def on(self, day: Day, refrigerant: str) -> Components:
        """What the cars of the ensemble show on a day."""
        kinds = [index for index, kind in enumerate(KINDS) if _fits(kind, day)]
        at, unsure = _point(day, refrigerant), _unsure(day)
        mean = self.means[:, kinds] @ at
        slopes = self.means[:, kinds] @ unsure.T
        spread = self.covariances[:, kinds] + slopes @ np.swapaxes(slopes, -1, -2)
        mean, spread = _widened(mean, spread)
        spread = spread + np.diag(np.array([limit("pressures.least_spread")[name] for name in SIGNS]) ** 2)
        state = np.broadcast_to(np.arange(len(self.states)), mean.shape[:3])
        there = np.isfinite(mean[..., 0])
        share = there / np.maximum(there.sum(axis=(0, 1), keepdims=True), 1)
        return Components(state[there], share[there], mean[there], spread[there])


def _fits(kind: tuple[str, str], day: Day) -> bool:
    return day.valve in ("", kind[0]) and day.compressor in ("", kind[1])


def _point(day: Day, refrigerant: str) -> Floats:
    humidity = _UNKNOWN_HUMIDITY if day.humidity is None else min(max(day.humidity, 0.0), 1.0)
    faster = {"idle": -1.0, "fast": 1.0}.get(day.speed, 0.0)
    key = resolve(refrigerant).key
    yf = {resolve(name).key: sign for name, sign in zip(REFRIGERANTS, (-1.0, 1.0), strict=True)}.get(key, 0.0)
    point: Floats = features(*(np.array([value]) for value in (day.ambient_c, humidity, faster, yf)))[0]
    return point


def _unsure(day: Day) -> Floats:
    """A row for each thing that is not known: how far (one standard deviation) the features may be off by it."""
    here = _point(day, REFRIGERANTS[0])
    rows = np.zeros((3, len(FEATURES)))
    rows[0, _WARMER] = day.ambient_u / 10.0
    rows[0, _WARMER + 1] = 2.0 * here[_WARMER] * day.ambient_u / 10.0
    share = _UNKNOWN_HUMIDITY_U if day.humidity is None else 0.0
    rows[1, _WETTER] = share * min(float(water(day.ambient_c, 1.0)), _WETTEST) / _WATER_SPAN
    rows[2, _FASTER] = 0.0 if day.speed else 1.0
    return rows


def _widened(mean: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Components drawn towards the structures' mean and widened by what structures differ from each other."""
    share = limit("pressures.between_structures")
    count = int(np.isfinite(mean[:, :, 0, 0]).sum(axis=0).max())
    if count < 2:
        return mean, spread
    there = np.isfinite(mean)
    middle = np.where(there, mean, 0.0).sum(axis=0, keepdims=True) / np.maximum(there.sum(axis=0, keepdims=True), 1)
    apart = np.nan_to_num(mean - middle)
    between = np.einsum("skji,skjl->kil", apart, apart) / ((count - 1) * mean.shape[2]) * (1.0 + 1.0 / count)
    kept = math.sqrt(max(1.0 - share, 0.0))
    return middle + kept * (mean - middle), spread + share * between[None, :, None]


def covers(refrigerant: str) -> str:
    """Why the ensemble cannot speak of a refrigerant, as a sentence; "" where it can."""
    fluid = resolve(refrigerant)
    if not fluid.transcritical:
        return ""
    models = (
        "there is one loop model alone of it" if fluid.key == resolve("R744").key else "there is no loop model of it"
    )
    return (
        f"causes are not judged with {fluid.name}: {models}, and a likelihood that no model of another structure has "
        "confirmed would not keep its word"
    )


def signs_carried(refrigerant: str) -> tuple[str, ...]:
    """The signs that may be compared with a refrigerant."""
    own = resolve(refrigerant).key in {resolve(name).key for name in REFRIGERANTS}
    return SIGNS if own else tuple(name for name in SIGNS if name != "discharge")


def covers_day(ambient_c: float) -> bool:
    return COOLEST_C - _BEYOND_K <= ambient_c <= HOTTEST_C + _BEYOND_K


@cache
def ensemble() -> Ensemble:
    """The table as shipped."""
    text = files("baytrace.watches.pressures").joinpath("ensemble.csv").read_text(encoding="utf-8")
    return read(csv.DictReader(text.splitlines()))


def columns() -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The table's columns of means (sign by sign, its features) and of covariances (lower half)."""
    means = tuple(f"{sign}.{feature}" for sign in SIGNS for feature in FEATURES)
    halves = tuple(f"{row}*{column}" for at, row in enumerate(SIGNS) for column in SIGNS[: at + 1])
    return means, halves


def read(rows: Iterable[dict[str, str]]) -> Ensemble:
    """From rows with `structure`, `valve`, `compressor`, `cause`, `strength`, `way` and the columns of `columns`."""
    given = list(rows)
    structures = tuple(dict.fromkeys(row["structure"] for row in given))
    states = tuple(dict.fromkeys(_state(row) for row in given))
    if states[0] != State(SOUND, 0.0):
        raise ValueError("the ensemble's first state must be the sound car")
    mean_columns, half_columns = columns()
    means = np.full((len(structures), len(KINDS), len(states), len(SIGNS), len(FEATURES)), np.nan)
    covariances = np.full((*means.shape[:4], len(SIGNS)), np.nan)
    lower = np.tril_indices(len(SIGNS))
    for row in given:
        at = (
            structures.index(row["structure"]),
            KINDS.index((row["valve"], row["compressor"])),
            states.index(_state(row)),
        )
        means[at] = np.array([row[name] for name in mean_columns], dtype=float).reshape(len(SIGNS), len(FEATURES))
        half = np.zeros((len(SIGNS), len(SIGNS)))
        half[lower] = np.array([row[name] for name in half_columns], dtype=float)
        covariances[at] = half + np.tril(half, -1).T
    return Ensemble(structures, states, means, covariances)


def _state(row: dict[str, str]) -> State:
    return State(row["cause"], float(row["strength"]), row["way"])
