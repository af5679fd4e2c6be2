"""An instrument's accuracy in the reader's units; the pack keeps it as its maker printed it."""

from __future__ import annotations

import re

from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.units import parse_unit
from baytrace.records.report.units_shown import Shown, System, number, role_unit

_NUMBER = r"[-−+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?"
_UNITS = {
    Quantity.PRESSURE: ("Pa", "hPa", "kPa", "MPa", "mbar", "bar", "psi", "micron", "mTorr", "Torr", "inHg", "mmHg"),
    Quantity.TEMPERATURE: ("K", "degC", "°C", "degF", "°F"),
    Quantity.MASS: ("g", "kg", "oz", "lb"),
}


def accuracy_shown(text: str, role: Role, system: System) -> str:
    """`0.5 % of full scale (16 bar)` as `0.5 % of full scale (1600 kPa)` or `(232.1 psi)`; what has no unit stays."""
    quantity = FACTS[role].quantity
    known = {unit: kind for kind, units in _UNITS.items() if quantity in (kind, Quantity.OTHER) for unit in units}
    if not known:
        return text.replace("ohm", "Ω") if quantity is Quantity.RESISTANCE else text
    units = "|".join(re.escape(unit) for unit in sorted(known, key=len, reverse=True))

    def turn(found: re.Match[str]) -> str:
        if known[found["unit"]] is Quantity.TEMPERATURE:
            return _temperature(found, system)
        return _scaled(found, _shown(known[found["unit"]], role, system))

    return re.sub(
        rf"(?<![\w.])(?:(?P<low>{_NUMBER}) to )?(?P<value>{_NUMBER}) ?(?P<unit>{units})[ag]?(?!\w)", turn, text
    )


def _shown(quantity: Quantity, role: Role, system: System) -> Shown:
    """As the role's own figures are; an auxiliary pressure as those of the loop."""
    if FACTS[role].quantity is Quantity.OTHER:
        role = Role.TANK_MASS if quantity is Quantity.MASS else Role.HIGH_SIDE
    shown = role_unit(role, system)
    return shown._replace(text={"kPa abs": "kPa", "psia": "psi"}.get(shown.text, shown.text))


def _value(text: str) -> float:
    return float(text.replace("−", "-"))


def _temperature(match: re.Match[str], system: System) -> str:
    """A half-width is a difference; the ends of a range stand on the scale."""
    fahrenheit = match["unit"] in ("degF", "°F")
    if match["low"]:
        values = [_value(match["low"]), _value(match["value"])]
        if match["unit"] == "K":
            values = [value - 273.15 for value in values]
        celsius = [(value - 32.0) / 1.8 if fahrenheit else value for value in values]
        low, high = celsius if system is System.SI else [value * 1.8 + 32.0 for value in celsius]
        return f"{number(low)} to {number(high)} {'°C' if system is System.SI else '°F'}"
    kelvin = _value(match["value"]) / (1.8 if fahrenheit else 1.0)
    return f"{number(kelvin)} K" if system is System.SI else f"{number(kelvin * 1.8)} °F difference"


def _scaled(match: re.Match[str], shown: Shown) -> str:
    scale = parse_unit(match["unit"]).scale
    low = f"{number(shown.of(_value(match['low']) * scale))} to " if match["low"] else ""
    return f"{low}{number(shown.of(_value(match['value']) * scale))} {shown.text}"
