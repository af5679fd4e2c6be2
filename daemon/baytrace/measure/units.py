"""Trade units, mapped once.

Rules of this file:
- A unit is an affine map to SI (`si = value * scale + offset`) plus what a pressure is measured against.
- The factors are typed in as a units library gave them, to the last bit (a replay compares bits), and `tests/reference` holds them
  against that library: loading it costs every command a third of a second.
- This file also holds the trade's spellings, their UCUM codes and their reference.
- `micron` is a micrometre of mercury, a pressure. `inHg vac` counts down from the atmosphere.
- A pressure unit may end in `a` (absolute), `g` (gauge) or `v` (vacuum below atmosphere); without a suffix the
  channel's role decides (`measure.roles`). Exact spellings win, so `kPa` is not `kP` + `a`.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

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


_P, _T, _M, _R, _H = Quantity.PRESSURE, Quantity.TEMPERATURE, Quantity.MASS, Quantity.RESISTANCE, Quantity.HUMIDITY

# spelling(s), quantity, factor to SI, UCUM code
_TABLE: tuple[tuple[str, Quantity, float, str], ...] = (
    ("Pa", _P, 1.0, "Pa"),
    ("hPa", _P, 100.0, "hPa"),
    ("kPa", _P, 1e3, "kPa"),
    ("MPa", _P, 1e6, "MPa"),
    ("bar", _P, 1e5, "bar"),
    ("mbar", _P, 100.0, "mbar"),
    ("psi", _P, 6894.7572931683635, "[psi]"),
    ("inHg", _P, 3386.3886403409997, "[in_i'Hg]"),
    ("mmHg", _P, 133.322387415, "mm[Hg]"),
    ("cmHg", _P, 1333.22387415, "cm[Hg]"),
    ("Torr torr", _P, 133.32236842105263, "mm[Hg]"),
    ("mTorr mtorr", _P, 0.13332236842105263, "um[Hg]"),
    ("micron microns umHg µmHg", _P, 0.133322387415, "um[Hg]"),
    ("atm", _P, 101_325.0, "atm"),
    ("inH2O", _P, 249.08890999999997, "[in_i'H2O]"),
    ("kgf/cm2 kgf/cm²", _P, 98_066.5, "kgf/cm2"),
    ("degC °C C", _T, 1.0, "Cel"),
    ("degF °F F", _T, 5.0 / 9.0, "[degF]"),
    ("K", _T, 1.0, "K"),
    ("kg", _M, 1.0, "kg"),
    ("g", _M, 1e-3, "g"),
    ("oz", _M, 0.028349523125000005, "[oz_av]"),
    ("lb lbs", _M, 0.4535923700000001, "[lb_av]"),
    ("ohm Ohm Ω ohms", _R, 1.0, "Ohm"),
    ("mohm mOhm mΩ", _R, 1e-3, "mOhm"),
    ("kohm kOhm kΩ", _R, 1e3, "kOhm"),
    ("Mohm MOhm MΩ", _R, 1e6, "MOhm"),
    ("%RH %", _H, 0.01, "%"),
    ("1", _H, 1.0, "1"),
)
_SUFFIXES = {"a": Against.ABSOLUTE, "g": Against.GAUGE, "v": Against.VACUUM, "vac": Against.VACUUM}


_ZERO_K = {"degC": 273.15, "degF": 459.67 * 5.0 / 9.0}
"""Where a scale of temperature begins, exact by definition."""


def _build() -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    for spellings, quantity, scale, ucum in _TABLE:
        offset = _ZERO_K.get(spellings.split()[0], 0.0)
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
