"""The settled state of a loop, in much less simulated time than watching it settle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from baytrace_sim.loop.base import HeatBalance, LoopBase

_STORED_SHARE = 5e-4
_WINDOW_S, _LONGEST_S, _QUICKEN = 60.0, 2400.0, 8.0


class Steady(NamedTuple):
    """Means over the last whole clutch cycles (or the last minute): Pa absolute and K. `superheat_k` is the suction line
    above, `subcooling_k` the liquid line below the saturation temperature of the mean pressure (not a number above the
    critical one). `converged` is False when the loop was still moving after 40 simulated minutes; `balance` holds the same
    means of the heat flows.
    """

    low_side_pa: float
    high_side_pa: float
    suction_line_k: float
    liquid_line_k: float
    discharge_line_k: float
    vent_air_k: float
    superheat_k: float
    subcooling_k: float
    duty: float
    cycle_s: float
    converged: bool
    balance: HeatBalance


CHANNELS = ("low_side_pa", "high_side_pa", "suction_line_k", "liquid_line_k", "discharge_line_k", "vent_air_k")


def sample(loop: LoopBase) -> tuple[float, ...]:
    """The values of CHANNELS, then 1 or 0 for the clutch."""
    return (*(getattr(loop, name) for name in CHANNELS), float(loop.clutch_on))


def last_cycles(clutch: Sequence[float]) -> tuple[int, int, float]:
    """(first, past the last, samples per cycle) of the last whole cycles, as many as fit into the later half; (0, 0, 0.0)
    when the clutch does not cycle there.
    """
    starts = [index for index in range(len(clutch) // 2, len(clutch)) if clutch[index] > clutch[index - 1]]
    if len(starts) < 2:
        return 0, 0, 0.0
    return starts[0], starts[-1], (starts[-1] - starts[0]) / (len(starts) - 1)


def steady(loop: LoopBase, *, rpm: float = 1500.0, blower: float = 0.7, dt_s: float = 0.5) -> Steady:
    """Run `loop` on (it is changed) until nothing moves any more, slow metal and ducts hurried eightfold."""
    loop.lines.quicken = _QUICKEN
    rows: list[tuple[float, ...]] = []
    balances: list[HeatBalance] = []
    window, before, converged = round(_WINDOW_S / dt_s), None, False
    try:
        while not converged and len(rows) * dt_s < _LONGEST_S:
            for _ in range(window):
                loop.step(dt_s, engine_on=True, rpm=rpm, blower=blower)
                rows.append(sample(loop))
                balances.append(loop.heat_balance())
            means = _means(rows[-8 * window :], rows[-8 * window :], window)
            converged = before is not None and _alike(before, means) and len(rows) >= 4 * window
            if converged and means[-1] == 1.0:
                # slow creep hides in pressures, not in what the sides still store
                stored = HeatBalance._make(_means(balances[-window:], rows[-window:], window))
                converged = abs(stored.residual) < _STORED_SHARE
            before = means
    finally:
        loop.lines.quicken = 1.0
    assert before is not None
    rows = rows[-8 * window :]
    balance = HeatBalance._make(_means(balances[-8 * window :], rows, window))
    return _result(loop, rows, before, dt_s, converged=converged)._replace(balance=balance)


def _means(values: Sequence[tuple[float, ...]], rows: Sequence[tuple[float, ...]], window: int) -> list[float]:
    """Means of `values` over the last whole cycles of the clutch in `rows`, else over the last window."""
    first, past, _ = last_cycles([row[-1] for row in rows])
    part = values[first:past] if past > first else values[-window:]
    return [sum(column) / len(part) for column in zip(*part, strict=True)]


def _alike(before: list[float], now: list[float]) -> bool:
    return all(abs(a - b) <= (2e-4 if 0.0 < now[-1] < 1.0 else 2e-5) * abs(b) for a, b in zip(before, now, strict=True))


def _result(
    loop: LoopBase, rows: list[tuple[float, ...]], means: list[float], dt_s: float, *, converged: bool
) -> Steady:
    low, high, suction, liquid, discharge, vent, duty = means
    superheat = suction - loop.fluid.saturation_temperature(low)
    condensing = high < loop.fluid.critical_pa
    subcooling = loop.fluid.saturation_temperature(high) - liquid if condensing else math.nan
    cycle = last_cycles([row[-1] for row in rows])[2] * dt_s
    return Steady(
        low, high, suction, liquid, discharge, vent, superheat, subcooling, duty, cycle, converged, loop.heat_balance()
    )
