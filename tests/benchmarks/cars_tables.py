# ruff: noqa: T201 - what it prints is the result
"""Makes a structure's table of cars: what sound and faulty cars show in steady state, by one of the models of `baytrace_sim.cars`.

Run as `python tests/benchmarks/cars_tables.py STRUCTURE --cars N --seed S --to FILE`. Prints how many states failed to solve
and were left out, the time a state took, the middle and the 5 to 95 % range of each sign of sound cars near 25 and 35 degC, and
the mean move of each sign from the same car sound, by cause at 30 %.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from baytrace_sim.cars import CAUSES, SIGNS, SOUND, State, structures, write
from baytrace_sim.cars.states import VALVES

_SHOWN = (*SIGNS, "capacity")


def _line(name: str, values: Sequence[str]) -> str:
    return f"{name:<44}" + "".join(f"{value:>19}" for value in values)


def sound_ranges(states: Sequence[State]) -> list[str]:
    lines = [_line("sound: median (5 % .. 95 %)", _SHOWN)]
    for valve in VALVES:
        for ambient in (25.0, 35.0):
            found = [
                [getattr(state, name) for name in _SHOWN]
                for state in states
                if state.cause == SOUND and state.valve == valve and abs(state.ambient - ambient) <= 3.0
            ]
            if len(found) < 3:
                continue
            low, middle, high = np.percentile(np.array(found), (5, 50, 95), axis=0)
            cells = [f"{m:.0f} ({a:.0f} .. {b:.0f})" for a, m, b in zip(low, middle, high, strict=True)]
            lines.append(_line(f"{valve}, {ambient - 3:g} to {ambient + 3:g} degC, n {len(found)}", cells))
    return lines


def mean_moves(states: Sequence[State], strength: float = 30.0) -> list[str]:
    """Mean move and its standard deviation between cars; a fault of one strength counts at that one."""
    sound = {state.car: state for state in states if state.cause == SOUND}
    lines = [_line(f"move from sound at {strength:g} %: mean (spread)", _SHOWN)]
    for cause in CAUSES[1:]:
        at = {state.strength for state in states if state.cause == cause}
        wanted = strength if strength in at else max(at, default=strength)
        moves = [
            [getattr(state, name) - getattr(sound[state.car], name) for name in _SHOWN]
            for state in states
            if state.cause == cause and state.strength == wanted and state.car in sound
        ]
        if moves:
            mean, spread = np.mean(moves, axis=0), np.std(moves, axis=0)
            cells = [f"{m:+.1f} ({s:.1f})" for m, s in zip(mean, spread, strict=True)]
            lines.append(_line(f"{cause}, n {len(moves)}", cells))
    return lines


def main() -> None:
    known = structures()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("structure", choices=sorted(known))
    parser.add_argument("--cars", type=int, default=250)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--to", type=Path, required=True)
    asked = parser.parse_args()
    began = time.perf_counter()
    states, failed = known[asked.structure](asked.cars, asked.seed)
    took = time.perf_counter() - began
    write(asked.to, states)
    count = len(states) + failed
    print(
        f"{asked.structure}: {len(states)} states of {asked.cars} cars in {took:.1f} s ({1000 * took / max(count, 1):.2f} ms a state)"
    )
    print(f"failed and left out: {failed} of {count} ({100 * failed / max(count, 1):.2f} %)")
    print("\n".join([*sound_ranges(states), *mean_moves(states)]))


if __name__ == "__main__":
    main()
