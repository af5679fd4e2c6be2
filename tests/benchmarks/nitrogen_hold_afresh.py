# ruff: noqa: T201 - what it prints is the result
"""How often the standing test is right, on traces of another hand: `nitrogen_traces_afresh` through the whole watch.

    python tests/benchmarks/nitrogen_hold_afresh.py [--each 60] [--seed 101] [--show KIND]

For every kind of trace: the share of holds whose interval holds the true leak, wrong passes (a leak above the limit called tight), wrong
fails (one below it called a leak), how many stay undecided, how many tight ones pass, and the median half-width of the interval in
limits. The truth is the leak at the pressure of the hold, but for a verdict that at the pressure the limit is meant for. Prints a
table in Markdown; exit 1 when a figure is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict

import numpy as np
from nitrogen_traces_afresh import KINDS, NitrogenTrace, trace

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.watches.pressure_hold import PressureHold
from baytrace.watches.watch import View

NS = 1_000_000_000
_UNITS = {"low_side": "bar", "high_side": "bar", "system_temperature": "degC"}


def judged(one: NitrogenTrace, **settings: float) -> Verdict:
    """The watch's verdict over one trace."""
    watch = PressureHold(
        PressureHold.Settings.model_validate(
            {
                "volume_l": one.volume_l,
                "leak_limit": one.leak_limit,
                "test_pressure_pa": one.meant_for_pa,
                "hold_s": 880.0,
                **settings,
            }
        ),
        view(one),
    )
    isolated = round(one.marks[0][0] * NS)
    marked = False
    series = {role: values.tolist() for role, values in one.channels.items() if role in _UNITS}
    for row, second in enumerate(one.times_s.tolist()):
        now = round(second * NS)
        if now >= isolated and not marked:
            marked = True
            watch.mark(Mark(isolated, "isolated"))
        for role, values in series.items():
            watch.reading(Reading(now, role, Role(role), values[row]))
    return watch.verdict()


def view(one: NitrogenTrace) -> View:
    made = {}
    for role in one.channels:
        if role in _UNITS:
            unit = unit_for(Role(role), _UNITS[role])
            made[role] = Channel(role, Role(role), unit, Accuracy.parse(one.accuracies[role], unit=unit))
    return View(made)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--each", type=int, default=60)
    ask.add_argument("--seed", type=int, default=101)
    ask.add_argument("--show", default="")
    told = ask.parse_args()
    begun, missed = time.perf_counter(), False
    print(
        "| kind | holds | interval holds the leak | wrong passes | wrong fails | undecided | tight ones passed | half-width, limits |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for kind in KINDS:
        tally, width = score(kind, told.seed, told.each, kind == told.show)
        covered = tally["covered"] / max(tally["figures"], 1)
        bad = covered < 0.94 or tally["wrong pass"] > 0 or tally["wrong fail"] > 0.01 * told.each
        missed |= bad
        print(
            f"| {kind} | {told.each} | {covered:.1%} of {tally['figures']} | {tally['wrong pass']} | {tally['wrong fail']} | "
            f"{tally['undecided'] / told.each:.0%} | {tally['tight passed']} of {tally['tight']} | {width:.2f}{' MISSED' if bad else ''} |",
            flush=True,
        )
    print(f"\nseed {told.seed}, {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    return 1 if missed else 0


def score(kind: str, seed: int, each: int, show: bool = False) -> tuple[Counter[str], float]:
    tally: Counter[str] = Counter()
    widths: dict[str, list[float]] = defaultdict(list)
    for number in range(each):
        one = trace(kind, seed, number)
        verdict = judged(one)
        above = one.truth_leak > one.leak_limit
        tally["undecided"] += verdict.outcome is Outcome.UNDECIDED
        wrong = ("wrong pass" if above else "right") if verdict.outcome is Outcome.PASS else "right"
        if verdict.outcome is Outcome.FAIL and not above:
            wrong = "wrong fail"
        tally[wrong] += 1
        tally["tight"] += one.truth_leak == 0.0
        tally["tight passed"] += one.truth_leak == 0.0 and verdict.outcome is Outcome.PASS
        figure = verdict.evidence.get("leak_rate")
        covered = True
        if figure is not None and figure.low is not None and figure.high is not None:
            covered = figure.low <= one.leak_at_hold <= figure.high
            tally["figures"] += 1
            tally["covered"] += covered
            widths[kind].append((figure.high - figure.low) / 2.0 / one.leak_limit)
        if show and (wrong != "right" or not covered):
            print(
                number,
                wrong,
                f"{one.leak_at_hold / one.leak_limit:.2f}",
                figure,
                verdict.reasons[0][:90],
                one.note,
                file=sys.stderr,
            )
    return tally, float(np.median(widths[kind])) if widths[kind] else 0.0


if __name__ == "__main__":
    sys.exit(main())
