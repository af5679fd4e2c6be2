"""The ranges of `defaults/pressures.toml`: what sound cars of every loop model show, by ambient.

    python tests/benchmarks/pressures_ranges.py TABLE.csv ...

Method. Each table (`cars_tables.py STRUCTURE --to FILE`) is one structure; its sound cars within 4 K of an ambient count. The usual
range goes from the lowest of the structures' 5 % points to the highest of their 95 % points: nine in ten sound cars of each
structure keep it, and the difference between structures widens it. It is then widened to hold the published running tables
(R134a, 25 and 35 degC: the figures stand in `tests/reference/test_published_running_expected.py` with their source). The widest range goes
2 K beyond the 1 and 99 % points of every structure. Both are rounded outwards to half a kelvin.
"""

from __future__ import annotations

import csv
import math
import sys
from pathlib import Path

import numpy as np

AMBIENTS = (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0)
NEAR_K, BEYOND_K, FEWEST = 4.0, 2.0, 8
PUBLISHED = {
    "evaporating": {25.0: (-1.8, 1.9), 35.0: (3.7, 8.0)},
    "condensing": {25.0: (25.2, 32.6), 35.0: (22.9, 30.5)},
}
"""Saturation temperatures of the published cells, degC and K above the ambient; an instrument's interval (1 K) is left around them."""
ROOM_K = 1.0


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")


def sound(path: Path) -> dict[str, np.ndarray]:
    with path.open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["cause"] == "nothing wrong"]
    return {name: np.array([float(row[name]) for row in rows]) for name in ("ambient", *PUBLISHED)}


def ranges(tables: list[dict[str, np.ndarray]], sign: str) -> tuple[list[list[float]], list[list[float]]]:
    usual, widest = [], []
    for ambient in AMBIENTS:
        near = [table[sign][np.abs(table["ambient"] - ambient) < NEAR_K] for table in tables]
        near = [each for each in near if len(each) >= FEWEST]
        low = min(float(np.percentile(each, 5.0)) for each in near)
        high = max(float(np.percentile(each, 95.0)) for each in near)
        if (cells := PUBLISHED[sign].get(ambient)) is not None:
            low, high = min(low, cells[0] - ROOM_K), max(high, cells[1] + ROOM_K)
        edges = (
            min(float(np.percentile(each, 1.0)) for each in near) - BEYOND_K,
            max(float(np.percentile(each, 99.0)) for each in near) + BEYOND_K,
        )
        usual.append([ambient, math.floor(2.0 * low) / 2.0, math.ceil(2.0 * high) / 2.0])
        widest.append([ambient, math.floor(2.0 * edges[0]) / 2.0, math.ceil(2.0 * edges[1]) / 2.0])
    return usual, widest


def main() -> None:
    tables = [sound(Path(name)) for name in sys.argv[1:]]
    say(f"{len(tables)} structures, {', '.join(str(len(table['ambient'])) for table in tables)} sound cars")
    for sign in PUBLISHED:
        for kind, rows in zip(("usual", "widest"), ranges(tables, sign), strict=True):
            say(f"[{sign}_{kind}]\nvalue = {rows}")


if __name__ == "__main__":
    main()
