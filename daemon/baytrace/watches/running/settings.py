"""What every watch of a running loop can be told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import Field

from baytrace.watches.limits_table import limit
from baytrace.watches.running.follow import Bands
from baytrace.watches.watch import WatchSettings


def _default(name: str) -> Callable[[], Any]:
    return lambda: limit(f"charge.{name}")


class RunningSettings(WatchSettings):
    """Settings shared by the watches of a running loop."""

    refrigerant: str = "R134a"
    """Any fluid CoolProp knows; R134a is assumed, and said so, where none is named."""
    elevation_m: float | None = Field(default=None, ge=-1000.0, le=11_000.0)
    """Height of the site above the sea, m: the atmosphere that gauges count from, where no barometer is read."""
    ambient_c: float | None = Field(default=None, ge=-40.0, le=60.0)
    """Air temperature in degC where no instrument gives it."""
    ambient_humidity: float | None = Field(default=None, ge=0.0, le=1.0)
    """Relative humidity, 0 to 1, where no instrument gives it."""
    settled_pressure_band: float = Field(default_factory=_default("settled_pressure_band"), gt=0.0, le=0.2)
    """Share of its mean a pressure may still have to go."""
    settled_temperature_band_k: float = Field(default_factory=_default("settled_temperature_band"), gt=0.0, le=10.0)
    """K a temperature may still have to go."""
    slowest_mode_s: float = Field(default_factory=_default("slowest_mode"), ge=30.0, le=3600.0)
    """Slowest time constant taken for the loop's own, s."""

    def bands(self) -> Bands:
        return Bands(
            self.settled_pressure_band,
            self.settled_temperature_band_k,
            self.slowest_mode_s,
            limit("charge.cycle_swing"),
            hold_s=limit("charge.settled_hold"),
        )
