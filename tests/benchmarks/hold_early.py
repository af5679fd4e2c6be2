# ruff: noqa: T201 - what it prints is the result
"""A leak called before the set time: how often wrongly, and how much sooner. Seeded holds of 15 min, asked every 20 s.

    python tests/benchmarks/hold_early.py [--holds 600] [--seed 41907]

Drawn wider than the limits of the rule were chosen on: tau 15 s to 3 h (log), noise 0.05 to 2.5 % of reading with memory 0
to 0.95 at one reading a second, drift up to 4 K either way and bent, water in four of five (half of it following saturation),
thermometer in three of four, and no leak, or 1e-5 to 3e-3 Pa m3/s (log), half and half. Exit 1 when a false call is found in
more than 1 % of the holds without a leak.
"""

from __future__ import annotations

import argparse
import sys
import time
from typing import NamedTuple

import numpy as np
from hold_monte_carlo import NS, Hold, Table, play, share, view

from baytrace.measure.reading import Reading
from baytrace.measure.roles import Role
from baytrace.watches.evacuation import Evacuation
from baytrace.watches.evacuation.early import certain_early
from baytrace.watches.limits_table import limit

SET_S, EVERY_S = 900.0, 20


def draw(rng: np.random.Generator) -> Hold:
    return Hold(
        leak=0.0 if rng.random() < 0.5 else float(10 ** rng.uniform(-5.0, -2.5)),
        volume=float(rng.uniform(1e-3, 5e-3)),
        vapour=0.0 if rng.random() < 0.2 else float(10 ** rng.uniform(1.0, 3.35)),
        tau=float(np.exp(rng.uniform(np.log(15.0), np.log(10_800.0)))),
        seconds=SET_S + 5.0,
        start=float(rng.uniform(5.0, 66.0)),
        memory=float(rng.uniform(0.0, 0.95)),
        noise=float(10 ** rng.uniform(np.log10(5e-4), np.log10(0.025))),
        drift=float(rng.uniform(-4.0, 4.0)),
        pool=bool(rng.random() < 0.5),
        measured=bool(rng.random() < 0.75),
        bow=float(rng.uniform(-1.0, 1.0)),
    )


class Call(NamedTuple):
    """`called_s`: when a leak was certain before the set time, None if never; `finding` at the end of the hold."""

    called_s: float | None
    finding: str


def call(hold: Hold, rng: np.random.Generator) -> Call:
    settings = Evacuation.Settings(volume_l=hold.volume * 1e3, phase="hold", hold_s=SET_S)
    watch = Evacuation(settings, view(hold.measured))
    called: float | None = None
    for second, pressure, kelvin in zip(*(series.tolist() for series in play(hold, rng)), strict=True):
        stamp = int(second * NS)
        if hold.measured:
            watch.reading(Reading(stamp, "t", Role.SYSTEM_TEMPERATURE, kelvin))
        watch.reading(Reading(stamp, "p", Role.SYSTEM_PRESSURE, pressure))
        if called is None and 60.0 < second < SET_S and second % EVERY_S == 0.0:
            now = watch.hold
            if now is None or watch.hold_end is not None:
                break
            if certain_early(now, watch.weighed(ahead=False)):
                called = second
    return Call(called, watch.verdict().finding)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--holds", type=int, default=600)
    ask.add_argument("--seed", type=int, default=41907)
    told = ask.parse_args()
    rng = np.random.default_rng(told.seed)
    begun = time.perf_counter()
    drawn = [draw(rng) for _ in range(told.holds)]
    pairs = [(hold, call(hold, rng)) for hold in drawn]
    bound = limit("evacuation.leak_limit")
    table = Table()
    dry = [said for hold, said in pairs if hold.leak == 0.0]
    table.row("no leak: a leak called early", len(dry), share(one.called_s for one in dry), 0.01, at_least=False)
    wet = [said for hold, said in pairs if hold.leak == 0.0 and hold.vapour > 0.0 and not hold.measured]
    table.row(
        "- of these with water and no thermometer", len(wet), share(one.called_s for one in wet), 0.01, at_least=False
    )
    small = [said for hold, said in pairs if 0.0 < hold.leak < bound]
    table.row(
        "leak below the limit: called early", len(small), share(one.called_s for one in small), 0.01, at_least=False
    )
    big = [said for hold, said in pairs if hold.leak >= 3.0 * bound]
    table.row("leak of 3 limits or more: called early", len(big), share(one.called_s for one in big), 0.0)
    found = [one for one in big if one.called_s or "leak" in one.finding]
    early = sorted(one.called_s for one in found if one.called_s)
    table.row("- of those found by the end of the hold", len(found), len(early) / max(len(found), 1), 0.0)
    if early:
        quarter, half, most = (early[int(part * (len(early) - 1))] for part in (0.25, 0.5, 0.75))
        print(
            f"\ncalled after {quarter:.0f}, {half:.0f}, {most:.0f} s (quartiles) of {SET_S:.0f} s set", file=sys.stderr
        )
    for hold, said in pairs:
        if said.called_s and hold.leak < bound:
            print(f"false: {hold} {said}", file=sys.stderr)
    print(f"seed {told.seed}, {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    return 1 if table.missed else 0


if __name__ == "__main__":
    sys.exit(main())
