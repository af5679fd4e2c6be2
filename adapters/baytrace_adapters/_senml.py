"""SenML packs in JSON (RFC 8428) into raw readings. Pure.

Theory: a pack is an array of records. Base fields (bn bt bu bv bs bver) hold from the record they stand in onwards. A record
resolves to name = bn + n, unit = u or else bu, time = bt + t, value = bv + v. A time below 2**28 s counts from now (section
4.5.3), any other from 1970 (UTC). A label that ends in `_` must be understood or the pack is refused (4.4); a version above
10 likewise.

Speed: packs repeat the same few names and units, so what (base name, name, unit) means is looked up once and kept; and in
the usual pack only the first record holds base fields, which the count of `"b` in the text tells without a look at each.

Limits: only numbers (`v`) become readings; strings, booleans, data and sums are left out and counted. A relative time is
taken from the arrival stamp, with no claim of better; an absolute one is the publisher's own (`SOURCE_TIME`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from baytrace.measure.reading import Quality, Raw
from baytrace_adapters._json_text import document_of
from baytrace_adapters._numbers import Unreadable, measures_resistance, same_unit, scpi_value

_ABSOLUTE_FROM_S = 2.0**28
_NEWEST_VERSION = 10
_SOURCE_TIME = int(Quality.SOURCE_TIME)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_UNITS = {
    "Cel": "degC",
    "[degF]": "degF",
    "Ohm": "ohm",
    "%RH": "%RH",
    "/100": "%",
    "/": "1",
    "[psi]": "psi",
    "[in_i'Hg]": "inHg",
    "mm[Hg]": "mmHg",
    "um[Hg]": "micron",
    "[oz_av]": "oz",
    "[lb_av]": "lb",
    "mOhm": "mohm",
    "kOhm": "kohm",
    "MOhm": "Mohm",
}
"""SenML unit names (RFC 8428, 12.1; RFC 8798) and UCUM codes whose spelling differs from the trade's here."""


class Wanted(NamedTuple):
    """A channel a pack may hold, by its full SenML name."""

    channel: str
    unit: str


@dataclass
class Pack:
    """What a pack gave. `timed`: every reading carries the publisher's own absolute time."""

    raws: list[Raw] = field(default_factory=list)
    timed: bool = True
    others: int = 0
    """Records of names no channel asked for, or without a number."""
    complaints: list[str] = field(default_factory=list)


class _Base:
    """Base fields as they stand at one record."""

    __slots__ = ("name", "time_ns", "time_s", "unit", "value")

    def __init__(self) -> None:
        self.name, self.unit = "", ""
        self.time_s, self.time_ns, self.value = 0.0, 0, 0.0

    def take(self, record: Mapping[str, Any]) -> None:
        if record.get("bver", _NEWEST_VERSION) > _NEWEST_VERSION:
            raise Unreadable(f"SenML version {record['bver']} is newer than {_NEWEST_VERSION}")
        self.name = record.get("bn", self.name)
        self.unit = record.get("bu", self.unit)
        if "bt" in record:
            self.time_s = record["bt"]
            self.time_ns = round(self.time_s * 1e9)
        if "bv" in record:
            self.value = float(record["bv"])


class PackReader:
    """Reads the packs of one topic. Build it once; it learns the names and units it meets."""

    _MOST_KEPT = 4096

    def __init__(self, wanted: Mapping[str, Wanted]) -> None:
        self._wanted = wanted
        self._known: dict[tuple[str, str, str], str] = {}

    def read(self, payload: bytes, wall_ns: int, mono_ns: int) -> Pack:
        """Raises Unreadable for what is no pack; a fault in one record refuses the pack, as a damaged text is not to be trusted."""
        records = document_of(payload)
        if not isinstance(records, list) or not records or not all(type(record) is dict for record in records):
            raise Unreadable("is no SenML pack (a JSON array of objects)")
        if b'_":' in payload or b"\\" in payload or b'_" ' in payload:
            _refuse_unknown(records)
        first = sum(1 for label in records[0] if label[:1] == "b")
        try:
            if b"\\" not in payload and payload.count(b'"b') == first:
                return self._read(records, wall_ns, mono_ns, based=False)
            return self._read(records, wall_ns, mono_ns, based=True)
        except (TypeError, ValueError, OverflowError, AttributeError) as error:
            raise Unreadable(f"is no SenML pack ({error})") from None

    def _read(self, records: Sequence[Mapping[str, Any]], wall_ns: int, mono_ns: int, *, based: bool) -> Pack:
        pack, base, known = Pack(), _Base(), self._known
        base.take(records[0])
        bn, bu, bv = base.name, base.unit, base.value
        make, append = Raw._make, pack.raws.append
        stamps: dict[float, tuple[int, int, int]] = {}
        for record in records:
            get = record.get
            if based:
                base.take(record)
                if (base.name, base.unit, base.value) != (bn, bu, bv):
                    bn, bu, bv = base.name, base.unit, base.value
                if "bt" in record:
                    stamps.clear()
            key = (bn, get("n", ""), get("u", bu))
            channel = known.get(key)
            if channel is None:
                channel = self._learn(key, pack)
            value = get("v")
            if not channel or value is None:
                pack.others += 1
                continue
            if value.__class__ is not float and value.__class__ is not int:
                raise Unreadable(f"value {value!r} of {key[0]}{key[1]} is no number")
            t = get("t", 0.0)
            stamp = stamps.get(t)
            if stamp is None:
                stamp = stamps[t] = _stamp(base, t, wall_ns, mono_ns)
            append(make((channel, bv + value, *stamp)))
        pack.timed = all(stamp[2] for stamp in stamps.values())
        return self._judged(pack)

    def _learn(self, key: tuple[str, str, str], pack: Pack) -> str:
        """The channel a (base name, name, unit) means; '' for none."""
        name = key[0] + key[1]
        wanted = self._wanted.get(name)
        channel = ""
        if wanted is not None:
            if key[2] and not same_unit(key[2], wanted.unit, _UNITS):
                pack.complaints.append(f"unit {key[2][:20]!r} of {name} where {wanted.channel} has {wanted.unit!r}")
                return ""
            channel = wanted.channel
        elif not name or not _NAME.fullmatch(name):
            pack.complaints.append(f"{name[:60]!r} is no SenML name")
            return ""
        if len(self._known) >= self._MOST_KEPT:
            self._known.clear()
        self._known[key] = channel
        return channel

    def _judged(self, pack: Pack) -> Pack:
        """A publisher may pass a meter's 9.9E37 on. Raises Unreadable for a number too large to hold."""
        for index, raw in enumerate(pack.raws):
            if not -9e37 < raw.value < 9e37:
                if math.isinf(raw.value):
                    raise Unreadable(f"value of {raw.channel} is beyond any measure")
                unit = next(wanted.unit for wanted in self._wanted.values() if wanted.channel == raw.channel)
                value, quality = scpi_value(raw.value, resistance=measures_resistance(unit))
                pack.raws[index] = raw._replace(value=value, quality=raw.quality | quality)
        return pack


def _stamp(base: _Base, t: float, wall_ns: int, mono_ns: int) -> tuple[int, int, int]:
    """Wall ns, monotonic ns and quality of a record's time."""
    if isinstance(t, bool) or not isinstance(t, int | float):
        raise Unreadable(f"time {t!r} is no number")
    own_ns = base.time_ns + round(t * 1e9)
    if base.time_s + t >= _ABSOLUTE_FROM_S:
        return own_ns, mono_ns, _SOURCE_TIME
    return wall_ns + own_ns, mono_ns + own_ns, 0


def _refuse_unknown(records: Sequence[Mapping[str, Any]]) -> None:
    for record in records:
        for label in record:
            if label.endswith("_"):
                raise Unreadable(f"label {label[:40]!r} must be understood, and is not")
