"""How often the charge watch's mass is right on scale traces of another hand (`scale_traces_afresh`).

Run as `python tests/benchmarks/charge_mass_afresh.py [--each N] [--seed S] [--show]`. Every trace is fed to the watch reading by reading,
with its marks, the scale's limits of error, and what its writer says of the hose. Counted per kind:

    holds       the 95 % interval contains what went into the car
    wrong pass  the mass passes, and the charge is beyond its tolerance
    wrong fail  the mass is called under- or overcharged, and the charge is within its tolerance, or beyond it on the other side
    undecided   of all; about half of these charges lie near or beyond their limits on purpose
    half-width  median of the interval's, g

`--show` names the traces that were missed. Figures of one seed may have shaped the watch; a table is worth what a seed says that it
never saw.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from scale_traces_afresh import KINDS, ScaleTrace, trace

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.charge.judge import judge_mass
from baytrace.watches.charge.settings import ChargeSettings
from baytrace.watches.charge.watch import ChargeWatch
from baytrace.watches.watch import View

START_NS = 1_800_000_000_000_000_000
NAME, UNIT = "tank_mass", unit_for(Role.TANK_MASS, "g")


class Played(NamedTuple):
    """What the watch said of one trace, g; nan where it gave no interval."""

    holds: bool
    wrong_pass: bool
    wrong_fail: bool
    undecided: bool
    half_g: float
    off_g: float


def watch_of(one: ScaleTrace) -> tuple[ChargeWatch, ChargeSettings]:
    """The charge watch after the whole trace, and what it was told."""
    lowest, highest = one.hose_g
    settings = ChargeSettings(
        refrigerant="R134a",
        label_g=one.label_g,
        tolerance_g=one.tolerance_g,
        hose_g=0.5 * (lowest + highest),
        hose_uncertainty_g=0.5 * (highest - lowest),
    )
    scale = Channel(NAME, Role.TANK_MASS, UNIT, Accuracy.parse(one.accuracy, unit=UNIT))
    watch = ChargeWatch(settings, View({NAME: scale}))
    marks = [Mark(START_NS + round(at * 1e9), text) for at, text in one.marks]
    for at, kg in zip(one.times_s.tolist(), one.masses_kg.tolist(), strict=True):
        now = START_NS + round(at * 1e9)
        while marks and marks[0].time_ns <= now:
            watch.mark(marks.pop(0))
        watch.reading(Reading(now, NAME, Role.TANK_MASS, kg, 0))
    for mark in marks:
        watch.mark(mark)
    return watch, settings


def played(one: ScaleTrace) -> Played:
    watch, settings = watch_of(one)
    judged = judge_mass(watch.mass(), settings)
    figure = watch.verdict().evidence.get("charged_mass")
    off = one.truth_g - one.label_g
    right = abs(off) <= one.tolerance_g
    outcome = judged.outcome if judged is not None else Outcome.UNDECIDED
    wrong_side = judged is not None and (judged.finding == "undercharged") != (off < 0.0)
    holds, half, error = True, math.nan, math.nan  # no interval: nothing is claimed
    if figure is not None and figure.low is not None and figure.high is not None:
        holds, half = figure.low <= one.truth_g <= figure.high, 0.5 * (figure.high - figure.low)
        error = figure.value - one.truth_g
    return Played(
        holds,
        outcome is Outcome.PASS and not right,
        outcome is Outcome.FAIL and (right or wrong_side),
        outcome is Outcome.UNDECIDED,
        half,
        error,
    )


def row(kind: str, found: list[Played]) -> str:
    halves = [one.half_g if math.isfinite(one.half_g) else math.inf for one in found]
    return (
        f"| {kind} | {len(found)} | {100 * np.mean([one.holds for one in found]):.1f} % | {sum(one.wrong_pass for one in found)} | "
        f"{sum(one.wrong_fail for one in found)} | {100 * np.mean([one.undecided for one in found]):.0f} % | {np.median(halves):.0f} g |"
    )


def report(kinds: Iterable[str], seed: int, each: int, *, show: bool) -> None:
    lines = [
        "| kind | traces | interval holds | wrong pass | wrong fail | undecided | half-width |",
        "|---|---|---|---|---|---|---|",
    ]
    everything: list[Played] = []
    for kind in kinds:
        found = [played(trace(kind, seed, number)) for number in range(each)]
        lines.append(row(kind, found))
        everything += found if kind != "slow pull" else []
        missed = [number for number, one in enumerate(found) if not one.holds or one.wrong_pass or one.wrong_fail]
        if show and missed:
            sys.stderr.write(f"{kind}: {missed}\n")
    lines.append(row("all but the slow pull", everything))
    sys.stdout.write("\n".join(lines) + "\n")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--each", type=int, default=100, help="traces of each kind")
    ask.add_argument("--seed", type=int, default=11)
    ask.add_argument("--kind", action="append", choices=KINDS, help="these kinds alone")
    ask.add_argument("--show", action="store_true", help="name the traces that were missed")
    given = ask.parse_args()
    report(given.kind or KINDS, given.seed, given.each, show=given.show)


if __name__ == "__main__":
    main()
