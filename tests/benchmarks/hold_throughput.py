# ruff: noqa: T201 - what it prints is the result
"""Readings a second through the evacuation watch, and its memory over a 24 h hold.

    python tests/benchmarks/hold_throughput.py

Three traces on one core, by processor time, best of three runs each: a whole job (40 min pull-down, 20 min hold, charge) at one reading a
second and at ten, and a hold of 24 h at one a second. Memory is what the watch itself keeps (tracemalloc), after one hour
and after 24. Exit 1 below 50,000 readings a second or when memory grew by more than a tenth.
"""

from __future__ import annotations

import gc
import math
import sys
import time
import tracemalloc
from collections.abc import Iterator

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.evacuation import Evacuation
from baytrace.watches.watch import View

NS = 1_000_000_000
MICRON_PA = 0.133322387415


def watch(**settings: object) -> Evacuation:
    role = Role.SYSTEM_PRESSURE
    channel = Channel("p", role, unit_for(role, "micron"), Accuracy.parse("10 % of reading + 1 micron"))
    return Evacuation(Evacuation.Settings.model_validate({"volume_l": 2.0, **settings}), View({"p": channel}))


def job(period_s: float, leak_pa_s: float, seed: int = 5) -> list[Reading | Mark]:
    rng = np.random.default_rng(seed)
    items: list[Reading | Mark] = []
    marks = {60.0: "pump on", 2460.0: "isolated", 3660.0: "charge start"}
    for index, noise in enumerate(rng.normal(0.0, 0.2, int(4200 / period_s)).tolist()):
        second = index * period_s
        stamp = int(second * NS)
        if second in marks:
            items.append(Mark(stamp, marks[second]))
        if second < 60.0:
            true = 101_325.0
        elif second < 2460.0:
            true = 40.0 + 101_285.0 * math.exp(-(second - 60.0) / 60.0)
        elif second < 3660.0:
            true = 40.0 + leak_pa_s * (second - 2460.0)
        else:
            true = min(100.0 + 2000.0 * (second - 3660.0), 6e5)
        items.append(Reading(stamp, "p", Role.SYSTEM_PRESSURE, round((true + noise) / MICRON_PA) * MICRON_PA))
    return items


def day(seconds: int) -> Iterator[Reading]:
    rng = np.random.default_rng(8)
    for second in range(seconds):
        value = 40.0 + 1e-3 * second + 0.2 * float(rng.normal())
        yield Reading(second * NS, "p", Role.SYSTEM_PRESSURE, round(value / MICRON_PA) * MICRON_PA)


def rate(items: list[Reading | Mark], **settings: object) -> float:
    best = math.inf
    for _ in range(3):
        one = watch(**settings)
        start = time.process_time()
        for item in items:
            if isinstance(item, Mark):
                one.mark(item)
            else:
                one.reading(item)
        best = min(best, time.process_time() - start)
    return len(items) / best


def memory() -> tuple[float, float]:
    """kB kept after one hour and after 24."""
    tracemalloc.start()
    one = watch(phase="hold", hold_s=86_400.0)
    kept = []
    for count, reading in enumerate(day(86_400), start=1):
        one.reading(reading)
        if count in (3600, 86_400):
            gc.collect()
            kept.append(tracemalloc.get_traced_memory()[0] / 1e3)
    tracemalloc.stop()
    return kept[0], kept[1]


def main() -> int:
    rates = {
        "whole job, 1 reading a second, tight": rate(job(1.0, 0.0)),
        "whole job, 1 reading a second, leak": rate(job(1.0, 0.1)),
        "whole job, 10 readings a second, leak": rate(job(0.1, 0.1)),
        "hold of 24 h, 1 reading a second": rate(list(day(86_400)), phase="hold", hold_s=86_400.0),
    }
    for what, reached in rates.items():
        print(f"{what}: {reached:,.0f} readings/s")
    hour, whole = memory()
    print(f"kept by the watch after 1 h {hour:.0f} kB, after 24 h {whole:.0f} kB")
    return 0 if min(rates.values()) >= 50_000 and whole <= 1.1 * hour + 5.0 else 1


if __name__ == "__main__":
    sys.exit(main())
