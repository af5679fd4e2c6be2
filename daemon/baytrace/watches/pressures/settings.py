"""What the pressures watch can be told."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from pydantic import Field

from baytrace.measure.roles import Role
from baytrace.watches.limits_table import limit
from baytrace.watches.running.follow import Bands
from baytrace.watches.running.own_settings import OwnCarSettings


class PressuresSettings(OwnCarSettings):
    settled_pressure_band: float = Field(
        default_factory=lambda: limit("pressures.settled_pressure_band"), gt=0.0, le=0.2
    )
    """Share of its mean a pressure may still have to go."""
    low_min_psi: float | None = None
    """Replaces the usual range: least normal low side here and today, psi gauge at sea level."""
    low_max_psi: float | None = None
    """Most normal low side, psi gauge at sea level."""
    high_min_psi: float | None = None
    """Least normal high side, psi gauge at sea level."""
    high_max_psi: float | None = None
    """Most normal high side, psi gauge at sea level."""
    valve: Literal["", "expansion valve", "orifice tube"] = ""
    """What meters the refrigerant; an orifice tube with accumulator runs with next to no superheat."""
    compressor: Literal["", "fixed", "variable"] = ""
    """The compressor's stroke: fixed with a cycling clutch, or variable."""

    def bands(self) -> Bands:
        needed = (Role.LOW_SIDE, Role.HIGH_SIDE)
        return replace(super().bands(), least_s=limit("pressures.shortest_look"), hold_s=0.0, needed=needed)
