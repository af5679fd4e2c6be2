"""Cars read by instruments with errors and compared with themselves: what the benchmark and the test of own figures share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import saturation
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import Value
from baytrace.watches.running.own_compare import RunFigures, compare
from baytrace.watches.running.own_conditions import Conditions

ROOT3 = 3.0**0.5
SETS: Mapping[str, Mapping[str, float]] = {
    "usual": {"low": 35e3, "high": 35e3, "suction": 1.0, "liquid": 1.0, "vent": 1.0, "ambient": 1.0, "humidity": 0.03},
    "good": {"low": 8e3, "high": 20e3, "suction": 1.0, "liquid": 1.0, "vent": 0.8, "ambient": 0.5, "humidity": 0.03},
    "fine": {
        "low": 2.5e3,
        "high": 8.75e3,
        "suction": 0.3,
        "liquid": 0.3,
        "vent": 0.3,
        "ambient": 0.3,
        "humidity": 0.02,
    },
}
"""Limits of error: Pa, K, share."""
MARKED = Conditions("idle", "shut", "recirculation", "high")
LARGEST = 70.0


class Loop(NamedTuple):
    """A state without its errors, and by how many K a Pa moves each saturation temperature."""

    state: Any
    low_k_pa: float
    high_k_pa: float


def _k_per_pa(fluid: str, celsius: float) -> float:
    kelvin = min(celsius + 273.15, 0.98 * resolve(fluid).critical_temperature_k)
    ends = [saturation(fluid, temperature_k=kelvin + step).pressure_pa for step in (-0.5, 0.5)]
    return 1.0 / (ends[1] - ends[0])


def loop(state: Any) -> Loop:
    return Loop(
        state,
        _k_per_pa(state.refrigerant, state.evaporating),
        _k_per_pa(state.refrigerant, state.condensing + state.ambient),
    )


def figures(of: Loop, errors: Mapping[str, float], limits: Mapping[str, float], repeats: float) -> RunFigures:
    """What instruments with `errors` (in shares of their limits) make of a loop."""
    state = of.state
    off = {name: errors[name] * limits[name] for name in limits}
    off["low"], off["high"] = off["low"] * of.low_k_pa, off["high"] * of.high_k_pa
    u = {name: limits[name] / ROOT3 for name in limits}
    u["low"], u["high"] = u["low"] * of.low_k_pa, u["high"] * of.high_k_pa
    made = {
        "evaporating": (state.evaporating, {"low": 1}),
        "condensing": (state.condensing, {"high": 1, "ambient": -1}),
        "superheat": (state.superheat, {"suction": 1, "low": -1}),
        "subcooling": (state.subcooling, {"high": 1, "liquid": -1}),
        "approach": (state.approach, {"liquid": 1, "ambient": -1}),
        "vent": (-state.vent, {"ambient": 1, "vent": -1}),
        "ambient": (state.ambient, {"ambient": 1}),
        "humidity": (state.humidity, {"humidity": 1}),
    }
    values = {
        name: Value(
            true + sum(sign * off[part] for part, sign in parts.items()), float(np.hypot.reduce([u[p] for p in parts]))
        )
        for name, (true, parts) in made.items()
    }
    roles = ("low_side", "high_side", "suction_line", "liquid_line", "vent_air", "ambient_air", "ambient_humidity")
    instruments = dict.fromkeys(roles, "the set") if repeats < 1.0 else {}
    shares = {name: repeats * value.u for name, value in values.items()}
    return RunFigures(state.refrigerant, MARKED, values, shares, instruments)


def moved(sound: Any, state: Any) -> bool:
    most = limit("own.change")
    by_state = any(abs(getattr(state, name) - getattr(sound, name)) >= most[name] for name in most)
    return by_state or abs(state.capacity / max(sound.capacity, 1.0) - 1.0) >= limit("own.change_capacity")


def pairs(base: Sequence[Any], later: Sequence[Any]) -> Iterator[tuple[Any, Any, str]]:
    """The car sound; the same car later; what it is: `sound`, `moved` or `not moved` (a fault too small to matter)."""
    sound = {state.car: state for state in base if state.cause == "nothing wrong"}
    that_day = {(state.car, state.cause, state.strength): state for state in base}
    for state in later:
        here = that_day.get((state.car, state.cause, state.strength))
        if state.car not in sound or here is None or state.strength > LARGEST:
            continue
        kind = "sound" if state.cause == "nothing wrong" else "moved" if moved(sound[state.car], here) else "not moved"
        yield sound[state.car], state, kind


def judged(
    found: Sequence[tuple[Loop, Loop, str]], limits: Mapping[str, float], repeats: float, seed: int
) -> Counter[tuple[str, str]]:
    """Outcomes by kind; `repeats` 1.0: other instruments."""
    draw = np.random.default_rng(seed)
    counts: Counter[tuple[str, str]] = Counter()
    for sound, state, kind in found:
        shared = dict(zip(limits, draw.uniform(-1.0, 1.0, len(limits)), strict=True))
        read = []
        for each in (sound, state):
            own = dict(zip(limits, draw.uniform(-1.0, 1.0, len(limits)), strict=True))
            errors = own if repeats >= 1.0 else {name: shared[name] + repeats * own[name] for name in limits}
            read.append(figures(each, errors, limits, repeats))
        compared = compare(*read)
        counts[kind, "refused" if compared.refused else str(compared.outcome)] += 1
    return counts
