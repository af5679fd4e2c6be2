"""What can be set for a sweep; other coils and two-wire sensors are settings, not code."""

from __future__ import annotations

import re
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from baytrace.measure.decision import GUARD
from baytrace.measure.uncertainty import rectangular
from baytrace.watches.limits_table import limit, limits
from baytrace.watches.watch import ASK, WatchSettings

_FAMILY = "sweep.family_"


def families() -> dict[str, tuple[float, float, float]]:
    """Low, high (ohm at 20 degC) and temperature coefficient (per K) of every family in the table."""
    rows = ((name, row.value) for name, row in limits().items() if name.startswith(_FAMILY))
    return {name.removeprefix(_FAMILY): (float(low), float(high), float(alpha)) for name, (low, high, alpha) in rows}


class SweepSettings(WatchSettings):
    """Limits hold at `reference_c`; `low_ohm` and `high_ohm` come before those of `family`. A pass needs both."""

    coils: int | None = Field(default=None, ge=1, le=64, json_schema_extra=ASK)
    """How many coils the bank has. Without it nothing can pass, for nobody would notice a coil left out."""
    low_ohm: float | None = Field(default=None, ge=0.0, json_schema_extra=ASK)
    """Lowest good resistance."""
    high_ohm: float | None = Field(default=None, gt=0.0, json_schema_extra=ASK)
    """Highest good resistance."""
    family: str = Field(default="", json_schema_extra=ASK)
    """A family of the limits table, for its range and temperature coefficient."""
    reference_c: float = Field(default_factory=lambda: float(limit("sweep.reference_c")), ge=-50.0, le=180.0)
    """Temperature the limits hold at, degC."""
    temperature_c: float | None = Field(default=None, ge=-50.0, le=180.0)
    """Coil temperature, degC, where no channel measures it."""
    temperature_u_k: float | None = Field(default=None, ge=0.0)
    """Standard uncertainty of `temperature_c`, K; that of a temperature somebody names when not set."""
    cold: bool = False
    """The engine has stood, or the coils are out of it: they are as warm as the shop's air. Only where no temperature is known."""
    alpha_per_k: float | None = Field(default=None, ge=0.0, lt=0.1)
    """Temperature coefficient at 20 degC; 0 for what is not referred to a temperature. Copper when not set."""
    lead_ohm: float | None = Field(default=None, ge=0.0, lt=100.0)
    """Resistance of the test leads, ohm; 0 when the meter has nulled them. Not known, it may be anything leads usually have."""
    order: Literal["auto", "contact", "mark", "channel"] = "auto"
    """How contacts become coils; auto: by channel if there are several, else by coil marks if there are any, else by contact."""
    sequence: tuple[int, ...] = ()
    """Which coil each contact is, when they are touched in another order than 1, 2, 3 ..."""
    guard: float = Field(default=GUARD, ge=GUARD)
    """Guard band in standard uncertainties; never narrower than 1.96."""

    @field_validator("sequence", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return [part for part in re.split(r"[\s,;\[\]]+", value) if part] if isinstance(value, str) else value

    @model_validator(mode="after")
    def _makes_sense(self) -> SweepSettings:
        if self.family and self.family not in families():
            raise ValueError(f"no family is called {self.family!r}; there are: {', '.join(families())}")
        low, high = self.limits
        if low is not None and high is not None and low >= high:
            raise ValueError(f"low_ohm {low:g} is not below high_ohm {high:g}")
        if len(set(self.sequence)) != len(self.sequence) or any(place < 1 for place in self.sequence):
            raise ValueError("sequence names each coil once, counting from 1")
        if self.sequence and self.coils is not None and sorted(self.sequence) != list(range(1, self.coils + 1)):
            raise ValueError(f"sequence must name the coils 1 to {self.coils}, each once")
        return self

    @property
    def limits(self) -> tuple[float | None, float | None]:
        """Low and high in ohm, None where there is none."""
        low, high, _ = families()[self.family] if self.family else (None, None, 0.0)
        return (low if self.low_ohm is None else self.low_ohm), (high if self.high_ohm is None else self.high_ohm)

    @property
    def usual_celsius(self) -> tuple[float, float]:
        """Between which temperatures coils of unknown temperature lie, degC."""
        low, high = limit("sweep.cold_c" if self.cold else "sweep.unknown_c")
        return float(low), float(high)

    @property
    def said_u_k(self) -> float:
        """Standard uncertainty of `temperature_c`, K."""
        said = self.temperature_u_k
        return rectangular(limit("sweep.temperature_said_k")) if said is None else said

    @property
    def alpha(self) -> float | None:
        """Temperature coefficient; None for copper."""
        if self.alpha_per_k is not None:
            return self.alpha_per_k
        return families()[self.family][2] if self.family else None
