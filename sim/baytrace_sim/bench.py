"""The instruments there are on the simulated bench, and which roles each measures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from baytrace.measure.roles import Role


class Instrument(NamedTuple):
    """`broker`: heard over MQTT instead of on its own wire."""

    roles: tuple[Role, ...]
    broker: bool = False


INSTRUMENTS: Mapping[str, Instrument] = {
    "vacuum gauge": Instrument((Role.SYSTEM_PRESSURE,)),
    "pressure transmitters": Instrument((Role.LOW_SIDE, Role.HIGH_SIDE)),
    "tank scale": Instrument((Role.TANK_MASS,)),
    "ohmmeter": Instrument((Role.COIL_RESISTANCE,)),
    "clamp thermometers": Instrument(
        (Role.SUCTION_LINE, Role.LIQUID_LINE, Role.DISCHARGE_LINE, Role.SYSTEM_TEMPERATURE, Role.COIL_TEMPERATURE),
        broker=True,
    ),
    "room sensor": Instrument((Role.AMBIENT_AIR, Role.AMBIENT_HUMIDITY, Role.BAROMETER), broker=True),
    "vent thermometer": Instrument((Role.VENT_AIR,), broker=True),
}
