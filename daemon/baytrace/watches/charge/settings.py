"""What the charge watch can be told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from pydantic import Field

from baytrace.watches.charge.hose import Hose, HoseLeft, hose_left
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
    scale_zeroing: Literal["unknown", "off"] = "unknown"
    """Whether the scale sets its zero by itself. `unknown`: it may swallow a trickle while it stands still between the marks."""
    hose: HoseLeft = "unknown"
    """How the charging hose was left: its content let into the car after the tank was shut, or filled before the charge began and full
    at its end. `unknown`: all that it holds may have stayed in it."""
    hose_g: float | None = Field(default=None, ge=0.0, le=10_000.0)
    """Left the tank but is not in the car, g, where it was weighed or recovered; it stands in place of what `hose` says."""
    hose_uncertainty_g: float | None = Field(default=None, ge=0.0, le=10_000.0)
    """Half-width of `hose_g`, g; a quarter of it is taken where none is given."""
    hose_length_m: float | None = Field(default=None, gt=0.0, le=50.0)
    """Length of all hose between the tank and the car, m; two usual ones are taken where it is not given."""
    hose_bore_mm: float | None = Field(default=None, gt=0.0, le=50.0)
    """Inner diameter of the hose, mm."""
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

    def hose_held(self) -> Hose:
        """What stayed in the hose, as far as it is known."""
        if self.hose_g is not None:
            half = self.hose_uncertainty_g if self.hose_uncertainty_g is not None else 0.25 * self.hose_g
            return Hose(self.hose_g * 1e-3, half * 1e-3)
        named = self.refrigerant if "refrigerant" in self.model_fields_set else None
        return hose_left(named, self.hose, self.hose_length_m, self.hose_bore_mm)

    def mass_rules(self) -> MassRules:
        return MassRules(
            self.hose_held(),
            limit("charge.fastest_charge") * 1e-3,
            limit("charge.most_drift") * 1e-3,
            limit("charge.scale_at_rest") * 1e-3,
            limit("charge.swallowed_trickle") * 1e-3 if self.scale_zeroing == "unknown" else 0.0,
            limit("charge.patience"),
        )
