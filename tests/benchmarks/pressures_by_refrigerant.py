"""How often the pressures watch names the true cause, by refrigerant: seeded cars, days and faults of the loop model.

Run as `python tests/benchmarks/pressures_by_refrigerant.py [--fluid R1234yf] [--each N] [--sound N] [--seed S]`, one process.
Cars, days and faults are those of `charge_loop_scenarios`, instruments those of `charge_monte_carlo` (R744: gauges to 100 and
160 bar): 60 s of standing, 15 min of running, the kind of valve told. A tube cannot stick wide, so that fault is left out
there. Prints the shares by valve, clutch and refrigerant, and how often a cause called so and so likely is the true one.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from charge_loop_scenarios import SOUND, STRENGTHS, Scenario, not_modelled, seeded
from charge_monte_carlo import INSTRUMENTS, VIEW, channel, judge, readings, simulate

from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import resolve
from baytrace.watches.limits_table import limit

GAS_COOLER_INSTRUMENTS = {
    "low_side_pa": (Role.LOW_SIDE, "bara", "0.5 % of full scale (100 bar)", 50e3),
    "high_side_pa": (Role.HIGH_SIDE, "bara", "0.5 % of full scale (160 bar)", 80e3),
}


def equip(fluid: str) -> None:
    """Put the gauges a refrigerant needs in place of the usual ones."""
    if resolve(fluid).transcritical:
        INSTRUMENTS.update(GAS_COOLER_INSTRUMENTS)
        for role, unit, accuracy, _ in GAS_COOLER_INSTRUMENTS.values():
            VIEW.channels[str(role)] = channel(role, unit, accuracy)  # type: ignore[index]


class Ranked(NamedTuple):
    scenario: Scenario
    finding: str
    causes: tuple[str, ...]
    group: tuple[str, ...]
    """What is named first, with what the evidence does not part from it."""
    reasons: tuple[str, ...]
    likelihood: float
    """Of the first cause, or of its group."""

    @property
    def first(self) -> bool:
        return self.scenario.cause in self.group

    @property
    def among_two(self) -> bool:
        return self.scenario.cause in self.causes[:2]


def judged(scenario: Scenario, seed: int) -> Ranked:
    """What the watch makes of the scenario as its instruments show it."""
    table, _ = simulate(scenario)
    items = readings(scenario, table, np.random.default_rng(seed + 1_000_000))
    verdict = judge("pressures", items, {"refrigerant": scenario.fluid, "valve": scenario.valve})
    faults = [row for row in verdict.more.get("causes", ()) if row["cause"] != SOUND]
    causes = tuple(name for row in faults for name in (row["cause"], *row["or"]))
    group = (faults[0]["cause"], *faults[0]["or"]) if faults else ()
    return Ranked(scenario, verdict.finding, causes, group, verdict.reasons, faults[0]["likelihood"] if faults else 0.0)


def share(found: list[Ranked], right: Callable[[Ranked], bool]) -> str:
    hits = sum(right(one) for one in found)
    return f"{hits}/{len(found)} = {100 * hits / max(len(found), 1):.1f} %"


def report(name: str, found: list[Ranked]) -> None:
    faulty = [one for one in found if one.scenario.cause != SOUND]
    sound = [one for one in found if one.scenario.cause == SOUND]
    sys.stdout.write(
        f"{name}: first {share(faulty, lambda one: one.first)}, among two {share(faulty, lambda one: one.among_two)}, "
        f"sound normal {share(sound, lambda one: one.finding == 'normal')}\n"
    )


def by_claim(found: list[Ranked]) -> None:
    """Whether a likelihood comes true: of the faulty and sound cars whose first cause was called so likely, how many had it."""
    edges = (0.0, 0.25, 0.5, 0.75, limit("pressures.most_claimed"), 1.0)
    for low, high in pairwise(edges):
        mine = [one for one in found if one.causes and (low < one.likelihood <= high)]
        sys.stdout.write(
            f"  called {100 * low:.0f} to {100 * high:.0f} %: right {share(mine, lambda one: one.first)}\n"
        )


def by_cause(found: list[Ranked]) -> None:
    for cause in STRENGTHS:
        for strength in (1, 2, 3):
            mine = [one for one in found if (one.scenario.cause, one.scenario.strength) == (cause, strength)]
            missed = Counter((one.causes or (one.finding,))[0] for one in mine if not one.first)
            sys.stdout.write(
                f"  {cause} {strength}: first {share(mine, lambda one: one.first)}, two "
                f"{share(mine, lambda one: one.among_two)}; else {dict(missed)}; {dict(Counter(one.finding for one in mine))}\n"
            )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--fluid", default="R1234yf")
    ask.add_argument("--each", type=int, default=12, help="runs of each fault and strength")
    ask.add_argument("--sound", type=int, default=100, help="runs of sound cars")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--misses", action="store_true", help="show each scenario that was missed")
    given = ask.parse_args()
    equip(given.fluid)
    causes = [cause for cause in STRENGTHS if cause not in not_modelled(given.fluid)]
    kinds = [(SOUND, 0)] * given.sound + [(c, s) for c in causes for s in (1, 2, 3) for _ in range(given.each)]
    found = []
    for index, kind in enumerate(kinds):
        seed = given.seed * 100_000 + index
        scenario = seeded(seed, *kind, fluid=given.fluid)
        if scenario.sound_in_truth:
            continue
        one = judged(scenario, seed)
        found.append(one)
        wrong = one.finding != "normal" if one.scenario.cause == SOUND else not one.among_two
        if given.misses and wrong:
            sys.stdout.write(f"{one}\n")
    report(f"{given.fluid}, all", found)
    for expansion in ("orifice", "valve"):
        report(f"  {expansion}", [one for one in found if one.scenario.expansion == expansion])
    for clutch in ("cycling", "variable"):
        report(f"  {clutch}", [one for one in found if one.scenario.clutch == clutch])
    by_claim(found)
    by_cause(found)


if __name__ == "__main__":
    main()
