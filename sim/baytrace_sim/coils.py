"""A bank of coils under one ohmmeter: what the leads meet while a person goes from coil to coil.

A contact runs: leads open, a scrape of bounces, the meter hunting for its range (one wild answer), a settling tail as the
contact beds in, then steady; then open again. Copper follows R(T) = R20 (1 + 0.00393 (T - 20)), IEC 60028.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

COPPER_PER_K = 0.003_93
"""1/K at 20 degC, IEC 60028 (annealed copper)."""
OPEN = math.inf


@dataclass(frozen=True, slots=True)
class Contact:
    """Coil `coil` (from 0; -1: the leads on each other) touched from `start_s` to `end_s`."""

    coil: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Bank:
    """`at_20_ohm` per coil (inf: broken), `lead_ohm` of both leads, the copper's temperature in K, and the hand's habits."""

    at_20_ohm: tuple[float, ...]
    lead_ohm: float = 0.12
    temperature_k: float = 293.15
    bounce_s: float = 0.6
    settle_s: float = 0.5
    settle_ohm: float = 0.25
    unsteady: tuple[int, ...] = ()
    """Coils (from 0) whose joint makes the reading jump."""
    seed: int = 0

    def true_ohm(self, coil: int) -> float:
        """The coil with its leads, at its temperature."""
        if coil < 0:
            return self.lead_ohm
        warm = 1.0 + COPPER_PER_K * (self.temperature_k - 293.15)
        return self.at_20_ohm[coil] * warm + self.lead_ohm

    def seen(self, contact: Contact | None, time_s: float) -> float:
        """Ohm between the leads at `time_s`; inf while nothing is connected."""
        if contact is None:
            return OPEN
        since = time_s - contact.start_s
        ohm = self.true_ohm(contact.coil)
        chance = random.Random(f"{self.seed} {contact.coil} {math.floor(time_s * 4)}")  # noqa: S311 - a scene, no secret
        if since < self.bounce_s:
            return OPEN if chance.random() < 0.5 else ohm + chance.uniform(1.0, 40.0)
        if since < self.bounce_s + 0.4:
            return ohm * chance.choice((0.1, 3.0))  # the meter's range is not found yet
        bedding = self.settle_ohm * math.exp(-(since - self.bounce_s - 0.4) / self.settle_s)
        if contact.coil in self.unsteady:
            ohm *= 1.0 + chance.uniform(-0.12, 0.2)
        if contact.end_s - time_s < 0.3:
            return OPEN if chance.random() < 0.5 else ohm + chance.uniform(1.0, 40.0)
        return ohm + bedding
