"""Likely causes, ranked, with what speaks for and against each.

The readings are compared with what a loop model shows under each fault: `signatures.csv` holds the model's signs for both kinds
of valve and clutch, days from cool to hot and dry to damp, and mild, plain and severe faults. It is made with R134a; as the
signs are temperatures it holds for other refrigerants that condense, but for the discharge (`discharge.py`). R744 has a table
of its own, `signatures-r744.csv`; a cause its model does not know is said to be not judged. The likelihood of a cause is the
mean, over its rows for days like this one, of the density of the readings about the row, with the spread between cars and the
instruments' uncertainty; Student's t with few degrees of freedom, because the model is not this car and one odd sign must not
outweigh the rest. What the trade expects behind the pattern (a table of shares) is the prior. A sound car and an unknown cause
(any reading anywhere) compete. The numbers rank, they do not prove.

Signs in K: evaporating (temperature, degC), condensing (above the ambient), superheat, subcooling, approach (liquid line above
the ambient), vent (above the ambient, negative), discharge (discharge line above condensing), static (saturation of the standing
pressure above the air). With a gas cooler in place of the condenser's: gas_cooler (high side above the ambient's saturation
pressure, carried on beyond the critical point, bar), exit (of the gas cooler) and hot (discharge line), both above the ambient.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from baytrace.physics.fluid_names import resolve
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.discharge import Running, carried
from baytrace.watches.running.figures import ZERO_C_K, Value

CLUTCH = "clutch not engaged"
MODELLED = "R134a"
"""The refrigerant of the table."""
SOUND, OTHER = "nothing wrong", "something else"
SIGNS = ("evaporating", "condensing", "superheat", "subcooling", "approach", "vent", "discharge", "static")
GAS_COOLER_SIGNS = ("evaporating", "gas_cooler", "superheat", "exit", "vent", "hot")
_FREEDOM = 4.0
_UNKNOWN_SPREAD = 6.0  # an unknown cause moves a sign by this many spreads, either way
_WORDS = {
    "evaporating": "low side (as evaporating temperature)",
    "condensing": "high side (as condensing temperature)",
    "superheat": "superheat",
    "subcooling": "subcooling",
    "approach": "liquid line above ambient",
    "vent": "vent air",
    "discharge": "discharge line above condensing",
    "static": "standing pressure (as saturation temperature)",
    "gas_cooler": "gas-cooler pressure",
    "exit": "gas cooler's exit above ambient",
    "hot": "discharge line above ambient",
}
_UNITS = {"gas_cooler": "bar"}


@dataclass(frozen=True, slots=True)
class Day:
    """What the signs must be compared at: degC, share (None: not known), the kind of valve ("" where unknown)."""

    ambient_c: float
    humidity: float | None
    valve: str
    ambient_u: float = 0.5
    speed: str = ""
    compressor: str = ""


@dataclass(frozen=True, slots=True)
class Cause:
    """`likelihood` 0 to 1 over all causes, by the model alone."""

    cause: str
    likelihood: float
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()

    @property
    def share(self) -> str:
        """The likelihood in words: no more is claimed than the ranking was found to be right."""
        most = limit("pressures.most_claimed")
        if self.likelihood > most:
            return f"over {100 * most:.0f} %"
        return f"{100 * self.likelihood:.0f} %" if self.likelihood >= 0.01 else "under 1 %"

    def sentence(self) -> str:
        text = f"{self.cause} ({self.share})"
        if self.speaks_for:
            text += f", for it: {'; '.join(self.speaks_for)}"
        if self.speaks_against:
            text += f"; against it: {'; '.join(self.speaks_against)}"
        return text

    def to_json(self) -> dict[str, Any]:
        return {
            "cause": self.cause,
            "likelihood": self.likelihood,
            "share": self.share,
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


@dataclass(frozen=True, slots=True)
class _Signatures:
    """One row a car, day and fault; `signs` has a column for each of `names`."""

    names: tuple[str, ...]
    valves: npt.NDArray[np.str_]
    causes: npt.NDArray[np.str_]
    ambient: npt.NDArray[np.float64]
    humidity: npt.NDArray[np.float64]
    signs: npt.NDArray[np.float64]


@cache
def signatures(refrigerant: str = MODELLED) -> _Signatures | None:
    """The model's table for a refrigerant; None where there is no model. That of R134a serves every refrigerant that condenses,
    with discharge temperatures of its own (not a number for a mixture, whose states take too long to find).
    """
    known, other = resolve(MODELLED), resolve(refrigerant)
    if other.transcritical:
        own = other.key == resolve("R744").key
        return _as_it_stands("signatures-r744.csv", GAS_COOLER_SIGNS) if own else None
    table = _as_it_stands("signatures.csv", SIGNS)
    if known.key == other.key:
        return table
    signs = table.signs.copy()
    if other.mixture:
        signs[:, SIGNS.index("discharge")] = np.nan
        return replace(table, signs=signs)
    at = {name: SIGNS.index(name) for name in SIGNS}
    for row, ambient in zip(signs, table.ambient, strict=True):
        evaporating, condensing = row[at["evaporating"]] + ZERO_C_K, row[at["condensing"]] + ambient + ZERO_C_K
        running = Running(float(evaporating), float(condensing), float(row[at["superheat"]]))
        row[at["discharge"]] = carried(known, other, running, float(row[at["discharge"]]))
    return replace(table, signs=signs)


@cache
def not_judged(refrigerant: str) -> tuple[str, ...]:
    """Causes the trade asks about and this refrigerant's table knows nothing of."""
    table, whole = signatures(refrigerant), _as_it_stands("signatures.csv", SIGNS)
    judged = set() if table is None else set(table.causes.tolist())
    return tuple(cause for cause in dict.fromkeys(whole.causes.tolist()) if cause not in (SOUND, *judged))


@cache
def _as_it_stands(name: str, signs: tuple[str, ...]) -> _Signatures:
    text = files("baytrace.watches.pressures").joinpath(name).read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return _Signatures(
        signs,
        np.array([row["valve"] for row in rows]),
        np.array([row["cause"] for row in rows]),
        np.array([float(row["ambient"]) for row in rows]),
        np.array([float(row["humidity"]) for row in rows]),
        np.array([[float(row[name]) for name in signs] for row in rows]),
    )


def _closeness(table: _Signatures, day: Day) -> npt.NDArray[np.float64]:
    """Log weight of each row by how much its day and car are like this one."""
    ambient = min(max(day.ambient_c, float(table.ambient.min())), float(table.ambient.max()))
    weight: npt.NDArray[np.float64] = -0.5 * ((table.ambient - ambient) / limit("pressures.alike_ambient")) ** 2
    if day.humidity is not None:
        weight = weight - 0.5 * ((table.humidity - day.humidity) / limit("pressures.alike_humidity")) ** 2
    if day.valve:
        weight = np.where(table.valves == day.valve, weight, -np.inf)
    return weight


def _log_density(z: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    density: npt.NDArray[np.float64] = -0.5 * (_FREEDOM + 1.0) * np.log1p(z * z / _FREEDOM)
    return density


def _log_sum(values: npt.NDArray[np.float64]) -> float:
    top = float(values.max()) if len(values) else -math.inf
    return top + math.log(float(np.exp(values - top).sum())) if math.isfinite(top) else -math.inf


def rank(signs: Mapping[str, Value], day: Day, pattern: str, refrigerant: str = MODELLED) -> list[Cause]:
    """Causes by likelihood. `signs` as the table names them; those that could not be had are left out. None where nothing is
    known of the refrigerant, or no sign could be had.
    """
    table = signatures(refrigerant)
    if table is None:
        return []
    names = [
        name for index, name in enumerate(table.names) if name in signs and bool(np.isfinite(table.signs[0, index]))
    ]
    if not names:
        return []
    spread = limit("pressures.spread")
    read = np.array([signs[name].value for name in names])
    width = np.array([math.hypot(spread[name], signs[name].u) for name in names])
    rows = table.signs[:, [table.names.index(name) for name in names]]
    fit = _log_density((rows - read) / width).sum(axis=1)
    weight = _closeness(table, day)
    shares = limit("pressures.shares")[pattern]
    scores: dict[str, float] = {}
    for cause in dict.fromkeys(table.causes.tolist()):
        mine = table.causes == cause
        scores[cause] = _log_sum(fit[mine] + weight[mine]) - _log_sum(weight[mine])
        scores[cause] += math.log(shares.get(cause, shares["others"]))
    usual = _usual(rows, weight, table.causes == SOUND)
    wide = (read - usual) / (_UNKNOWN_SPREAD * width)
    scores[OTHER] = float(_log_density(wide).sum()) - len(names) * math.log(_UNKNOWN_SPREAD)
    scores[OTHER] += math.log(shares[OTHER])
    expected = {cause: _best(rows, fit + weight, table.causes == cause) for cause in scores if cause != OTHER}
    return _ranked(scores, names, (read - usual, width), {c: e - usual for c, e in expected.items()})


def _usual(
    rows: npt.NDArray[np.float64], weight: npt.NDArray[np.float64], sound: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float64]:
    share = np.exp(weight[sound] - weight[sound].max())
    mean: npt.NDArray[np.float64] = share @ rows[sound] / share.sum()
    return mean


def _best(
    rows: npt.NDArray[np.float64], score: npt.NDArray[np.float64], mine: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float64]:
    best: npt.NDArray[np.float64] = rows[mine][int(np.argmax(score[mine]))]
    return best


def _ranked(
    scores: Mapping[str, float],
    names: Sequence[str],
    moved: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    expected: Mapping[str, npt.NDArray[np.float64]],
) -> list[Cause]:
    top = max(scores.values())
    total = sum(math.exp(score - top) for score in scores.values())
    found = [
        Cause(cause, math.exp(score - top) / total, *_reasons(names, moved, expected.get(cause), sound=cause == SOUND))
        for cause, score in scores.items()
    ]
    return sorted(found, key=lambda cause: -cause.likelihood)


def _reasons(
    names: Sequence[str],
    moved: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    expected: npt.NDArray[np.float64] | None,
    *,
    sound: bool,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Signs that moved as the cause moves them, and signs that did not move as it would have them."""
    if expected is None:
        return (), ()
    supporting, contrary = [], []
    for name, shift, width, wanted in zip(names, moved[0], moved[1], expected, strict=True):
        gap = abs(shift - wanted) / width
        if abs(shift) > 1.2 * width and shift * wanted > 0.0 and gap < max(1.5, 0.5 * abs(shift) / width):
            supporting.append((abs(shift) / width, _said(name, shift)))
        elif gap > 1.5:
            told = _said(name, shift) if abs(shift) > width else f"{_WORDS[name]} is as usual"
            contrary.append((gap, told))
    strongest = [tuple(text for _, text in sorted(found, reverse=True)[:3]) for found in (supporting, contrary)]
    return ((), strongest[1]) if sound else (strongest[0], strongest[1])


def _said(name: str, moved: float) -> str:
    more, less = ("warmer", "colder") if name == "vent" else ("higher", "lower")
    return f"{_WORDS[name]} {abs(moved):.0f} {_UNITS.get(name, 'K')} {more if moved > 0.0 else less} than usual"


def not_pumping() -> list[Cause]:
    """Running with equal pressures: nothing pumps. The shares are orientation (common practice, no source)."""
    seen = ("high and low side stand equal with the engine running",)
    return [
        Cause(CLUTCH, 0.8, (*seen, "a clutch, its relay, fuse or low-pressure cut-out is the usual reason"), ()),
        Cause("worn or slipping compressor", 0.15, seen, ("even a worn one parts the pressures a little",)),
        Cause(OTHER, 0.05, (), ()),
    ]
