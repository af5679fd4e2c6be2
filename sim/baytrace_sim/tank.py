"""The refrigerant tank on its scale: what flows out, what the hand adds, what the scale creeps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(slots=True)
class Tank:
    """`mass_kg` on the scale (tank and all). Flow opens and closes over `valve_s` seconds."""

    mass_kg: float
    creep_kg_s: float = 0.0
    valve_s: float = 2.0
    flow_kg_s: float = 0.0
    bumps: list[tuple[float, float, float]] = field(default_factory=list)
    """(start s, end s, kg): a hose dragged, a hand laid on."""
    _asked: float = 0.0
    _left: float = 0.0

    def open(self, flow_kg_s: float, amount_kg: float) -> None:
        """Let `amount_kg` out at `flow_kg_s`."""
        self._asked, self._left = flow_kg_s, amount_kg

    def close(self) -> None:
        self._asked, self._left = 0.0, 0.0

    def step(self, dt_s: float) -> float:
        """kg that left in `dt_s`."""
        share = 1.0 - math.exp(-dt_s / self.valve_s)
        target = self._asked if self._left > 0.0 else 0.0
        self.flow_kg_s += (target - self.flow_kg_s) * share
        gone = min(self.flow_kg_s * dt_s, self._left)
        if self._left <= 0.0:
            self.flow_kg_s = 0.0
        self._left -= gone
        self.mass_kg -= gone
        return gone

    def shown_kg(self, time_s: float) -> float:
        """What lies on the scale at script time `time_s`, with creep and touches."""
        touched = sum(kg for start, end, kg in self.bumps if start <= time_s < end)
        return self.mass_kg + self.creep_kg_s * time_s + touched
