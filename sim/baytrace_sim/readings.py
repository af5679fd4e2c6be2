"""What every instrument shows, second by second: the plant's truth through the sensors, thinned by what disturbs them."""

from __future__ import annotations

from collections.abc import Iterable

from baytrace.measure.roles import Role
from baytrace_sim.bench import INSTRUMENTS
from baytrace_sim.plant import Plant
from baytrace_sim.scenario import Scenario
from baytrace_sim.sensor import Sensor

SILENCING = ("silence", "unplug", "garbage", "half line", "bad checksum", "broker silence")


class Readings:
    """The sensors of the instruments in use. Ask each role in time order."""

    def __init__(self, scenario: Scenario, plant: Plant) -> None:
        self.scenario, self.plant = scenario, plant
        self.sensors = {
            role: Sensor(role, scenario.channel[role], scenario.seed)
            for name in scenario.uses
            for role in INSTRUMENTS[name].roles
        }
        self._of = {role: name for name in scenario.uses for role in INSTRUMENTS[name].roles}

    def shown(self, role: Role, time_s: float | None = None) -> float | None:
        """In the channel's unit at the plant's time (or `time_s`); None for no reading, inf for over range or open."""
        at = self.plant.time_s if time_s is None else time_s
        return self.sensors[role].shown(self.plant.true(role, at), at, self.plant.atmosphere_pa)

    def heard(self, role: Role, time_s: float) -> bool:
        """Whether the wire lets a reading of this role through at script time `time_s`."""
        name = self._of[role]
        if INSTRUMENTS[name].broker and self.scenario.without("broker silence", "", time_s):
            return False
        return not any(self.scenario.without(kind, name, time_s) for kind in SILENCING)

    def roles(self) -> Iterable[Role]:
        return self.sensors
