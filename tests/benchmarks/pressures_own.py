# ruff: noqa: T201 - what it prints is the result
"""How often a car passes when it is compared with itself: sound again, and with a fault that moved it.

Each car of each structure of `baytrace_sim.cars` is the reference when it is sound, read by instruments with errors of their own.
The same car, sound or with a fault, on a day that differs by up to 3 K and 10 % humidity, is read anew and compared by
`own_compare.compare`. A fault counts as one that moved the car when, on the reference's own day, it moves evaporating by 3 K,
condensing by 6 K, subcooling by 4 K, superheat by 6 K or the capacity by a tenth.

Errors are rectangular over the makers' limits (JCGM 100, 4.3.7). `fresh`: both readings by instruments of their own. `same`: the
same instruments, off by the same amount but for the share by which they repeat. Sets of instruments: `usual`, as taken where a
bench names no accuracy; `good`, 0.5 % of 16 and 40 bar, clamps 1 K, vent 0.8 K, ambient 0.5 K; `fine`, 0.25 % of 10 and 35 bar and
0.3 K throughout. Asked: moved cars pass at most 10 %, sound cars that do not pass at most 3 %; undecided is not a pass.

Run as `python tests/benchmarks/pressures_own.py [STRUCTURE ...] --cars N`.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baytrace.watches.limits_table import limit
from baytrace_sim.cars import structures
from own_cars import SETS, judged, loop, pairs


def tables(name: str, cars: int, seed: int, other_day: bool) -> list[Any]:
    """States of a structure; on another day each car's air differs by up to 3 K and 10 %."""
    table = structures()[name]
    modules = [m for key, m in sys.modules.items() if key.startswith("baytrace_sim.cars") and hasattr(m, "car_days")]
    plain = modules[0].car_days

    def days(count: int, of: int) -> list[Any]:
        made = []
        for day in plain(count, of):
            draw = np.random.default_rng([of, day.car, 999])
            warmer, damper = draw.uniform(-3.0, 3.0), draw.uniform(-0.1, 0.1)
            humidity = min(max(day.humidity + damper, 0.05), 0.95)
            made.append(replace(day, ambient=day.ambient + warmer, humidity=humidity))
        return made

    for module in modules:
        module.car_days = days if other_day else plain
    try:
        return list(table(cars, seed).states)
    finally:
        for module in modules:
            module.car_days = plain


def line(name: str, counts: Counter[tuple[str, str]]) -> str:
    cells = []
    for kind in ("sound", "moved", "not moved"):
        total = max(sum(count for (of, _), count in counts.items() if of == kind), 1)
        cells += [
            f"{100.0 * counts[kind, outcome] / total:7.1f}" for outcome in ("pass", "undecided", "fail", "refused")
        ]
        cells += [f"{total:7d}"]
    return f"{name:<44}" + "".join(cells)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("structures", nargs="*", default=["effectiveness", "lumped", "ours", "published"])
    parser.add_argument("--cars", type=int, default=60)
    parser.add_argument("--seed", type=int, default=5)
    asked = parser.parse_args()
    print(f"{'':<44}" + "".join(f"{kind:^35}" for kind in ("sound", "moved", "moved too little")))
    print(f"{'% of cars':<44}" + "".join(f"{word:>7}" for word in ("pass", "und.", "fail", "ref.", "n")) * 3)
    for name in asked.structures:
        base = tables(name, asked.cars, asked.seed, other_day=False)
        for day, later in (("same day", base), ("other day", tables(name, asked.cars, asked.seed, other_day=True))):
            loops = {id(state): loop(state) for state in (*base, *later)}
            found = [(loops[id(a)], loops[id(b)], kind) for a, b, kind in pairs(base, later)]
            for kind, limits in SETS.items():
                for how, repeats in (
                    ("fresh", 1.0),
                    ("same, between", limit("own.repeats_later")),
                    ("same, session", limit("own.repeats_session")),
                ):
                    counts = judged(found, limits, repeats, asked.seed)
                    print(line(f"{name}, {day}, {kind}, {how}", counts), flush=True)


if __name__ == "__main__":
    main()
