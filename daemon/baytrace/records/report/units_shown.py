"""Figures in the units of the reader: SI or US customary, never both in one report.

Verdicts are in SI; this file turns values, and the numbers inside a watch's sentences, into the reader's units.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.units import parse_unit


class System(StrEnum):
    SI = "SI"
    US = "US"


def system_named(text: str) -> System:
    """Raises BadInput for a system that is none."""
    try:
        return System(text.upper())
    except ValueError:
        raise BadInput(f"{text!r} is no system of units", where="units", right="use SI or US") from None


class Shown(NamedTuple):
    """`text` is the unit as read; `of` turns a value in the SI unit of its kind into it."""

    text: str
    of: Callable[[float], float]


def _per(name: str) -> float:
    return 1.0 / parse_unit(name).scale


_MICRON, _PSI, _OZ, _LB = _per("micron"), _per("psi"), _per("oz"), _per("lb")
_CFH = _MICRON * 3600.0 / 0.3048**3
"""Pa*m3/s in micron cubic feet an hour; the foot is 0.3048 m exactly."""


def _by(factor: float) -> Callable[[float], float]:
    return lambda value: value * factor


def _fahrenheit(celsius: float) -> float:
    return celsius * 1.8 + 32.0


_SI: dict[str, Shown] = {
    "Pa": Shown("Pa", _by(1.0)),
    "kPa": Shown("kPa", _by(1.0)),
    "Pa/s": Shown("Pa/min", _by(60.0)),
    "Pa/min": Shown("Pa/min", _by(1.0)),
    "Pa*m3/s": Shown("Pa·m³/s", _by(1.0)),
    "degC": Shown("°C", _by(1.0)),
    "K": Shown("K", _by(1.0)),
    "K/s": Shown("K/s", _by(1.0)),
    "g": Shown("g", _by(1.0)),
    "kg": Shown("kg", _by(1.0)),
    "g/s": Shown("g/s", _by(1.0)),
    "L": Shown("L", _by(1.0)),
    "m": Shown("m", _by(1.0)),
    "J/kg": Shown("kJ/kg", _by(1e-3)),
    "g/a": Shown("g a year", _by(1.0)),
    "bar": Shown("kPa", _by(100.0)),
    "mbar*L/s": Shown("mbar·L/s", _by(1.0)),
    "ohm": Shown("Ω", _by(1.0)),
}
_US: dict[str, Shown] = {
    "Pa": Shown("micron", _by(_MICRON)),
    "kPa": Shown("psi", _by(1000.0 * _PSI)),
    "Pa/s": Shown("micron/min", _by(60.0 * _MICRON)),
    "Pa/min": Shown("micron/min", _by(_MICRON)),
    "Pa*m3/s": Shown("micron·ft³/h", _by(_CFH)),
    "degC": Shown("°F", _fahrenheit),
    "K": Shown("°F difference", _by(1.8)),
    "K/s": Shown("°F/s", _by(1.8)),
    "g": Shown("oz", _by(_OZ * 1e-3)),
    "kg": Shown("lb", _by(_LB)),
    "g/s": Shown("oz/min", _by(_OZ * 1e-3 * 60.0)),
    "L": Shown("in³", _by(1e-3 / 0.0254**3)),
    "m": Shown("ft", _by(1.0 / 0.3048)),
    "J/kg": Shown("BTU/lb", _by(1.0 / 2326.0)),
    "g/a": Shown("oz a year", _by(_OZ * 1e-3)),
    "bar": Shown("psi", _by(1e5 * _PSI)),
    "ohm": Shown("Ω", _by(1.0)),
}
_SPELLINGS = {
    "Pa m3/s": "Pa*m3/s",
    "Pa·m³/s": "Pa*m3/s",
    "Pa m³/s": "Pa*m3/s",
    "°C": "degC",
    "l": "L",
    "litres": "L",
}
_LOOP = (
    "static",
    "low_side",
    "high_side",
    "discharge_pressure",
    "suction_pressure",
    "atmosphere",
    "ambient_pa",
    "barometer",
    "gas_cooler",
)


def shown_unit(unit: str, system: System, name: str = "") -> Shown:
    """How a value in `unit` is shown; pressures of a running loop (told by `name`) in kPa or psi, absolute."""
    unit = _SPELLINGS.get(unit, unit)
    if unit == "Pa" and any(part in name for part in _LOOP):
        return Shown("kPa abs", _by(1e-3)) if system is System.SI else Shown("psia", _by(_PSI))
    if unit == "1" and "humidity" in name:
        return Shown("%", _by(100.0))
    table = _SI if system is System.SI else _US
    return table.get(unit, Shown("" if unit == "1" else unit.replace("ohm", "Ω"), _by(1.0)))


def role_unit(role: Role, system: System) -> Shown:
    """The unit of a picture's axis from SI values of a role."""
    match FACTS[role].quantity:
        case Quantity.PRESSURE:
            return shown_unit("Pa", system, str(role))
        case Quantity.TEMPERATURE:
            shown = shown_unit("degC", system)
            return Shown(shown.text, lambda kelvin: shown.of(kelvin - 273.15))
        case Quantity.MASS:
            shown = shown_unit("g", system)
            return Shown(shown.text, lambda kg: shown.of(kg * 1e3))
        case Quantity.RESISTANCE:
            return Shown("Ω", _by(1.0))
        case Quantity.HUMIDITY:
            return Shown("%", _by(100.0))
        case _:
            return Shown("", _by(1.0))


def number(value: float, spread: float | None = None) -> str:
    """A figure with the digits its interval deserves: two of the half-width, else four in all."""
    if not math.isfinite(value):
        return "open" if value > 0 else str(value)
    if value == 0.0:
        return "0"
    if spread and math.isfinite(spread):
        digits = max(0, min(9, 1 - math.floor(math.log10(abs(spread)))))
    else:
        digits = max(0, min(9, 3 - math.floor(math.log10(abs(value)))))
    if abs(value) < 1e-3 or abs(value) >= 1e7:
        return _scientific(value)
    text = f"{value:.{digits}f}"
    if not spread and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−")


def _scientific(value: float) -> str:
    mantissa, _, exponent = f"{value:.2e}".partition("e")
    return f"{mantissa}·10{str(int(exponent)).translate(str.maketrans('-0123456789', '⁻⁰¹²³⁴⁵⁶⁷⁸⁹'))}".replace("-", "−")


_OTHERS: dict[System, dict[str, Shown]] = {
    System.US: {
        "hPa": Shown("psi", _by(100.0 * _PSI)),
        "mbar": Shown("psi", _by(100.0 * _PSI)),
        "mL": Shown("fl oz", _by(1.0 / 29.5735295625)),
    },
    System.SI: {
        "bar": _SI["bar"],
        "psi": Shown("kPa", _by(1e-3 / _PSI)),
        "psia": Shown("kPa absolute", _by(1e-3 / _PSI)),
        "psig": Shown("kPa gauge", _by(1e-3 / _PSI)),
        "inHg": Shown("kPa", _by(1e-3 / _per("inHg"))),
        "micron": Shown("Pa", _by(1.0 / _MICRON)),
        "microns": Shown("Pa", _by(1.0 / _MICRON)),
        "°F": Shown("°C", lambda value: (value - 32.0) / 1.8),
        "degF": Shown("°C", lambda value: (value - 32.0) / 1.8),
        "oz": Shown("g", _by(1e3 / _OZ)),
        "lb": Shown("kg", _by(1.0 / _LB)),
        "fl oz": Shown("mL", _by(29.5735295625)),
        "ft": Shown("m", _by(0.3048)),
    },
}
"""Units that people and rules use in words, beside those of the verdicts, and how the other readers are told."""

# Words of people hold commas as decimal signs and spaces between thousands: a number is taken whole or left as it stands.
_NUMBER = r"[-−+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
_ALL_IN_TEXT = {*_SI, *_SPELLINGS, *_OTHERS[System.SI], *_OTHERS[System.US]}
_UNITS_IN_TEXT = "|".join(re.escape(unit) for unit in sorted(_ALL_IN_TEXT, key=len, reverse=True))
_QUANTITY = re.compile(
    rf"(?P<sign>± ?)?(?<![\w.,])(?<!\d )(?:(?P<first>{_NUMBER})(?P<join> to | ?[-–] ?))?(?P<value>{_NUMBER}) ?(?P<unit>{_UNITS_IN_TEXT})(?![\w/*·])"
    rf"(?P<absolute> absolute)?(?: \(± (?P<half>{_NUMBER})\))?(?P<range>, expected (?P<low>{_NUMBER}) to (?P<high>{_NUMBER}))?"
)


_SYMBOLS = {"degC": "°C", "ohm": "Ω", "Pa m3/s": "Pa·m³/s", "Pa*m3/s": "Pa·m³/s"}
_SYMBOL = re.compile("|".join(map(re.escape, _SYMBOLS)))
_BESIDE = re.compile(r" \([^()]* mbar[ *·]L/s\)")
"""What repeats a leak rate in a unit that US readers do not use."""


def restated(text: str, system: System) -> str:
    """A sentence with its quantities in the reader's units; numbers that share a unit (`± 0.09`, `expected 2.6 to 4.4`) too."""

    def turn(found: re.Match[str]) -> str:
        unit = _SPELLINGS.get(found["unit"], found["unit"])
        shown = _OTHERS[system].get(unit) or (shown_unit(unit, system) if system is System.US and unit in _SI else None)
        if shown is None:
            return _SYMBOL.sub(lambda word: _SYMBOLS[word[0]], found[0])
        sign = found["sign"] or ""
        first = f"{_short(found['first'], shown)}{found['join']}" if found["first"] else ""
        said = f"{sign}{first}{_short(found['value'], shown, spread=bool(sign))} {shown.text}{found['absolute'] or ''}"
        if found["half"]:
            said += f" (± {_short(found['half'], shown, spread=True)})"
        if found["range"]:
            said += f", expected {_short(found['low'], shown)} to {_short(found['high'], shown)}"
        return said

    return _QUANTITY.sub(turn, text if system is System.SI else _BESIDE.sub("", text))


def _short(number_text: str, shown: Shown, *, spread: bool = False) -> str:
    """Three digits; a spread of temperatures has no zero to move."""
    value = float(number_text.replace("−", "-"))
    turned = shown.of(value) - (shown.of(0.0) if spread else 0.0)
    return f"{float(f'{turned:.3g}'):g}" if abs(turned) < 1000 else f"{float(f'{turned:.4g}'):g}"
