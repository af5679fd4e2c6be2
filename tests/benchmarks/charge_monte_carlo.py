"""How often the charge and pressures watches are right: seeded cars, days and faults of the loop model, and scale records.

Run as `python tests/benchmarks/charge_monte_carlo.py [--each N] [--sound N] [--scales N] [--seed S]`. Instruments have an
offset drawn evenly within their limits of error and scatter of a tenth of it; 60 s of standing, then 15 min of running.
The truth of a run is the loop's own (`sim.loop.truth`): means within 1 % (pressures, absolute) and 0.5 K of final for good.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np
from charge_loop_scenarios import SOUND, STRENGTHS, Scenario, seeded
from charge_scale_traces import scale_trace

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.watches.charge.judge import judge_mass
from baytrace.watches.charge.mass import charged
from baytrace.watches.charge.settings import ChargeSettings
from baytrace.watches.running.follow import RunningFollower
from baytrace.watches.watch import View, build
from baytrace_sim.loop import Loop
from baytrace_sim.loop.steady import CHANNELS, sample
from baytrace_sim.loop.truth import Record, truth

STANDING_S, RUNNING_S, NS = 60.0, 900.0, 1_000_000_000
INSTRUMENTS = {
    "low_side_pa": (Role.LOW_SIDE, "bara", "0.5 % of full scale (10 bar)", 5e3),
    "high_side_pa": (Role.HIGH_SIDE, "bara", "0.5 % of full scale (35 bar)", 17.5e3),
    "suction_line_k": (Role.SUCTION_LINE, "degC", "0.5 K", 0.5),
    "liquid_line_k": (Role.LIQUID_LINE, "degC", "0.5 K", 0.5),
    "discharge_line_k": (Role.DISCHARGE_LINE, "degC", "0.5 K", 0.5),
    "vent_air_k": (Role.VENT_AIR, "degC", "0.5 K", 0.5),
}
NEEDED = ("low_side_pa", "high_side_pa", "suction_line_k", "liquid_line_k", "vent_air_k")


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def channel(role: Role, unit: str, accuracy: str) -> Channel:
    known = unit_for(role, unit)
    return Channel(str(role), role, known, Accuracy.parse(accuracy, unit=known))


VIEW = View(
    {str(role): channel(role, unit, accuracy) for role, unit, accuracy, _ in INSTRUMENTS.values()}
    | {
        "ambient_air": channel(Role.AMBIENT_AIR, "degC", "0.5 K"),
        "ambient_humidity": channel(Role.AMBIENT_HUMIDITY, "%RH", "3 %RH"),
    }
)


def simulate(scenario: Scenario) -> tuple[np.ndarray, Record]:
    """Rows of CHANNELS a second apart from the standing loop on, and the running part as the loop's record."""
    loop: Loop = scenario.loop()
    rows = []
    for second in range(int(STANDING_S + RUNNING_S)):
        loop.step(1.0, engine_on=second >= STANDING_S, rpm=scenario.rpm, blower=scenario.blower)
        rows.append(sample(loop))
    table = np.array(rows)
    running = table[int(STANDING_S) :]
    values = {name: running[:, index] for index, name in enumerate(CHANNELS)}
    return table, Record(np.arange(1.0, len(running) + 1.0), values, running[:, -1])


def readings(scenario: Scenario, table: np.ndarray, rng: np.random.Generator) -> list[Reading | Mark]:
    """What the bench would journal, in time order; one sample every one or two seconds."""
    period = int(rng.choice([1, 2]))
    columns = []
    for name, (role, _, _, limit) in INSTRUMENTS.items():
        offset = rng.uniform(-limit, limit)
        seen = table[:, CHANNELS.index(name)] + offset + rng.normal(0.0, 0.1 * limit, len(table))
        columns.append((role, seen))
    air, damp = scenario.ambient_c + 273.15 + rng.uniform(-0.5, 0.5), scenario.humidity + rng.uniform(-0.03, 0.03)
    items: list[Reading | Mark] = []
    for row in range(0, len(table), period):
        at = (row + 1) * NS
        if row == int(STANDING_S):
            items.append(Mark(at, "engine on"))
        items.extend(Reading(at, str(role), role, float(seen[row])) for role, seen in columns)
        items.append(Reading(at, "ambient_air", Role.AMBIENT_AIR, air))
        items.append(Reading(at, "ambient_humidity", Role.AMBIENT_HUMIDITY, damp))
    return items


@dataclass(frozen=True)
class Seen:
    """Seconds count from the start of running; None: not called, or no truth."""

    scenario: Scenario
    settled_s: float | None
    called_s: float | None
    truth_s: float | None
    finding: str
    ranked: tuple[str, ...]


def first_call(items: list[Reading | Mark]) -> float | None:
    """When a person watching live would first have been told that the loop has settled."""
    watch = build("charge", {"refrigerant": "R134a"}, VIEW)
    follower: RunningFollower = watch._follower
    asked = 0.0
    for item in items:
        (watch.mark if isinstance(item, Mark) else watch.reading)(item)  # type: ignore[operator]
        now = item.time_ns / NS - 1.0 - STANDING_S
        if now >= asked + 5.0:
            asked = now
            found = follower.all()
            if found and found[-1].settled:
                return now
    return None


def judge(name: str, items: list[Reading | Mark], settings: dict[str, object]) -> Verdict:
    watch = build(name, settings, VIEW)
    for item in items:
        (watch.mark if isinstance(item, Mark) else watch.reading)(item)  # type: ignore[operator]
    return watch.verdict()


def one(task: tuple[int, str, int]) -> Seen:
    seed, cause, strength = task
    scenario = seeded(seed, cause, strength)
    table, record = simulate(scenario)
    items = readings(scenario, table, np.random.default_rng(seed + 1_000_000))
    valve = "orifice tube" if scenario.expansion == "orifice" else "expansion valve"
    charge = judge("charge", items, {"refrigerant": "R134a"})
    pattern = judge("pressures", items, {"refrigerant": "R134a", "valve": valve})
    at = charge.evidence.get("settled_at")
    try:
        true = truth(record)
        truth_s = max(true.settled_s[name] for name in NEEDED)
    except ValueError:
        truth_s = None
    except Exception as error:  # noqa: BLE001 - a loop that never comes to an end has no truth; counted, not hidden
        sys.stderr.write(f"no truth: {scenario}: {error}\n")
        truth_s = None
    ranked = tuple(row["cause"] for row in pattern.more.get("causes", ()) if row["cause"] != SOUND)
    settled = at.value - STANDING_S if at is not None else None
    return Seen(scenario, settled, first_call(items), truth_s, pattern.finding, ranked)


def report_settling(outcomes: list[Seen]) -> None:
    # a run that still moved in its last four minutes has no end to compare with
    known = [one for one in outcomes if one.truth_s is not None and one.truth_s <= RUNNING_S - 240.0]
    called = [one for one in known if one.settled_s is not None and one.truth_s is not None]
    close = [one for one in called if abs((one.settled_s or 0.0) - (one.truth_s or 0.0)) <= 60.0]
    early = [one for one in known if one.called_s is not None and one.called_s < (one.truth_s or 0.0)]
    say(f"settled: {len(known)} runs with a truth, {len(outcomes) - len(known)} that never come to an end")
    say(
        f"  found within 60 s of the truth: {len(close)} = {100 * len(close) / max(len(known), 1):.1f} % (not found: {len(known) - len(called)})"
    )
    for kind in product(("orifice", "valve"), ("cycling", "variable")):
        mine = [one for one in known if (one.scenario.expansion, one.scenario.clutch) == kind]
        hits = sum(one in close for one in mine)
        say(f"    {' '.join(kind)}: {100 * hits / max(len(mine), 1):.1f} % of {len(mine)}")
    say(f"  called before the truth: {len(early)} = {100 * len(early) / max(len(known), 1):.1f} %")
    by = sorted((one.truth_s or 0.0) - (one.called_s or 0.0) for one in early)
    if by:
        say(f"    by seconds: median {by[len(by) // 2]:.0f}, worst {by[-1]:.0f}")
    late = [(one.called_s or 0.0) - (one.truth_s or 0.0) for one in known if one.called_s is not None]
    if late:
        say(
            f"  delay of the live call after the truth: median {np.median(late):.0f} s, 90 % {np.percentile(late, 90):.0f} s"
        )


def report_causes(outcomes: list[Seen]) -> None:
    faulty = [one for one in outcomes if one.scenario.cause != SOUND]
    first = [one for one in faulty if one.ranked[:1] == (one.scenario.cause,)]
    two = [one for one in faulty if one.scenario.cause in one.ranked[:2]]
    sound = [one for one in outcomes if one.scenario.cause == SOUND]
    normal = [one for one in sound if one.finding == "normal"]
    say(
        f"causes: {len(faulty)} faults; true cause first {100 * len(first) / max(len(faulty), 1):.1f} %, first two {100 * len(two) / max(len(faulty), 1):.1f} %"
    )
    for cause in STRENGTHS:
        for strength in (1, 2, 3):
            mine = [one for one in faulty if one.scenario.cause == cause and one.scenario.strength == strength]
            hit = sum(one.ranked[:1] == (cause,) for one in mine)
            also = sum(cause in one.ranked[:2] for one in mine)
            others = Counter(one.ranked[0] if one.ranked else one.finding for one in mine if one.ranked[:1] != (cause,))
            patterns = Counter(one.finding for one in mine)
            say(
                f"  {cause} {strength}: first {hit}/{len(mine)}, two {also}/{len(mine)}; else {dict(others)}; {dict(patterns)}"
            )
    say(
        f"sound cars: {len(normal)} of {len(sound)} normal = {100 * len(normal) / max(len(sound), 1):.1f} %; {dict(Counter(one.finding for one in sound))}"
    )


def report_scales(number: int, seed: int) -> None:
    unit = unit_for(Role.TANK_MASS, "g")
    scale = Channel("tank_mass", Role.TANK_MASS, unit, Accuracy.parse("5 g", unit=unit))
    rules = ChargeSettings(hose_g=0.0).mass_rules()
    for disturbed in (False, True):
        inside, errors = 0, []
        for index in range(number):
            record = scale_trace(seed + index, disturbed=disturbed)
            found = charged(record.times, record.shown, rules, scale, start=record.start_s, end=record.end_s)
            error = (found.mass_kg if found else 0.0) - record.charge_kg
            inside += found is not None and found.low_kg <= record.charge_kg <= found.high_kg
            errors.append(abs(error) * 1e3)
        words = "touched" if disturbed else "left alone"
        say(
            f"scale {words}: {100 * inside / number:.1f} % of {number} within the stated uncertainty; error median {np.median(errors):.1f} g, 95 % {np.percentile(errors, 95):.1f} g"
        )


def report_silent_scales(number: int, seed: int) -> None:
    """The right charge with a gap of the scale about its flow: what the verdict on the mass says, by whether the tank was moved in it."""
    unit = unit_for(Role.TANK_MASS, "g")
    scale = Channel("tank_mass", Role.TANK_MASS, unit, Accuracy.parse("5 g", unit=unit))
    said: dict[str, Counter[str]] = {"left alone": Counter(), "moved": Counter()}
    inside = 0
    for index in range(number):
        record = scale_trace(seed + index, disturbed=False, silent=True)
        settings = ChargeSettings(label_g=record.charge_kg * 1e3, hose_g=0.0)
        found = charged(
            record.times, record.shown, settings.mass_rules(), scale, start=record.start_s, end=record.end_s
        )
        judged = judge_mass(found, settings)
        kind = "left alone" if "moved 0 g" in record.story else "moved"
        said[kind][str(judged.outcome) if judged is not None else "unweighed"] += 1
        if found is not None and judged is not None and judged.outcome is Outcome.PASS:
            inside += found.low_kg <= record.charge_kg <= found.high_kg
    for kind, counts in said.items():
        say(f"scale silent about the flow, tank {kind}: {dict(counts)} of {counts.total()}")
    passed = said["left alone"]["pass"] + said["moved"]["pass"]
    say(
        f"  charged mass within the stated uncertainty: {100 * inside / max(passed, 1):.1f} % of the {passed} that passed"
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--each", type=int, default=10, help="runs of each fault and strength")
    ask.add_argument("--sound", type=int, default=100, help="runs of sound cars")
    ask.add_argument("--scales", type=int, default=400, help="scale records")
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    tasks = [(given.seed * 100_000 + index, SOUND, 0) for index in range(given.sound)]
    for cause in STRENGTHS:
        for strength in (1, 2, 3):
            start = given.seed * 100_000 + len(tasks)
            tasks += [(start + index, cause, strength) for index in range(given.each)]
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(one, tasks, chunksize=4))
    report_settling([one for one in outcomes if one.scenario.cause != "clutch not engaged"])
    report_causes(outcomes)
    report_scales(given.scales, given.seed * 100_000)
    report_silent_scales(given.scales, given.seed * 100_000)


if __name__ == "__main__":
    main()
