"""A line of text into values. Pure; the rules are fixed when it is built.

Three ways to find the numbers, the first that is set:
- `pattern`, a regular expression over the whole line, with a group per channel;
- `separator` and a `field` per channel, counted from 0 (negative from the end);
- neither: the line is one number, with its unit or nothing after it.

A line gives all its channels or none: one unreadable number makes the whole line unreadable, because a line that was
damaged in one place cannot be trusted in another. Without a checksum a line whose digits were changed on the wire into
other digits is not noticed; only its shape and unit are checked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from baytrace_adapters._checksum import Checksum
from baytrace_adapters._numbers import QUALITY, Meaning, Unreadable, marked, measures_resistance, number, same_unit
from baytrace_adapters._patterns import Pattern

_PLAIN = re.compile(r"(?P<value>[+-]?\s*[0-9.,]+(?:[eE][+-]?[0-9]+)?)\s*(?P<unit>[^\d\s].*)?", re.ASCII)


class Value(NamedTuple):
    """One number for one channel (index into the channels given), in the instrument's unit."""

    channel: int
    value: float
    quality: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a channel stands in a line, and what is expected of it there."""

    name: str
    unit: str
    group: str = ""
    field: int | None = None


@dataclass(frozen=True)
class Grammar:
    """How the lines of one instrument are written; see the settings of the `line` adapter for each key."""

    places: Sequence[Place]
    pattern: Pattern | None = None
    separator: str = ""
    unit_field: int | None = None
    flag_field: int | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Meaning] = field(default_factory=dict)
    ignore: Pattern | None = None
    decimal: str = "."
    encoding: str = "latin-1"
    checksum: Checksum = Checksum.NONE
    checksum_start: str = ""
    checksum_separator: str = ""


class BadChecksum(Unreadable):
    """The line was damaged on the wire."""


class LineDecoder:
    def __init__(self, grammar: Grammar) -> None:
        self._grammar = grammar
        self._resistance = [measures_resistance(place.unit) for place in grammar.places]
        self._split: Callable[[str], _Parts] = (
            self._by_pattern if grammar.pattern else self._by_field if grammar.separator else self._plain
        )

    def decode(self, line: bytes) -> list[Value] | None:
        """The values of one line; None for a line that is to be ignored. Raises Unreadable."""
        grammar = self._grammar
        payload = self._checked(line) if grammar.checksum is not Checksum.NONE else line
        text = payload.decode(grammar.encoding, errors="replace").strip()
        if grammar.ignore is not None and grammar.ignore.search(text):
            return None
        parts = self._split(text)
        flag = grammar.words.get(parts.flag.strip(), Meaning.GOOD) if parts.flag is not None else Meaning.GOOD
        if flag is Meaning.IGNORE:
            return None
        values = [self._value(index, raw, unit, flag) for index, raw, unit in parts.numbers]
        if not values:
            raise Unreadable("the line holds no value")
        return values

    def _checked(self, line: bytes) -> bytes:
        grammar = self._grammar
        text, start = line.strip(), grammar.checksum_start.encode(grammar.encoding)
        if start:
            if not text.startswith(start):
                raise Unreadable(f"does not begin with {grammar.checksum_start!r}")
            text = text[len(start) :]
        body, given = text[: -grammar.checksum.digits], text[-grammar.checksum.digits :]
        between = grammar.checksum_separator.encode(grammar.encoding)
        if between:
            if not body.endswith(between):
                raise Unreadable(f"has no {grammar.checksum_separator!r} before its checksum")
            body = body[: -len(between)]
        if not re.fullmatch(rb"[0-9A-Fa-f]+", given) or len(given) != grammar.checksum.digits:
            raise Unreadable("has no checksum at its end")
        if int(given, 16) != grammar.checksum.of(body):
            raise BadChecksum(f"bad checksum {given.decode()}, reckoned {grammar.checksum.of(body):0{len(given)}X}")
        return body

    def _value(self, index: int, raw: str, unit: str | None, flag: Meaning) -> Value:
        grammar, place = self._grammar, self._grammar.places[index]
        word = grammar.words.get(raw.strip())
        if word is not None:
            return Value(index, *marked(word, resistance=self._resistance[index]))
        if unit is not None and unit.strip() and not same_unit(unit, place.unit, grammar.units):
            raise Unreadable(f"unit {unit.strip()[:20]!r} where {place.name} has {place.unit!r}")
        if flag in (Meaning.OVER_RANGE, Meaning.UNDER_RANGE, Meaning.NO_VALUE):
            return Value(index, *marked(flag, resistance=self._resistance[index]))
        return Value(index, number(raw, grammar.decimal), int(QUALITY[flag]))

    def _by_pattern(self, text: str) -> _Parts:
        assert self._grammar.pattern is not None
        found = self._grammar.pattern.fullmatch(text)
        if found is None:
            raise Unreadable("does not match the pattern")
        groups = found.groupdict()
        unit = groups.get("unit")
        numbers = []
        for index, place in enumerate(self._grammar.places):
            raw = groups.get(place.group) if place.group else found[1]
            if raw is not None:
                own = groups.get(f"{place.group}_unit", unit)
                numbers.append((index, raw, own))
        return _Parts(numbers, groups.get("flag"))

    def _by_field(self, text: str) -> _Parts:
        grammar = self._grammar
        fields = (
            text.split() if grammar.separator.isspace() and grammar.separator != "\t" else text.split(grammar.separator)
        )

        def at(place: int | None) -> str | None:
            if place is None:
                return None
            try:
                return fields[place]
            except IndexError:
                raise Unreadable(f"has {len(fields)} fields, none at {place}") from None

        unit = at(grammar.unit_field)
        numbers = [(index, at(place.field or 0) or "", unit) for index, place in enumerate(grammar.places)]
        return _Parts(numbers, at(grammar.flag_field))

    def _plain(self, text: str) -> _Parts:
        if text in self._grammar.words:
            return _Parts([(0, text, None)], None)
        found = _PLAIN.fullmatch(text)
        if found is None:
            raise Unreadable("is no number with a unit")
        return _Parts([(0, found["value"], found["unit"])], None)


class _Parts(NamedTuple):
    numbers: list[tuple[int, str, str | None]]
    flag: str | None
