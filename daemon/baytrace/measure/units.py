"""Trade units, mapped once.

Rules of this file:
- A unit is an affine map to SI (`si = value * scale + offset`) plus what a pressure is measured against.
- pint holds the conversion factors; this file holds the trade's spellings, their UCUM codes and their reference.
- `micron` is a micrometre of mercury, a pressure. `inHg vac` counts down from the atmosphere.
- A pressure unit may end in `a` (absolute), `g` (gauge) or `v` (vacuum below atmosphere); without a suffix the
  channel's role decides (`measure.roles`). Exact spellings win, so `kPa` is not `kP` + `a`.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import pint

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import FACTS, SI_UNIT, Quantity, Role

STANDARD_ATMOSPHERE_PA = 101_325.0
"""ISO 2533:1975, pressure at mean sea level."""


class Against(StrEnum):
    """What a pressure unit counts from."""

    PLAIN = "plain"
    ABSOLUTE = "absolute"
    GAUGE = "gauge"
    VACUUM = "vacuum"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written by people. `scale` and `offset` lead to SI: Pa, K, kg, ohm, 1."""

    text: str
    quantity: Quantity
    scale: float
    offset: float
    ucum: str
    against: Against = Against.PLAIN

    def to_si(self, value: float) -> float:
        """SI value; for gauge and vacuum units still against the atmosphere (vacuum comes out negative)."""
        return value * self.scale + self.offset

    def from_si(self, value: float) -> float:
        return (value - self.offset) / self.scale

    def difference_to_si(self, difference: float) -> float:
        """A difference or uncertainty in SI, always without offset and never negative for vacuum units."""
        return difference * abs(self.scale)


_ureg: pint.UnitRegistry[float] = pint.UnitRegistry()
_ureg.define("micron_of_mercury = 1e-3 * mmHg")


_P, _T, _M, _R, _H = Quantity.PRESSURE, Quantity.TEMPERATURE, Quantity.MASS, Quantity.RESISTANCE, Quantity.HUMIDITY

# spelling(s), quantity, pint expression, UCUM code
_TABLE: tuple[tuple[str, Quantity, str, str], ...] = (
    ("Pa", _P, "pascal", "Pa"),
    ("hPa", _P, "hectopascal", "hPa"),
    ("kPa", _P, "kilopascal", "kPa"),
    ("MPa", _P, "megapascal", "MPa"),
    ("bar", _P, "bar", "bar"),
    ("mbar", _P, "millibar", "mbar"),
    ("psi", _P, "psi", "[psi]"),
    ("inHg", _P, "inHg", "[in_i'Hg]"),
    ("mmHg", _P, "mmHg", "mm[Hg]"),
    ("cmHg", _P, "10 * mmHg", "cm[Hg]"),
    ("Torr torr", _P, "torr", "mm[Hg]"),
    ("mTorr mtorr", _P, "millitorr", "um[Hg]"),
    ("micron microns umHg µmHg", _P, "micron_of_mercury", "um[Hg]"),
    ("atm", _P, "atm", "atm"),
    ("inH2O", _P, "inH2O", "[in_i'H2O]"),
    ("kgf/cm2 kgf/cm²", _P, "kgf / cm**2", "kgf/cm2"),
    ("degC °C C", _T, "degC", "Cel"),
    ("degF °F F", _T, "degF", "[degF]"),
    ("K", _T, "kelvin", "K"),
    ("kg", _M, "kilogram", "kg"),
    ("g", _M, "gram", "g"),
    ("oz", _M, "ounce", "[oz_av]"),
    ("lb lbs", _M, "pound", "[lb_av]"),
    ("ohm Ohm Ω ohms", _R, "ohm", "Ohm"),
    ("mohm mOhm mΩ", _R, "milliohm", "mOhm"),
    ("kohm kOhm kΩ", _R, "kiloohm", "kOhm"),
    ("Mohm MOhm MΩ", _R, "megaohm", "MOhm"),
    ("%RH %", _H, "percent", "%"),
    ("1", _H, "count", "1"),
)
_SUFFIXES = {"a": Against.ABSOLUTE, "g": Against.GAUGE, "v": Against.VACUUM, "vac": Against.VACUUM}


_CELSIUS_ZERO_K, _FAHRENHEIT_ZERO_K = 273.15, 459.67 * 5.0 / 9.0


def _affine(expression: str) -> tuple[float, float]:
    # exact by definition; a difference of two converted temperatures would lose digits
    if expression == "degC":
        return 1.0, _CELSIUS_ZERO_K
    if expression == "degF":
        return 5.0 / 9.0, _FAHRENHEIT_ZERO_K
    return float(_ureg.parse_expression(expression).to_base_units().magnitude), 0.0


def _build() -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    for spellings, quantity, expression, ucum in _TABLE:
        scale, offset = _affine(expression)
        for text in spellings.split():
            units[text] = Unit(text, quantity, scale, offset, ucum)
    for text, unit in list(units.items()):
        if unit.quantity is _P:
            for suffix, against in _SUFFIXES.items():
                for name in (text + suffix, f"{text} {suffix}", f"{text}_{suffix}"):
                    sign = -1.0 if against is Against.VACUUM else 1.0
                    units.setdefault(name, Unit(name, _P, sign * unit.scale, 0.0, unit.ucum, against))
    return units


_UNITS = _build()


def known_units(quantity: Quantity | None = None) -> list[str]:
    """Canonical spellings, without the pressure suffixes."""
    return [row[0].split()[0] for row in _TABLE if quantity is None or row[1] is quantity]


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Unit:
    """A unit from its spelling. Raises BadInput naming the nearest known spelling."""
    unit = _UNITS.get(text.strip())
    if unit is not None:
        return unit
    near = difflib.get_close_matches(text.strip(), _UNITS, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known units: {', '.join(known_units())}"
    raise BadInput(f"unknown unit {text!r}", right=hint)


def unit_for(role: Role, text: str) -> Unit:
    """The unit of a channel in `role`, with its pressure reference settled (never `PLAIN`).

    Raises BadInput when the unit measures another quantity than the role.
    """
    facts = FACTS[role]
    if facts.quantity is Quantity.OTHER:
        try:
            return parse_unit(text)
        except BadInput:
            return Unit(text, Quantity.OTHER, 1.0, 0.0, text)
    unit = parse_unit(text)
    if unit.quantity is not facts.quantity:
        raise BadInput(
            f"unit {text!r} measures {unit.quantity}, but {role} is a {facts.quantity}",
            right=f"use one of: {', '.join(known_units(facts.quantity))}",
        )
    if unit.quantity is not Quantity.PRESSURE or unit.against is not Against.PLAIN:
        return unit
    against = Against.GAUGE if facts.gauge else Against.ABSOLUTE
    return Unit(unit.text, unit.quantity, unit.scale, unit.offset, unit.ucum, against)


def si_unit_name(quantity: Quantity) -> str:
    return SI_UNIT.get(quantity, "")
