"""What an evacuation can be told, and what follows from it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from baytrace.watches.limits_table import limit
from baytrace.watches.watch import ASK, WatchSettings


class EvacuationSettings(WatchSettings):
    volume_l: float | None = Field(default=None, gt=0.0, le=1000.0, json_schema_extra=ASK)
    """Volume of the loop with hoses, in litres; without it a verdict on a leak has to hold for every usual loop."""
    target_pa: float = Field(default_factory=lambda: limit("evacuation.target_pa"), gt=0.0, lt=20_000.0)
    """Pressure that counts as deep vacuum, Pa absolute."""
    deep_vacuum_s: float = Field(default_factory=lambda: limit("evacuation.deep_vacuum_s"), ge=0.0)
    """Time below the target with the pump on, s."""
    hold_s: float = Field(default_factory=lambda: limit("evacuation.hold_s"), ge=30.0)
    """Length of the hold, s."""
    leak_limit: float = Field(default_factory=lambda: limit("evacuation.leak_limit"), gt=0.0)
    """Largest leak that passes, Pa*m3/s of air coming in."""
    vapour_limit_pa: float = Field(default_factory=lambda: limit("evacuation.vapour_limit_pa"), gt=0.0)
    """Largest rise by vapour that passes, Pa."""
    refrigerant: str = ""
    """For the leak in grams a year, e.g. R134a."""
    ambient_pa: float = Field(default=101_325.0, gt=10_000.0, lt=120_000.0)
    """Pressure of the air around, Pa absolute."""
    phase: Literal["all", "hold"] = "all"
    """`hold`: the readings begin with the hold, what went before is not judged."""
    stop_early: bool = False
    """Whether a verdict may be given before `hold_s` when the evidence suffices."""
    max_gap_s: float = Field(default_factory=lambda: limit("evacuation.max_gap_s"), gt=0.0)
    """A hold with a longer silence of the gauge cannot pass, s."""

    @property
    def rate_limits(self) -> tuple[float, float]:
        """Pa/s that the leak limit means in this loop: what passes lies below the first, what fails above the second. Without a volume
        they are those of the largest and the smallest usual loop.
        """
        least, most = limit("evacuation.least_volume_l"), limit("evacuation.most_volume_l")
        return self.leak_limit / ((self.volume_l or most) * 1e-3), self.leak_limit / ((self.volume_l or least) * 1e-3)
