"""The roles a channel can play in the job, and the quantity each role measures."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Quantity(StrEnum):
    """Physical quantity; the value is its name in messages. SI units are in `SI_UNIT`."""

    PRESSURE = "pressure"
    TEMPERATURE = "temperature"
    MASS = "mass"
    RESISTANCE = "resistance"
    HUMIDITY = "humidity"
    OTHER = "other"


SI_UNIT = {
    Quantity.PRESSURE: "Pa",
    Quantity.TEMPERATURE: "K",
    Quantity.MASS: "kg",
    Quantity.RESISTANCE: "ohm",
    Quantity.HUMIDITY: "1",
}


class Role(StrEnum):
    SYSTEM_PRESSURE = "system_pressure"
    LOW_SIDE = "low_side"
    HIGH_SIDE = "high_side"
    SUCTION_LINE = "suction_line"
    LIQUID_LINE = "liquid_line"
    DISCHARGE_LINE = "discharge_line"
    VENT_AIR = "vent_air"
    AMBIENT_AIR = "ambient_air"
    AMBIENT_HUMIDITY = "ambient_humidity"
    SYSTEM_TEMPERATURE = "system_temperature"
    TANK_MASS = "tank_mass"
    COIL_RESISTANCE = "coil_resistance"
    COIL_TEMPERATURE = "coil_temperature"
    BAROMETER = "barometer"
    AUXILIARY = "auxiliary"


class RoleFacts(NamedTuple):
    """`gauge`: a pressure unit without suffix is meant against the atmosphere."""

    quantity: Quantity
    gauge: bool
    label: str


FACTS: dict[Role, RoleFacts] = {
    Role.SYSTEM_PRESSURE: RoleFacts(Quantity.PRESSURE, False, "System pressure"),
    Role.LOW_SIDE: RoleFacts(Quantity.PRESSURE, True, "Low side"),
    Role.HIGH_SIDE: RoleFacts(Quantity.PRESSURE, True, "High side"),
    Role.SUCTION_LINE: RoleFacts(Quantity.TEMPERATURE, False, "Suction line"),
    Role.LIQUID_LINE: RoleFacts(Quantity.TEMPERATURE, False, "Liquid line"),
    Role.DISCHARGE_LINE: RoleFacts(Quantity.TEMPERATURE, False, "Discharge line"),
    Role.VENT_AIR: RoleFacts(Quantity.TEMPERATURE, False, "Vent air"),
    Role.AMBIENT_AIR: RoleFacts(Quantity.TEMPERATURE, False, "Ambient air"),
    Role.AMBIENT_HUMIDITY: RoleFacts(Quantity.HUMIDITY, False, "Ambient humidity"),
    Role.SYSTEM_TEMPERATURE: RoleFacts(Quantity.TEMPERATURE, False, "System temperature"),
    Role.TANK_MASS: RoleFacts(Quantity.MASS, False, "Tank mass"),
    Role.COIL_RESISTANCE: RoleFacts(Quantity.RESISTANCE, False, "Coil resistance"),
    Role.COIL_TEMPERATURE: RoleFacts(Quantity.TEMPERATURE, False, "Coil temperature"),
    Role.BAROMETER: RoleFacts(Quantity.PRESSURE, False, "Barometer"),
    Role.AUXILIARY: RoleFacts(Quantity.OTHER, False, "Auxiliary"),
}


def called(role: Role, name: str) -> str:
    """What people read for a channel: `Low side`, and its own name in brackets where it has one."""
    label = FACTS[role].label
    return label if name == role else f"{label} ({name})"
