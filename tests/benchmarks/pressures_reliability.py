"""Whether a likelihood of the pressures watch comes true, and a blind spot is one, on loop models that it was not made of.

Run as `python tests/benchmarks/pressures_reliability.py STRUCTURE.csv... [--channels all|gauges|...] [--cars N]` (minutes) with
the files that `pressures_ensemble.py` takes. Each structure is left out in turn; its cars, sound and at every strength of every
fault, are read with instruments' errors and ranked by an ensemble of the other structures. Prints Markdown: stated against seen
likelihood by bin, for mixes of sound and faulty cars; how often the true cause is first, and among the first two; how often a
sound car is suspected; and of faults of exactly the strength of a blind spot, how many do not show.

Errors are rectangular within the accuracies of `CHANNELS` (K); what signs share in error they share here. A sign's uncertainty
is what the watch would make of those accuracies.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
from pressures_ensemble import Cars, cars, ensemble_of

from baytrace.watches.pressures.blind import spots
from baytrace.watches.pressures.causes import CAUSES, SIGNS, SOUND, Day
from baytrace.watches.pressures.ensemble import Ensemble, State
from baytrace.watches.pressures.evidence import NAMES, Comparison, compared
from baytrace.watches.pressures.instruments import told
from baytrace.watches.pressures.likelihood import grouped

EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95, 1.0)
SOUND_SHARES = (1.0 / 8.0, 1.0 / 4.0, 1.0 / 2.0)
GAUGE_K, PROBE_K, STATIC_K = 0.5, 0.5, 1.5
"""Limits of error: 0.5 % of full scale is about half a kelvin of saturation on either gauge; clamps and probes 0.5 K. The
standing loop's temperature is the air's within a standard uncertainty of 1.5 K."""
_RECTANGULAR, _DRAWS = 3.0**-0.5, 8
CHANNELS = {
    "all": SIGNS,
    "no standing": tuple(name for name in SIGNS if name != "static"),
    "no discharge": tuple(name for name in SIGNS if name not in ("static", "discharge")),
    "gauges": ("evaporating", "condensing"),
}


def uncertainties(coarser: float = 1.0) -> dict[str, float]:
    """Standard uncertainties of the signs, K."""
    gauge, probe = (coarser * size * _RECTANGULAR for size in (GAUGE_K, PROBE_K))
    both, probes = float(np.hypot(gauge, probe)), float(np.hypot(probe, probe))
    return {
        "evaporating": gauge, "condensing": both, "superheat": both, "subcooling": both, "approach": probes, "vent": probes,
        "discharge": both, "static": float(np.hypot(both, STATIC_K)),
    }  # fmt: skip


def read(signs: np.ndarray, rng: np.random.Generator, coarser: float = 1.0) -> np.ndarray:
    """Signs (a row a state, all of SIGNS) as instruments with errors show them; one set of errors a row."""
    low, high, standing = (coarser * rng.uniform(-GAUGE_K, GAUGE_K, len(signs)) for _ in range(3))
    suction, liquid, vent, discharge, ambient = (coarser * rng.uniform(-PROBE_K, PROBE_K, len(signs)) for _ in range(5))
    standing = standing + rng.normal(0.0, STATIC_K, len(signs))
    off = (
        low,
        high - ambient,
        suction - low,
        high - liquid,
        liquid - ambient,
        vent - ambient,
        discharge - high,
        standing - ambient,
    )
    return signs + np.column_stack(off)


class Judged(NamedTuple):
    """One reading of a car of a structure left out: its truth, the likelihoods (NAMES) and groups, whether it is suspected."""

    cause: str
    strength: float
    shares: np.ndarray
    groups: tuple[tuple[int, ...], ...]
    suspected: bool

    @property
    def named(self) -> list[tuple[float, bool]]:
        """Stated likelihood of each group, and whether the true cause is in it; best first."""
        true = NAMES.index(self.cause)
        found = [(float(self.shares[list(group)].sum()), true in group) for group in self.groups]
        return sorted(found, key=lambda pair: -pair[0])

    @property
    def faults(self) -> list[bool]:
        """Whether the true cause is in a group; groups of faults alone, best first."""
        true = NAMES.index(self.cause)
        found = [(float(self.shares[list(group)].sum()), true in group) for group in self.groups if group != (0,)]
        return [right for _, right in sorted(found, key=lambda pair: -pair[0])]


def day_of(table: Cars, row: int, *, valve: bool = True) -> Day:
    return Day(float(table.ambient[row]), float(table.humidity[row]), str(table.valve[row]) if valve else "")


def cars_of(table: Cars, most: int) -> Iterator[tuple[int, np.ndarray]]:
    """A sound row and all rows of each of the first cars."""
    for row in np.flatnonzero(table.of(State(SOUND, 0.0)))[:most]:
        yield int(row), np.flatnonzero((table.car == table.car[row]) & np.isfinite(table.signs).all(axis=1))


def beside(ensemble: Ensemble, table: Cars, row: int, channels: Sequence[str], coarser: float = 1.0) -> Comparison:
    u = uncertainties(coarser)
    return compared(
        ensemble, {name: u[name] for name in told(channels)}, day_of(table, row), str(table.refrigerant[row])
    )


def judged(
    ensemble: Ensemble, table: Cars, channels: Sequence[str], rng: np.random.Generator, most: int
) -> list[Judged]:
    """Every state of every car, read once."""
    found = []
    for row, mine in cars_of(table, most):
        rows = [at for at in mine if table.cause[at] in NAMES]
        with_it = beside(ensemble, table, row, channels)
        seen = read(table.signs[rows], rng)[:, [SIGNS.index(name) for name in with_it.names]]
        shares, evidence, far = with_it.shares(seen), with_it.causes_of(seen), with_it.suspect(seen)
        for at, share, proof, suspected in zip(rows, shares, evidence, far, strict=True):
            groups = tuple(grouped(share, proof))
            found.append(Judged(str(table.cause[at]), float(table.strength[at]), share, groups, bool(suspected)))
    return found


def weights(found: Sequence[Judged], sound: float) -> np.ndarray:
    """So that `sound` of the cars are sound, all faults are as likely, and the strengths of one too."""
    kinds = [(one.cause, one.strength) for one in found]
    count = {kind: kinds.count(kind) for kind in set(kinds)}
    strengths = {cause: sum(name == cause for name, _ in count) for cause, _ in count}
    share = {cause: sound if cause == SOUND else (1.0 - sound) / (len(strengths) - 1) for cause in strengths}
    return np.array([share[cause] / strengths[cause] / count[cause, strength] for cause, strength in kinds])


class Bin(NamedTuple):
    low: float
    high: float
    count: int
    stated: float
    seen: float

    @property
    def off(self) -> float:
        return self.seen - self.stated


def bins(stated: np.ndarray, right: np.ndarray, weight: np.ndarray) -> list[Bin]:
    found = []
    for low, high in pairwise(EDGES):
        mine = (stated > low) & (stated <= high)
        if mine.any():
            mean = [float(np.average(values[mine], weights=weight[mine])) for values in (stated, right)]
            found.append(Bin(low, high, int(mine.sum()), *mean))
    return found


def reliability(found: Sequence[Judged], sound: float, *, first: bool) -> list[Bin]:
    """Of everything named, or of what is named first."""
    rows = [
        (stated, right, weight)
        for one, weight in zip(found, weights(found, sound), strict=True)
        for stated, right in (one.named[:1] if first else one.named)
    ]
    return bins(*(np.array(column, dtype=float) for column in zip(*rows, strict=True)))


def row(*cells: object) -> None:
    sys.stdout.write("| " + " | ".join(str(cell) for cell in cells) + " |\n")


def head(title: str, *cells: str) -> None:
    sys.stdout.write(f"\n{title}\n\n")
    row(*cells)
    row(*["---"] * len(cells))


def print_reliability(found: dict[str, list[Judged]]) -> None:
    everything = [one for some in found.values() for one in some]
    shares = [f"{100 * sound:.0f} %" for sound in SOUND_SHARES]
    for first in (True, False):
        what = "what is named first" if first else "everything named"
        head(
            f"{what}, each structure left out in turn; by share of sound cars: stated, seen", "stated", "count", *shares
        )
        print_bins([reliability(everything, sound, first=first) for sound in SOUND_SHARES])
    head(
        "What is named first, a quarter of the cars sound; by structure left out: stated, seen (count)",
        "stated",
        "count",
        *found,
    )
    print_bins([reliability(some, 0.25, first=True) for some in found.values()], counted=True)


def print_bins(sides: Sequence[list[Bin]], *, counted: bool = False) -> None:
    for low, high in pairwise(EDGES):
        mine = [next((one for one in bins_of if one.low == low), None) for bins_of in sides]
        cells = [
            "" if one is None else f"{one.stated:.2f}, {one.seen:.2f}" + f" ({one.count})" * counted for one in mine
        ]
        counts = [one.count for one in mine if one is not None]
        if counts:
            row(f"{100 * low:.0f} to {100 * high:.0f} %", sum(counts) if counted else max(counts), *cells)


def print_found(found: dict[str, list[Judged]]) -> None:
    head(
        "Faults of 40 % and more: the true cause in the first group, in the first two; suspected",
        "left out",
        *NAMES[1:],
        "all",
    )
    for name, some in found.items():
        cells = []
        for cause in (*CAUSES, None):
            mine = [one for one in some if one.strength >= 40.0 and one.cause != SOUND and cause in (None, one.cause)]
            rates = [
                [one.faults[0] for one in mine],
                [any(one.faults[:2]) for one in mine],
                [one.suspected for one in mine],
            ]
            cells.append(" ".join(f"{100 * np.mean(rate):.0f}" for rate in rates) if mine else "")
        row(name, *cells)
    head("Sound cars suspected", "left out", "cars", "suspected", "sound named first")
    for name, some in found.items():
        sound = [one for one in some if one.cause == SOUND]
        named = np.mean([one.named[0][1] for one in sound])
        row(name, len(sound), f"{100 * np.mean([one.suspected for one in sound]):.1f} %", f"{100 * named:.0f} %")


def at_strength(table: Cars, mine: np.ndarray, cause: str, strength: float) -> np.ndarray | None:
    """A car's signs at a strength, between the nearest of its states."""
    steps = [(0.0, at) for at in mine if table.cause[at] == SOUND] + [
        (table.strength[at], at) for at in mine if table.cause[at] == cause
    ]
    steps.sort()
    for (low, under), (high, over) in pairwise(steps):
        if low <= strength <= high and low < high:
            share = (strength - low) / (high - low)
            mixed: np.ndarray = (1.0 - share) * table.signs[under] + share * table.signs[over]
            return mixed
    return None


class Missed(NamedTuple):
    stated: int
    cars: int
    misses: float


def blind(
    ensemble: Ensemble, table: Cars, channels: Sequence[str], rng: np.random.Generator, most: int
) -> dict[str, Missed]:
    """By cause: days with a blind spot's strength, of how many cars, and the share of readings at that strength not suspected."""
    missed: dict[str, list[float]] = {cause: [] for cause in CAUSES}
    counts = 0
    for sound_row, mine in cars_of(table, most):
        with_it, counts = beside(ensemble, table, sound_row, channels), counts + 1
        at = [SIGNS.index(name) for name in with_it.names]
        for spot in spots(with_it):
            signs = None if spot.smallest is None else at_strength(table, mine, spot.cause, spot.smallest)
            if signs is not None:
                seen = read(np.repeat(signs[None], _DRAWS, axis=0), rng)[:, at]
                missed[spot.cause].append(float(np.mean(~with_it.suspect(seen))))
    return {
        cause: Missed(len(some), counts, float(np.mean(some)) if some else float("nan"))
        for cause, some in missed.items()
    }


def print_blind(
    tables: Sequence[Cars], whole: Ensemble, channels: Sequence[str], rng: np.random.Generator, most: int
) -> None:
    head(
        "Faults of a blind spot's strength that do not show (share of readings; cars with such a strength)",
        "cars of",
        "ensemble",
        *CAUSES,
        "all",
    )
    for title, of in (("with it", lambda _: whole), ("without it", lambda table: whole.without(table.structure))):
        for table in tables:
            found = blind(of(table), table, channels, rng, most)
            cells = [f"{100 * one.misses:.1f} % ({one.stated})" if one.stated else "none" for one in found.values()]
            stated = np.array([one.stated for one in found.values()], dtype=float)
            total = np.nansum(stated * np.array([one.misses for one in found.values()])) / max(stated.sum(), 1.0)
            row(table.structure, title, *cells, f"{100 * total:.1f} %")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("structures", type=Path, nargs="+")
    ask.add_argument("--channels", choices=list(CHANNELS), default="all")
    ask.add_argument("--cars", type=int, default=10_000, help="at most so many of each structure")
    ask.add_argument("--blind-cars", type=int, default=50, help="as --cars, for the blind spots; 0: none")
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    rng, channels = np.random.default_rng(given.seed), CHANNELS[given.channels]
    tables = [cars(path) for path in given.structures]
    whole = ensemble_of(tables)
    found = {
        table.structure: judged(whole.without(table.structure), table, channels, rng, given.cars) for table in tables
    }
    sys.stdout.write(f"Channels: {given.channels}.\n")
    print_reliability(found)
    print_found(found)
    if given.blind_cars:
        print_blind(tables, whole, channels, rng, given.blind_cars)


if __name__ == "__main__":
    main()
