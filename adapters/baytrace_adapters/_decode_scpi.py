"""Answers of SCPI meters into values, identities and errors. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from baytrace_adapters._numbers import Meaning, Unreadable, marked, measures_resistance, number, same_unit, scpi_value

_WITH_UNIT = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµΩ°%][^,]*)?", re.ASCII)
_WORDS = {
    "OL": Meaning.OVER_RANGE,
    "O.L": Meaning.OVER_RANGE,
    "OVLD": Meaning.OVER_RANGE,
    "+OVLD": Meaning.OVER_RANGE,
    "INF": Meaning.OVER_RANGE,
    "-INF": Meaning.UNDER_RANGE,
    "NINF": Meaning.UNDER_RANGE,
    "NAN": Meaning.NO_VALUE,
}
_ERROR = re.compile(r'([+-]?\d+)\s*,\s*(?:"((?:[^"]|"")*)"|(.*))', re.ASCII | re.DOTALL)


class Answer(NamedTuple):
    """Where a channel stands in the answer to its query."""

    channel: str
    unit: str
    field: int
    resistance: bool

    @classmethod
    def for_channel(cls, channel: str, unit: str, field: int) -> Answer:
        return cls(channel, unit, field, measures_resistance(unit))


def values_of(line: bytes, answers: Sequence[Answer]) -> list[tuple[float, int]]:
    """Value and quality for each answer, all or none. Raises Unreadable.

    A unit after a number must be the channel's. Special numbers follow SCPI-99 (see `scpi_value`).
    """
    fields = line.decode("latin-1").strip().split(",")
    most = max(answer.field for answer in answers)
    if most >= len(fields):
        raise Unreadable(f"has {len(fields)} numbers, none at {most}")
    return [_value(fields[answer.field].strip(), answer) for answer in answers]


def _value(text: str, answer: Answer) -> tuple[float, int]:
    word = _WORDS.get(text.upper())
    if word is not None:
        return marked(word, resistance=answer.resistance)
    found = _WITH_UNIT.fullmatch(text)
    if found is None:
        raise Unreadable(f"{text[:40]!r} is no number")
    if found[2] and not same_unit(found[2], answer.unit):
        raise Unreadable(f"unit {found[2][:20]!r} where {answer.channel} has {answer.unit!r}")
    return scpi_value(number(found[1]), resistance=answer.resistance)


def identity_facts(line: bytes) -> Mapping[str, str]:
    """The four fields of a `*IDN?` answer (IEEE 488.2, 10.14); missing ones are left out. Raises Unreadable.

    A bare number is no identity: it is a late answer to an earlier query.
    """
    text = line.decode("latin-1").strip()
    fields = [part.strip() for part in text.split(",", 3)]
    try:
        number(fields[0])
    except Unreadable:
        pass
    else:
        raise Unreadable(f"{text[:40]!r} is no identity")
    if not text or not text.isprintable():
        raise Unreadable("is no identity")
    names = ("maker", "model", "serial number", "version")
    return {"identity": text} | {
        name: value for name, value in zip(names, fields, strict=False) if value and value != "0"
    }


def error_entry(line: bytes) -> str | None:
    """An entry of the error queue as `-113 Undefined header`; None for `0,"No error"`. Raises Unreadable."""
    text = line.decode("latin-1").strip()
    found = _ERROR.fullmatch(text)
    if found is None:
        raise Unreadable(f"{text[:40]!r} is no entry of an error queue")
    if int(found[1]) == 0:
        return None
    return f"{int(found[1])} {(found[2] or found[3] or '').strip()}".strip()
