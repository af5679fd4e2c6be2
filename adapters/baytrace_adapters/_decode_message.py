"""The payload of one MQTT message into raw readings, for the channels that listen to its topic. Pure.

Three formats: a plain number (with its unit or without), a JSON document with pointers, a SenML pack. A message none of
whose channels could be read is unreadable; where some could, the others' complaints come along.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

from baytrace.measure.faults import BadInput
from baytrace.measure.instant import parse_instant
from baytrace.measure.reading import Quality, Raw
from baytrace_adapters._decode_line import Grammar, LineDecoder, Place
from baytrace_adapters._json_pointer import NotThere, at_pointer, parse_pointer
from baytrace_adapters._json_text import document_of
from baytrace_adapters._numbers import Meaning, Unreadable, measures_resistance, number, same_unit, scpi_value
from baytrace_adapters._senml import PackReader, Wanted

WORDS = {
    "OL": Meaning.OVER_RANGE,
    "nan": Meaning.NO_VALUE,
    "NaN": Meaning.NO_VALUE,
    "null": Meaning.NO_VALUE,
    "unavailable": Meaning.NO_VALUE,
    "unknown": Meaning.NO_VALUE,
}


class Format(StrEnum):
    NUMBER = "number"
    JSON = "json"
    SENML = "senml"


class TimeUnit(StrEnum):
    """What a time given as a number counts since 1970 (UTC)."""

    S = "s"
    MS = "ms"
    US = "us"
    NS = "ns"

    @property
    def ns(self) -> int:
        return {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}[self.value]


class Listener(NamedTuple):
    """A channel and where it stands in the payloads of its topic."""

    channel: str
    unit: str
    format: Format
    pointer: str = ""
    time_pointer: str = ""
    unit_pointer: str = ""
    time_unit: TimeUnit = TimeUnit.S
    senml_name: str = ""


@dataclass
class Heard:
    """What a message gave. `timed`: all readings carry the publisher's own time."""

    raws: list[Raw] = field(default_factory=list)
    timed: bool = True
    complaints: list[str] = field(default_factory=list)
    others: int = 0


class MessageReader:
    """For one topic; built once, fed every payload."""

    def __init__(self, listeners: Sequence[Listener]) -> None:
        self._numbers = [
            (
                listener.channel,
                LineDecoder(Grammar([Place(listener.channel, listener.unit)], words=WORDS, encoding="utf-8")),
            )
            for listener in listeners
            if listener.format is Format.NUMBER
        ]
        self._fields = [_Field(listener) for listener in listeners if listener.format is Format.JSON]
        packs = {one.senml_name: Wanted(one.channel, one.unit) for one in listeners if one.format is Format.SENML}
        self._packs = PackReader(packs) if packs else None

    def read(self, payload: bytes, wall_ns: int, mono_ns: int) -> Heard:
        """Raises Unreadable when nothing could be read."""
        heard = Heard()
        if self._numbers:
            self._read_numbers(payload, wall_ns, mono_ns, heard)
        if self._fields:
            self._read_fields(payload, wall_ns, mono_ns, heard)
        if self._packs is not None:
            pack = self._packs.read(payload, wall_ns, mono_ns)
            heard.raws += pack.raws
            heard.timed = heard.timed and pack.timed
            heard.complaints += pack.complaints
            heard.others += pack.others
        if not heard.raws:
            raise Unreadable("; ".join(heard.complaints[:3]) or "holds no value of these channels")
        return heard

    def _read_numbers(self, payload: bytes, wall_ns: int, mono_ns: int, heard: Heard) -> None:
        heard.timed = False
        for channel, decoder in self._numbers:
            try:
                values = decoder.decode(payload) or []
            except Unreadable as error:
                heard.complaints.append(f"{channel}: {error}")
                continue
            heard.raws += [Raw(channel, value, wall_ns, mono_ns, quality) for _, value, quality in values]

    def _read_fields(self, payload: bytes, wall_ns: int, mono_ns: int, heard: Heard) -> None:
        document = document_of(payload)
        for one in self._fields:
            try:
                raw = one.read(document, wall_ns, mono_ns)
            except Unreadable as error:
                heard.complaints.append(f"{one.channel}: {error}")
                continue
            heard.timed = heard.timed and bool(raw.quality & Quality.SOURCE_TIME)
            heard.raws.append(raw)


class _Field:
    """One channel in a JSON document."""

    def __init__(self, listener: Listener) -> None:
        self.channel, self._unit = listener.channel, listener.unit
        self._pointer = parse_pointer(listener.pointer)
        self._time = parse_pointer(listener.time_pointer) if listener.time_pointer else None
        self._unit_at = parse_pointer(listener.unit_pointer) if listener.unit_pointer else None
        self._tick_ns = listener.time_unit.ns
        self._resistance = measures_resistance(listener.unit)
        self._where = listener.pointer

    def read(self, document: Any, wall_ns: int, mono_ns: int) -> Raw:
        try:
            value, quality = self._value(at_pointer(document, self._pointer))
        except NotThere:
            raise Unreadable(f"has nothing at {self._where!r}") from None
        self._check_unit(document)
        if self._time is not None:
            try:
                wall_ns = self._instant(at_pointer(document, self._time))
            except NotThere:
                raise Unreadable("has no time where it should be") from None
            quality |= Quality.SOURCE_TIME
        return Raw(self.channel, value, wall_ns, mono_ns, int(quality))

    def _value(self, found: Any) -> tuple[float, int]:
        if found is None or (isinstance(found, str) and found in WORDS and WORDS[found] is Meaning.NO_VALUE):
            return math.nan, int(Quality.NOT_A_NUMBER)
        if isinstance(found, bool) or not isinstance(found, int | float | str):
            raise Unreadable(f"{str(found)[:40]!r} is no number")
        try:
            value = number(found) if isinstance(found, str) else float(found)
        except OverflowError:
            raise Unreadable("a number beyond any measure") from None
        if math.isinf(value):
            raise Unreadable("a number beyond any measure")
        return scpi_value(value, resistance=self._resistance)

    def _check_unit(self, document: Any) -> None:
        if self._unit_at is None:
            return
        try:
            unit = at_pointer(document, self._unit_at)
        except NotThere:
            raise Unreadable("has no unit where it should be") from None
        if not isinstance(unit, str) or not same_unit(unit, self._unit):
            raise Unreadable(f"unit {str(unit)[:20]!r} where {self._unit!r} is declared")

    def _instant(self, found: Any) -> int:
        if isinstance(found, str):
            try:
                return parse_instant(found)
            except BadInput as error:
                raise Unreadable(error.what) from None
        if isinstance(found, bool) or not isinstance(found, int | float):
            raise Unreadable(f"time {str(found)[:40]!r} is no instant")
        if isinstance(found, int):
            ns = found * self._tick_ns
        elif abs(found) < 1e19:
            whole, rest = divmod(found, 1.0)  # apart, so that the fraction keeps its digits
            ns = int(whole) * self._tick_ns + round(rest * self._tick_ns)
        else:
            raise Unreadable("time is beyond any calendar")
        if not 0 <= ns < 1 << 63:
            raise Unreadable("time is beyond any calendar")
        return ns
