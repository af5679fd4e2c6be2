"""Reads the text of an accuracy, term by term; `measure.accuracy` gives the grammar and the meaning.

Class limits, half-widths in degC at t degC:
- Pt100, IEC 60751:2008/2022, tolerance classes: AA 0.1 + 0.0017 |t|, A 0.15 + 0.002 |t|, B 0.3 + 0.005 |t|, C 0.6 + 0.01 |t|
  (formulas from memory; at 60 degC AA is 0.202 and B 0.6).
- Thermocouples, IEC 60584-1:2013, the greater of both: see `_COUPLES` (from memory). Inside each class's own range only.
- Dial gauges, EN 837-1: the class is a percentage of the span.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Quantity
from baytrace.measure.units import Unit, parse_unit

_N = r"([0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?|\.[0-9]+)"
_BRACKET = r"(?:\s*\(([^()]*)\))?"
_I = re.IGNORECASE
_OF_READING = re.compile(
    rf"{_N}\s*(%|ppm)\s*(?:of\s+|o\.?\s*)?(?:the\s+)?(?:reading|rdg\.?|rd\.?|r\.|measured value|m\.?v\.?|value|indication)",
    _I,
)
_OF_SPAN = re.compile(
    rf"{_N}\s*%\s*(?:of\s+)?(?:the\s+)?(?:full[\s-]*scale(?:\s+output)?|f\.?\s?s\.?o?\.?|span|range){_BRACKET}", _I
)
_COUNTS = re.compile(rf"{_N}\s*(?:counts?|cts?|digits?|dgts?\.?|dig\.?|lsd|d){_BRACKET}", _I)
_PERCENT = re.compile(rf"{_N}\s*%")
_EXPANDED = re.compile(rf"{_N}\s*([^\s()]*)\s*\(\s*k\s*=\s*{_N}\s*\)")
_PLAIN = re.compile(rf"{_N}\s*([^\s()]*(?:\s?(?:vac|RH))?)")
_PT = re.compile(
    r"(?:(?:IEC|EN|DIN)[\s\d-]*)*(?:Pt\s*\d+\s*,?\s*)?(1/\d+\s*)?class\s*(AA|A|B|C)(?:\s*,?\s*Pt\s*\d+)?(?:\s*\(?IEC\s*60751\)?)?",
    _I,
)
_PT_CODE = re.compile(r"(?:IEC\s*60751\s*)?[FW]\s*(0\.1|0\.15|0\.3|0\.6)", _I)
_COUPLE = re.compile(
    r"(?:IEC\s*60584[\s\d-]*)?(?:thermocouple\s*)?(?:type\s*([KNJTE])\s*,?\s*class\s*([123])|class\s*([123])\s*,?\s*type\s*([KNJTE]))",
    _I,
)
_DIAL = re.compile(rf"(?:EN\s*837[\s\d-]*)?class\s*{_N}{_BRACKET}", _I)
_RANGE = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(?:to|\.\.\.?|…|–|-)\s*([+-]?[0-9.]+)\s*(.*)")
_SINGLE = re.compile(rf"{_N}\s*(.*)")

_PT_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}
_PT_CODES = {"0.1": "AA", "0.15": "A", "0.3": "B", "0.6": "C"}
_COUPLES: dict[str, dict[str, tuple[float, float]]] = {
    "K": {"1": (1.5, 0.004), "2": (2.5, 0.0075), "3": (2.5, 0.015)},
    "N": {"1": (1.5, 0.004), "2": (2.5, 0.0075), "3": (2.5, 0.015)},
    "E": {"1": (1.5, 0.004), "2": (2.5, 0.0075), "3": (2.5, 0.015)},
    "J": {"1": (1.5, 0.004), "2": (2.5, 0.0075)},
    "T": {"1": (0.5, 0.004), "2": (1.0, 0.0075), "3": (1.0, 0.015)},
}
_EXAMPLE = "write e.g. '0.5 % of reading + 2 counts (0.01)'"

Triple = tuple[float, float, float]
"""relative, fixed, zero: see `measure.accuracy.Part`."""


@dataclass
class Read:
    """What the text says, in the channel's unit, and the text completed."""

    text: str = ""
    relative: float = 0.0
    fixed: float = 0.0
    standard: float = 0.0
    greatest: list[tuple[Triple, ...]] = field(default_factory=list)


class Reader:
    """Reads texts for one channel: its unit, and its resolution and span in that unit, as far as known."""

    def __init__(self, unit: Unit | None, resolution: float | None, span: float | None) -> None:
        self._unit, self._resolution, self._span = unit, resolution, span

    def read(self, text: str) -> Read:
        """Raises BadInput naming the term."""
        terms = _terms(text)
        counts = any(_COUNTS.fullmatch(term) for term in terms)
        read, written = Read(), []
        for term in terms:
            said = f"{term} of reading" if counts and _PERCENT.fullmatch(term) and not self._humid() else term
            written.append(self._take(said, read))
        read.text = " + ".join(written)
        return read

    def _take(self, term: str, read: Read) -> str:
        """Adds one term; returns it as it should be written."""
        if found := _EXPANDED.fullmatch(term):
            coverage = float(found[3])
            if coverage <= 0.0:
                raise BadInput(f"accuracy term {term!r} has no usable k", right="write e.g. '0.2 K (k=2)'")
            read.standard = (read.standard**2 + (self._width(found[1], found[2], term) / coverage) ** 2) ** 0.5
            return term
        if len(alternatives := re.split(r"\s+or\s+", _without_hint(term))) > 1:
            parts = [self._part(alternative.strip(" ,")) for alternative in alternatives]
            read.greatest.append(tuple(triple for triples, _ in parts for triple in triples))
            return " or ".join(said for _, said in parts)
        triples, said = self._part(term)
        if len(triples) == 1 and triples[0][2] == 0.0:
            read.relative += triples[0][0]
            read.fixed += triples[0][1]
        else:
            read.greatest.append(triples)
        return said

    def _part(self, term: str) -> tuple[tuple[Triple, ...], str]:
        if found := _OF_READING.fullmatch(term):
            return ((float(found[1]) / (100.0 if found[2] == "%" else 1e6), 0.0, 0.0),), term
        if found := _OF_SPAN.fullmatch(term):
            span, said = self._known(found[2], self._span, term, "full scale", "1 % of full scale (35 bar)")
            return ((0.0, float(found[1]) / 100.0 * span, 0.0),), term + said
        if found := _COUNTS.fullmatch(term):
            step, said = self._known(found[2], self._resolution, term, "resolution", "2 counts (0.01)")
            return ((0.0, float(found[1]) * step, 0.0),), term + said
        if classed := self._class(term):
            return classed
        if (found := _PERCENT.fullmatch(term)) and not self._humid():
            raise BadInput(
                f"accuracy term {term!r} does not say of what", right="write '% of reading' or '% of full scale'"
            )
        if found := _PLAIN.fullmatch(term):
            return ((0.0, self._width(found[1], found[2], term), 0.0),), term
        raise BadInput(f"accuracy term {term!r} is not understood", right=_EXAMPLE)

    def _class(self, term: str) -> tuple[tuple[Triple, ...], str] | None:
        if found := _COUPLE.fullmatch(term):
            kind, number = (found[1] or found[4]).upper(), found[2] or found[3]
            if number not in _COUPLES[kind]:
                raise BadInput(f"type {kind} has no class {number}", right=f"it has: {', '.join(_COUPLES[kind])}")
            floor, slope = _COUPLES[kind][number]
            return (self._celsius(0.0, floor, term), self._celsius(slope, 0.0, term)), term
        found = _PT.fullmatch(term)
        if found or (code := _PT_CODE.fullmatch(term)):
            name, share = (found[2].upper(), found[1]) if found else (_PT_CODES[code[1]], None)  # type: ignore[index]
            fixed, slope = _PT_CLASSES[name]
            divisor = float(share.strip()[2:]) if share else 1.0
            if divisor < 1.0:
                raise BadInput(f"accuracy term {term!r} is no part of a class", right="write e.g. '1/3 class B'")
            return (self._celsius(slope / divisor, fixed / divisor, term),), term
        if found := _DIAL.fullmatch(term):
            if self._unit is not None and self._unit.quantity is not Quantity.PRESSURE:
                raise BadInput(
                    f"accuracy term {term!r} is a class of dial gauges",
                    right="for a thermocouple write e.g. 'type K class 2', for a Pt100 'class B'",
                )
            span, said = self._known(found[2], self._span, term, "full scale", "EN 837 class 1.6 (35 bar)")
            return ((0.0, float(found[1]) / 100.0 * span, 0.0),), term + said
        return None

    def _celsius(self, relative: float, fixed: float, term: str) -> Triple:
        """A class limit, written for degC, in the channel's unit."""
        if self._unit is None:
            return relative, fixed, 0.0
        if self._unit.quantity is not Quantity.TEMPERATURE:
            raise BadInput(
                f"accuracy term {term!r} is a class of thermometers", right=f"this channel is in {self._unit.text}"
            )
        return relative, fixed / abs(self._unit.scale), self._unit.from_si(273.15)

    def _width(self, number: str, unit_text: str, term: str) -> float:
        """A half-width in the channel's unit."""
        width = float(number)
        if not unit_text or self._unit is None or self._unit.quantity is Quantity.OTHER:
            return width
        try:
            unit = parse_unit(unit_text)
        except BadInput as error:
            raise BadInput(f"accuracy term {term!r}: {error.what}", right=error.right) from None
        if unit.quantity is not self._unit.quantity:
            raise BadInput(
                f"accuracy term {term!r} is a {unit.quantity}, but the channel is in {self._unit.text}", right=_EXAMPLE
            )
        return unit.difference_to_si(width) / abs(self._unit.scale)

    def _known(self, bracket: str | None, given: float | None, term: str, what: str, right: str) -> tuple[float, str]:
        """A range or a step from its bracket or from the channel, and what the text lacks."""
        if bracket is None:
            if given is None:
                raise BadInput(f"accuracy term {term!r} needs the {what}", right=f"write it behind, as '{right}'")
            unit = f" {self._unit.text}" if self._unit is not None and self._unit.quantity is not Quantity.OTHER else ""
            return abs(given), f" ({abs(given):.12g}{unit})"
        inner = bracket.strip()
        if found := _RANGE.fullmatch(inner):
            try:
                low, high = float(found[1]), float(found[2])
            except ValueError:
                raise BadInput(f"accuracy term {term!r}: {inner!r} is no range", right=f"write '{right}'") from None
            return self._width(str(max(high - low, high)), found[3].strip(), term), ""
        if found := _SINGLE.fullmatch(inner):
            return self._width(found[1], found[2].strip(), term), ""
        raise BadInput(f"accuracy term {term!r}: {inner!r} is no {what}", right=f"write '{right}'")

    def _humid(self) -> bool:
        return self._unit is not None and self._unit.quantity is Quantity.HUMIDITY


def _without_hint(term: str) -> str:
    return re.sub(r"[\s,(]*whichever is (?:the )?(?:greater|larger)\)?", "", term, flags=_I)


def _terms(text: str) -> list[str]:
    """Terms between the pluses that stand outside brackets and exponents."""
    plain = re.sub(r"\+\s*/\s*-|±|\+-", "", re.sub(r"%\s+RH\b", "%RH", text))
    plain = re.sub(r"(?<=\d),(?=\d{1,2}(?!\d))", ".", plain).strip()
    while plain.startswith("(") and plain.endswith(")") and ")" not in plain[1:-1].split("(", 1)[0]:
        plain = plain[1:-1].strip()
    terms, depth, current = [], 0, ""
    for index, letter in enumerate(plain):
        depth += (letter == "(") - (letter == ")")
        exponent = re.search(r"\d[eE]$", plain[:index]) is not None
        if letter == "+" and depth == 0 and not exponent:
            terms.append(current)
            current = ""
        else:
            current += letter
    terms.append(current)
    if plain and not all(term.strip() for term in terms):
        raise BadInput(f"accuracy {text!r} has an empty term", right=_EXAMPLE)
    return [" ".join(term.split()) for term in terms if term.strip()]
