"""What the charge watch can be told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import Field

from baytrace.watches.charge.mass import MassRules
from baytrace.watches.limits_table import limit
from baytrace.watches.running.settings import RunningSettings


def _default(name: str) -> Callable[[], Any]:
    return lambda: limit(f"charge.{name}")


class ChargeSettings(RunningSettings):
    label_g: float | None = Field(default=None, gt=0.0, le=100_000.0)
    """Charge on the vehicle's label, g; without it the mass is shown and not judged."""
    tolerance_g: float = Field(default_factory=_default("tolerance_g"), gt=0.0)
    """How far the charge may be from the label, g."""
    hose_g: float = Field(default_factory=_default("hose_g"), ge=0.0)
    """Left the tank but stayed in hoses or was purged, g."""
    hose_uncertainty_g: float = Field(default_factory=_default("hose_uncertainty_g"), ge=0.0)
    """Half-width of the hose allowance, g."""
    superheat_min_k: float | None = None
    """Least superheat that passes, K; none is judged unless set."""
    superheat_max_k: float | None = None
    """Most superheat that passes, K."""
    subcooling_min_k: float | None = None
    """Least subcooling that passes, K."""
    subcooling_max_k: float | None = None
    """Most subcooling that passes, K."""
    vent_max_c: float | None = None
    """Warmest vent air that passes, degC."""
    vent_depression_min_k: float | None = None
    """Least vent temperature below ambient that passes, K."""
    pressure_ratio_min: float | None = None
    """Least ratio of absolute high to low side pressure that passes."""
    pressure_ratio_max: float | None = None
    """Most ratio of absolute high to low side pressure that passes."""
    vent_table: list[list[float]] = Field(default_factory=_default("vent_table"), min_length=2)
    """Expected vent temperature, degC: first line a corner and ambients in degC, then lines of humidity (0 to 1) and entries."""

    def mass_rules(self) -> MassRules:
        return MassRules(
            self.hose_g * 1e-3,
            self.hose_uncertainty_g * 1e-3,
            limit("charge.fastest_charge") * 1e-3,
            limit("charge.most_drift") * 1e-3,
        )
