"""Pictures of the running loop: the simulator's loop, instruments with scatter, the charge watch."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.physics.cycle import cycle, ph_dome
from baytrace.records.report.svg import Line, Picture
from baytrace.watches.charge import WATCH as CHARGE
from baytrace.watches.watch import View, Watch
from baytrace_sim.loop import Air, Faults, Loop, design
from baytrace_sim.loop.steady import CHANNELS, sample

NS, ZERO_C = 1_000_000_000, 273.15
STANDING_S, RUNNING_S = 60, 840
BLUE, RED, GREEN, INK, GREY = "#0a4fa8", "#b3171d", "#0d6b39", "#16181c", "#777777"
SEEN = {
    "low_side_pa": (Role.LOW_SIDE, "bara", "0.5 % of full scale (10 bar)", 500.0),
    "high_side_pa": (Role.HIGH_SIDE, "bara", "0.5 % of full scale (35 bar)", 1500.0),
    "suction_line_k": (Role.SUCTION_LINE, "degC", "0.5 K", 0.05),
    "liquid_line_k": (Role.LIQUID_LINE, "degC", "0.5 K", 0.05),
    "vent_air_k": (Role.VENT_AIR, "degC", "0.5 K", 0.05),
}


@cache
def played(expansion: str, clutch: str, ambient_c: float, blower: float) -> tuple[np.ndarray, Watch]:
    """What the instruments showed by the second (columns as SEEN), and the charge watch that has seen it."""
    built = design(expansion, clutch)
    loop = Loop(built, Air(ambient_c + ZERO_C, 0.4), Faults(), charge_kg=built.label_charge_kg)
    rows = []
    for second in range(STANDING_S + RUNNING_S):
        loop.step(1.0, engine_on=second >= STANDING_S, rpm=1500.0, blower=blower)
        rows.append([sample(loop)[CHANNELS.index(name)] for name in SEEN])
    table = np.array(rows)
    table += np.random.default_rng(11).normal(size=table.shape) * [scatter for *_, scatter in SEEN.values()]
    channels = {}
    for role, unit, accuracy, _ in SEEN.values():
        known = unit_for(role, unit)
        channels[str(role)] = Channel(str(role), role, known, Accuracy.parse(accuracy, unit=known))
    watch = CHARGE(CHARGE.Settings(refrigerant="R134a", ambient_c=ambient_c), View(channels))
    for second, row in enumerate(table):
        if second == STANDING_S:
            watch.mark(Mark(second * NS, "engine on"))
        for value, (role, *_) in zip(row, SEEN.values(), strict=True):
            watch.reading(Reading(second * NS, str(role), role, float(value)))
    return table, watch


def sides(table: np.ndarray) -> list[Line]:
    minutes = [second / 60 for second in range(0, len(table), 3)]
    return [
        Line("HIGH side", minutes, list(table[::3, 1] / 1e5), RED, "", 1.8),
        Line("LOW side", minutes, list(table[::3, 0] / 1e5), BLUE, "7 3", 1.8),
    ]


def settling() -> Picture:
    """A loop with a variable compressor from the start until it has settled."""
    table, watch = played("valve", "variable", 30.0, 0.7)
    at = watch.verdict().evidence["settled_at"].value / 60
    return Picture(
        "A loop after the start: both sides move, slower and slower, until what is still to come is small",
        "minutes",
        "pressure, bar absolute",
        sides(table),
        marks=[(STANDING_S / 60, "engine on"), (at, "settled")],
        height=300,
    )


def cycling() -> Picture:
    """A cycling clutch, with the means of whole cycles."""
    table, watch = played("orifice", "cycling", 22.0, 0.35)
    verdict = watch.verdict()
    low, high = (verdict.evidence[name].value / 1e5 for name in ("low_side_pressure", "high_side_pressure"))
    at = verdict.evidence["settled_at"].value / 60
    end = len(table) / 60
    means = [
        Line("means of whole cycles", [at, end], [high, high], INK, "2 3", 2.4),
        Line("", [at, end], [low, low], INK, "2 3", 2.4),
    ]
    return Picture(
        "A cycling clutch never stands still: the watch works with the means of whole cycles",
        "minutes",
        "pressure, bar absolute",
        [*sides(table), *means],
        marks=[(STANDING_S / 60, "engine on"), (at, "settled")],
        height=320,
    )


def enthalpy() -> Picture:
    """The loop in the pressure-enthalpy picture, from the settled readings."""
    table, _ = played("valve", "variable", 30.0, 0.7)
    low, high, suction, liquid, _ = table[-120:].mean(axis=0)
    made = cycle("R134a", float(low), float(high), float(suction), float(liquid))
    dome = ph_dome("R134a")
    around = np.array([*dome["bubble"], *reversed(dome["dew"])])
    kept = around[around[:, 1] > 1.6e5]
    ring = [made.suction, made.discharge, made.liquid, made.valve, made.suction]
    return Picture(
        "The running loop of R134a in the pressure-enthalpy picture",
        "enthalpy, kJ/kg",
        "pressure, bar absolute",
        [
            Line(
                "where liquid and vapour are together, beneath the dome",
                list(kept[:, 0] / 1e3),
                list(kept[:, 1] / 1e5),
                GREY,
            ),
            Line("the loop", [s.enthalpy / 1e3 for s in ring], [s.pressure_pa / 1e5 for s in ring], BLUE, "", 2.6),
        ],
        log=True,
        height=340,
    )


LOOP: dict[str, Callable[[], Picture]] = {
    "charge-settling": settling,
    "charge-cycling": cycling,
    "charge-loop": enthalpy,
}
