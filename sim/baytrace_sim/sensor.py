"""From a true value to what an instrument prints: offset, noise, slow wander, range, resolution. Same seed, same numbers."""

from __future__ import annotations

import math
import random

from pydantic import BaseModel, ConfigDict, Field

from baytrace.measure.roles import Role
from baytrace.measure.units import Against, Unit, unit_for


class SensorKeys(BaseModel):
    """One channel of a scenario; numbers in the channel's unit unless said otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: str
    period_s: float = Field(default=1.0, gt=0.0)
    resolution: float = Field(default=0.0, ge=0.0)
    noise: float = Field(default=0.0, ge=0.0)
    """Standard deviation from reading to reading."""
    noise_share: float = Field(default=0.0, ge=0.0)
    """Further standard deviation as a share of the reading."""
    wander: float = Field(default=0.0, ge=0.0)
    """Standard deviation of a slow error (first-order autoregressive)."""
    wander_share: float = Field(default=0.0, ge=0.0)
    """As `wander`, as a share of the reading."""
    wander_s: float = Field(default=60.0, gt=0.0)
    """How long the slow error remembers itself."""
    offset: float = 0.0
    gain: float = 1.0
    low: float = -math.inf
    """Least that can be shown; below it the instrument stays at `low`."""
    high: float = math.inf
    """Most that can be shown; beyond it the instrument says over range."""
    lag_s: float = Field(default=0.0, ge=0.0)
    """Time constant with which the instrument follows."""
    drop_share: float = Field(default=0.0, ge=0.0, lt=1.0)
    """Share of readings that do not come."""
    accuracy: str = ""
    """As the maker prints it; goes into the bench.toml."""


class Sensor:
    """Asked in time order. Returns the channel's unit; None for no reading, inf for over range."""

    def __init__(self, role: Role, keys: SensorKeys, seed: int) -> None:
        self.role, self.keys = role, keys
        self.unit: Unit = unit_for(role, keys.unit)
        self._random = random.Random(f"{seed} {role}")  # noqa: S311 - a scene, no secret
        self._wander = self._random.gauss(0.0, 1.0)
        self._followed: float | None = None
        self._time_s: float | None = None

    def shown(self, true_si: float, time_s: float, atmosphere_pa: float) -> float | None:
        """What is printed at `time_s` when `true_si` (Pa absolute, K, kg, ohm, 1) is so."""
        keys = self.keys
        passed = 0.0 if self._time_s is None else max(time_s - self._time_s, 0.0)
        self._time_s = time_s
        scatter, lost = self._random.gauss(0.0, 1.0), self._random.random() < keys.drop_share
        fades = math.exp(-passed / keys.wander_s)
        self._wander = self._wander * fades + self._random.gauss(0.0, 1.0) * math.sqrt(1.0 - fades * fades)
        if lost:
            return None
        if math.isinf(true_si):
            self._followed = None
            return math.inf
        value = self._in_unit(self._follow(true_si, passed), atmosphere_pa)
        value = value * keys.gain + keys.offset + scatter * math.hypot(keys.noise, keys.noise_share * value)
        value += self._wander * math.hypot(keys.wander, keys.wander_share * value)
        if value > keys.high:
            return math.inf
        value = max(value, keys.low)
        return round(value / keys.resolution) * keys.resolution if keys.resolution else value

    def _follow(self, true_si: float, passed_s: float) -> float:
        if self._followed is None or not self.keys.lag_s:
            self._followed = true_si
        else:
            self._followed += (true_si - self._followed) * (1.0 - math.exp(-passed_s / self.keys.lag_s))
        return self._followed

    def _in_unit(self, si: float, atmosphere_pa: float) -> float:
        against = self.unit.against in (Against.GAUGE, Against.VACUUM)
        return self.unit.from_si(si - atmosphere_pa if against else si)
