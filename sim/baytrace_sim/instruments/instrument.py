"""What every instrument shares: a turn once a simulated second, and the disturbances of its wire."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any, ClassVar

from baytrace.measure.roles import Role
from baytrace_sim.bench import INSTRUMENTS
from baytrace_sim.instruments.wire import Wire
from baytrace_sim.readings import Readings


class Instrument:
    """Base. `turn` is called with script seconds (0 until the script starts), about once a simulated second."""

    name: ClassVar[str]

    def __init__(self, readings: Readings, wire: Wire) -> None:
        self.readings, self.wire = readings, wire
        self.roles = INSTRUMENTS[self.name].roles
        self._plugged = True
        self._due: dict[Role, float] = {}
        self.noise = random.Random(f"{readings.scenario.seed} {self.name}")  # noqa: S311 - a scene, no secret

    async def start(self) -> None:
        await self.wire.plug()

    async def stop(self) -> None:
        await self.wire.unplug()

    def now(self, kind: str, time_s: float) -> bool:
        """Whether a disturbance of `kind` acts on this instrument."""
        return self.readings.scenario.without(kind, self.name, time_s)

    async def turn(self, time_s: float) -> None:
        plugged = not self.now("unplug", time_s)
        if plugged != self._plugged:
            self._plugged = plugged
            await (self.wire.plug() if plugged else self.wire.unplug())
        if plugged:
            await self.speak(time_s)

    async def speak(self, time_s: float) -> None:
        """Say what is to be said unasked."""

    def tables(self) -> dict[str, Any]:
        """The `[[instrument]]` table that reads this instrument, without name and calibration."""
        raise NotImplementedError

    def channel(self, role: Role, **keys: Any) -> Mapping[str, Any]:
        own = self.readings.scenario.channel[role]
        table: dict[str, Any] = {"role": str(role), "unit": own.unit, "period_s": own.period_s}
        if own.accuracy:
            table["accuracy"] = own.accuracy
        return table | keys
