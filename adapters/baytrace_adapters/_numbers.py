"""Numbers and words as instruments print them. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from enum import StrEnum

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality
from baytrace.measure.roles import Quantity
from baytrace.measure.units import Unit, parse_unit

_NUMBER = re.compile(r"[+-]?\s*(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)
SCPI_INFINITY, SCPI_NAN = 9.9e37, 9.91e37
"""SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: numbers that stand for infinity and for not-a-number (clauses from memory)."""


class Meaning(StrEnum):
    """What a word beside or instead of a number says about it."""

    GOOD = "good"
    SUSPECT = "suspect"
    OVER_RANGE = "over range"
    UNDER_RANGE = "under range"
    NO_VALUE = "no value"
    IGNORE = "ignore"


class Unreadable(Exception):
    """A frame that is not what was agreed; the text says why in a few words."""


QUALITY = {
    Meaning.GOOD: Quality.GOOD,
    Meaning.SUSPECT: Quality.SUSPECT,
    Meaning.OVER_RANGE: Quality.OVER_RANGE,
    Meaning.UNDER_RANGE: Quality.UNDER_RANGE,
    Meaning.NO_VALUE: Quality.NOT_A_NUMBER,
    Meaning.IGNORE: Quality.GOOD,
}


def number(text: str, decimal: str = ".") -> float:
    """A finite number in plain or exponent notation, a blank after the sign allowed (scales). Raises Unreadable."""
    plain = text.strip()
    if decimal == ",":
        plain = plain.replace(".", "\0").replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        raise Unreadable(f"{text.strip()[:40]!r} is no number")
    value = float(plain.replace(" ", "").replace("\t", ""))
    if math.isinf(value):
        raise Unreadable(f"{text.strip()[:40]!r} is beyond any number")
    return value


def measures_resistance(unit: str) -> bool:
    found = _unit(unit)
    return found is not None and found.quantity is Quantity.RESISTANCE


def marked(meaning: Meaning, *, resistance: bool) -> tuple[float, int]:
    """Value and quality where a word stands instead of the number.

    A resistance over range is an open circuit: inf, and usable as such.
    """
    if meaning is Meaning.OVER_RANGE:
        return math.inf, int(Quality.OVER_RANGE | (Quality.OPEN_CIRCUIT if resistance else 0))
    if meaning is Meaning.UNDER_RANGE:
        return -math.inf, int(Quality.UNDER_RANGE)
    return math.nan, int(Quality.NOT_A_NUMBER)


def scpi_value(value: float, *, resistance: bool) -> tuple[float, int]:
    """Value and quality of an SCPI number: 9.9E37 is over range, -9.9E37 under range, 9.91E37 not a number."""
    if math.isclose(value, SCPI_NAN, rel_tol=1e-6):
        return math.nan, int(Quality.NOT_A_NUMBER)
    if value >= SCPI_INFINITY * (1.0 - 1e-6):
        return marked(Meaning.OVER_RANGE, resistance=resistance)
    if value <= -SCPI_INFINITY * (1.0 - 1e-6):
        return marked(Meaning.UNDER_RANGE, resistance=resistance)
    return value, 0


def _unit(text: str) -> Unit | None:
    try:
        return parse_unit(text)
    except BadInput:
        return None


def same_unit(heard: str, declared: str, spellings: Mapping[str, str] | None = None) -> bool:
    """Whether the unit that came with a number is the channel's; `spellings` says what the instrument's own words mean.

    What a pressure counts from (gauge, absolute) is the channel's to say: instruments rarely print it.
    """
    heard = (spellings or {}).get(heard.strip(), heard).strip()
    if heard == declared.strip():
        return True
    one, other = _unit(heard), _unit(declared)
    return (
        one is not None
        and other is not None
        and one.quantity is other.quantity
        and one.offset == other.offset
        and math.isclose(abs(one.scale), abs(other.scale), rel_tol=1e-6)
    )
