"""What a standing test can be told, and what follows from it."""

from __future__ import annotations

from typing import NamedTuple

from pydantic import Field

from baytrace.watches.limits_table import limit
from baytrace.watches.watch import ASK, WatchSettings


class Bounds(NamedTuple):
    """Pa/s of fall: one below `passes` is tight, one above `fails` a leak, whatever the volume may be."""

    passes: float
    fails: float


class PressureHoldSettings(WatchSettings):
    volume_l: float | None = Field(default=None, gt=0.0, le=1000.0, json_schema_extra=ASK)
    """Volume of the loop with hoses, in litres; without it a verdict has to hold for every usual loop."""
    leak_limit: float = Field(default_factory=lambda: limit("pressure_hold.leak_limit"), gt=0.0)
    """Largest leak that passes, Pa*m3/s going out at the test pressure."""
    test_pressure_pa: float = Field(default_factory=lambda: limit("pressure_hold.test_pressure"), gt=1e5)
    """Pressure that the limit is meant for, Pa absolute; a test far below it cannot pass."""
    hold_s: float = Field(default_factory=lambda: limit("pressure_hold.hold_s"), ge=30.0)
    """Length of the test, s."""
    max_gap_s: float = Field(default_factory=lambda: limit("pressure_hold.max_gap_s"), gt=0.0)
    """A test with a longer silence of the gauge cannot pass, s."""

    @property
    def bounds(self) -> Bounds:
        """What the leak limit means in this loop, or in all usual ones."""
        if self.volume_l is not None:
            one = self.leak_limit / (self.volume_l * 1e-3)
            return Bounds(one, one)
        least, most = limit("evacuation.least_volume_l"), limit("evacuation.most_volume_l")
        return Bounds(self.leak_limit / (most * 1e-3), self.leak_limit / (least * 1e-3))
