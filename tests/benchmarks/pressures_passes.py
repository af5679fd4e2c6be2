"""What `pressures` says of cars whose truth is known: passes, undecided and fails by cause, structure by structure.

    python tests/benchmarks/pressures_passes.py TABLE.csv ... [--strength 30] [--cars 80] [--seed 1] [--accuracy usual|good]

Method. Each table (`cars_tables.py STRUCTURE --to FILE`) holds steady states of one structure's cars, sound and under each cause on
the same day. A state is turned into what the instruments read (pressures from saturation temperatures; an error drawn evenly within
each instrument's limits, one draw a car for all its states), and judged as a settled loop with the start seen: laws, likely causes
and the usual range, without the car's own figures. Settling is left out. A cause is taken at the strength nearest to the one asked for.
The ensemble behind the likelihoods holds these structures too: the figures of structures left out are those of
`pressures_reliability.py`. Valve and compressor are told to the watch, the speed is as marked.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import AboveCritical, saturation
from baytrace.watches.pressures.judge import Case, judge
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.pressures.standing import standing_from
from baytrace.watches.running.figures import ZERO_C_K, Value, loop_from
from baytrace.watches.running.laws import Rest, Scene, breaches

LIMITS = {
    "usual": {"low": 35_000.0, "high": 35_000.0, "line": 1.0, "air": 1.0, "humidity": 0.03},
    "good": {"low": 8_000.0, "high": 20_000.0, "line": 0.5, "air": 0.5, "humidity": 0.02},
}
"""Limits of error (half-widths, SI): the defaults of `instruments.toml`, and a good bench's."""
SOUND, CLUTCH = "nothing wrong", "clutch not engaged"


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")


def read(row: dict[str, str], errors: np.ndarray, limits: dict[str, float]) -> Case:
    """The case that a state's readings make."""
    state = {name: float(value) for name, value in row.items() if name not in WORDS}
    fluid, ambient = resolve(row["refrigerant"]), state["ambient"] + ZERO_C_K
    evaporating, condensing = state["evaporating"] + ZERO_C_K, state["condensing"] + ambient
    truth = {
        Role.LOW_SIDE: (saturation(fluid, temperature_k=evaporating).pressure_pa, "low"),
        Role.HIGH_SIDE: (saturation(fluid, temperature_k=condensing).pressure_pa, "high"),
        Role.SUCTION_LINE: (evaporating + state["superheat"], "line"),
        Role.LIQUID_LINE: (ambient + state["approach"], "line"),
        Role.DISCHARGE_LINE: (condensing + state["discharge"], "line"),
        Role.VENT_AIR: (ambient + state["vent"], "line"),
        Role.AMBIENT_AIR: (ambient, "air"),
        Role.AMBIENT_HUMIDITY: (state["humidity"], "humidity"),
    }
    off = dict(zip(truth, errors, strict=True))
    shown = {role: _shown(value, limits[kind], off[role]) for role, (value, kind) in truth.items()}
    rest = saturation(fluid, temperature_k=ambient + state["static"]).pressure_pa
    low, high = _shown(rest, limits["low"], off[Role.LOW_SIDE]), _shown(rest, limits["high"], off[Role.HIGH_SIDE])
    standing = standing_from(fluid, low, high, shown[Role.AMBIENT_AIR])
    settings = PressuresSettings(refrigerant=row["refrigerant"], valve=row["valve"], compressor=row["compressor"])
    loop = loop_from(shown, fluid)
    scene = Scene(loop, Rest(low, high, True, standing.excess if standing else None), started=True)
    return Case(loop, fluid, settings, standing, breaches(scene), row["speed"])


WORDS = ("car", "refrigerant", "valve", "compressor", "speed", "cause")


def _shown(value: float, half: float, error: float) -> Value:
    return Value(value + half * error, half / 3.0**0.5)


def chosen(rows: list[dict[str, str]], strength: float) -> dict[str, list[dict[str, str]]]:
    """By cause: of each car its sound state, and of each cause the state of the strength nearest to that asked for."""
    found: dict[str, list[dict[str, str]]] = defaultdict(list)
    strengths: dict[str, set[float]] = defaultdict(set)
    for row in rows:
        strengths[row["cause"]].add(float(row["strength"]))
    nearest = {cause: min(some, key=lambda each: abs(each - strength)) for cause, some in strengths.items()}
    for row in rows:
        if float(row["strength"]) == nearest[row["cause"]]:
            found[row["cause"]].append(row)
    return found


def tally(rows: list[dict[str, str]], arguments: argparse.Namespace) -> dict[str, Counter[str]]:
    limits, counts = LIMITS[arguments.accuracy], {}
    for cause, some in sorted(chosen(rows, arguments.strength).items()):
        count: Counter[str] = Counter()
        for row in some:
            if int(row["car"]) >= arguments.cars:
                continue
            errors = np.random.default_rng([arguments.seed, int(row["car"])]).uniform(-1.0, 1.0, 8)
            try:
                case = read(row, errors, limits)
            except AboveCritical:
                count["none"] += 1  # a condenser beyond the critical point: no such state could be read as one
                continue
            judged = judge(case, spots=False)
            first = judged.causes[0].cause if judged.causes else ""
            count.update([str(judged.outcome), "all", *(["laws"] if case.laws else [])])
            count.update([f"{judged.outcome} first"] if first == cause else [])
            if judged.outcome == "fail" and cause == SOUND and arguments.tell:
                say("   sound and failed:", row["car"], judged.finding, judged.reasons[:4])
            if case.laws and cause != CLUTCH and arguments.tell:
                say("   law:", cause, row["car"], [breach.law for breach in case.laws])
        counts[cause] = count
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("tables", nargs="+", type=Path)
    parser.add_argument("--strength", type=float, default=30.0)
    parser.add_argument("--cars", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--accuracy", choices=sorted(LIMITS), default="usual")
    parser.add_argument("--tell", action="store_true")
    arguments = parser.parse_args()
    say(f"strength {arguments.strength:g} %, accuracies {arguments.accuracy}, seed {arguments.seed}")
    say(f"{'structure':14} {'cause':28} {'pass':>6} {'und.':>6} {'fail':>6} {'laws':>6} {'n':>5}")
    for path in arguments.tables:
        with path.open(newline="", encoding="utf-8") as file:
            counts = tally(list(csv.DictReader(file)), arguments)
        for cause, count in counts.items():
            say(_line(path.stem, cause, count))


def _line(structure: str, cause: str, count: Counter[Any]) -> str:
    share = [100.0 * count[name] / max(count["all"], 1) for name in ("pass", "undecided", "fail", "laws")]
    return f"{structure:14} {cause:28} {' '.join(f'{each:6.1f}' for each in share)} {count['all']:5d}"


if __name__ == "__main__":
    main()
