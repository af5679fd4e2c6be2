"""SenML packs in JSON (RFC 8428) into raw readings. Pure.

Theory: a pack is an array of records. Base fields (bn bt bu bv bs bver) hold from the record they stand in onwards. A record
resolves to name = bn + n, unit = u or else bu, time = bt + t, value = bv + v. A time below 2**28 s counts from now (section
4.5.3), any other from 1970 (UTC). A label that ends in `_` must be understood or the pack is refused (4.4); a version above
10 likewise.

Speed: packs repeat the same few names and units, so what (base name, name, unit) means is looked up once and kept. In the
usual pack only the first record holds base fields, which the count of `"b` in the text tells without a look at each record;
such a pack is read by columns. Both ways must give the same readings (a property test holds them to it).

Limits: only numbers (`v`) become readings; strings, booleans, data and sums are left out and counted. A relative time is
taken from the arrival stamp, with no claim of better; an absolute one is the publisher's own (`SOURCE_TIME`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import repeat
from typing import Any, NamedTuple

from baytrace.measure.reading import Quality, Raw
from baytrace_adapters._json_text import document_of
from baytrace_adapters._numbers import Unreadable, measures_resistance, same_unit, scpi_value

_ABSOLUTE_FROM_S = 2.0**28
_NEWEST_VERSION = 10
_FURTHEST_NS = 1 << 63
"""Nanoseconds are kept in 64 bits."""
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
        if isinstance(record.get("bt"), bool) or isinstance(record.get("bv"), bool):
            raise Unreadable("a base time or base value is no number")
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
        self._known: dict[tuple[str, str], dict[str, str]] = {}
        self._kept = 0

    def read(self, payload: bytes, wall_ns: int, mono_ns: int) -> Pack:
        """Raises Unreadable for what is no pack; a fault in one record refuses the pack, as a damaged text is not to be trusted."""
        records = document_of(payload)
        if not isinstance(records, list) or {*map(type, records)} != {dict}:
            raise Unreadable("is no SenML pack (a JSON array of objects)")
        if b'_":' in payload or b"\\" in payload or b'_" ' in payload:
            _refuse_unknown(records)
        first = sum(1 for label in records[0] if label[:1] == "b")
        try:
            if b"\\" not in payload and b'"u"' not in payload and payload.count(b'"b') == first:
                pack = self._read_even(records, wall_ns, mono_ns)
                if pack is not None:
                    return self._judged(pack)
            return self._judged(self._read(records, wall_ns, mono_ns))
        except (TypeError, ValueError, OverflowError, AttributeError) as error:
            raise Unreadable(f"is no SenML pack ({error})") from None

    def _read_even(self, records: Sequence[Mapping[str, Any]], wall_ns: int, mono_ns: int) -> Pack | None:
        """The usual pack, by columns: base fields in the first record only, then a number in each. None for any other."""
        pack, base = Pack(), _Base()
        base.take(records[0])
        if "v" not in records[0] and "n" not in records[0]:
            records = records[1:]
        try:
            names = [record["n"] for record in records]
            values = [record["v"] for record in records]
        except KeyError:
            return None
        times = [record.get("t", 0.0) for record in records]
        if not {*map(type, values), *map(type, times)} <= {int, float} or not times:
            return None
        absolute = base.time_s + min(times) >= _ABSOLUTE_FROM_S
        if not absolute and base.time_s + max(times) >= _ABSOLUTE_FROM_S:
            return None
        channels = list(map(self._names(base.name, base.unit).get, names))
        if None in channels:
            channels = [self._channel(base, name, base.unit, pack) for name in names]
        stamps = [base.time_ns + round(t * 1e9) for t in times]
        if absolute:
            walls, monos, quality = stamps, [mono_ns] * len(stamps), _SOURCE_TIME
        else:
            walls, monos, quality = [wall_ns + ns for ns in stamps], [mono_ns + ns for ns in stamps], 0
        shift = base.value
        rows = zip(channels, [value + shift for value in values], walls, monos, repeat(quality), strict=False)
        pack.raws = list(map(Raw._make, rows))
        if "" in channels:
            pack.raws = [raw for raw in pack.raws if raw.channel]
            pack.others = channels.count("")
        pack.timed = absolute
        return pack

    def _read(self, records: Sequence[Mapping[str, Any]], wall_ns: int, mono_ns: int) -> Pack:
        """Any pack, record by record."""
        pack, base = Pack(), _Base()
        for record in records:
            base.take(record)
            name = record.get("n", "")
            value = record.get("v")
            if value is None and "n" not in record and record is records[0]:
                continue
            channel = self._channel(base, name, record.get("u", base.unit), pack)
            if not channel or value is None:
                pack.others += 1
                continue
            if type(value) is not float and type(value) is not int:
                raise Unreadable(f"value {value!r} of {base.name}{name} is no number")
            stamp = _stamp(base, record.get("t", 0.0), wall_ns, mono_ns)
            pack.timed = pack.timed and bool(stamp[2])
            pack.raws.append(Raw(channel, base.value + value, *stamp))
        return pack

    def _names(self, base: str, unit: str) -> dict[str, str]:
        """What is known of the names under a base name and a unit."""
        if len(self._known) > self._MOST_KEPT:
            self._known.clear()
        return self._known.setdefault((base, unit), {})

    def _channel(self, base: _Base, name: str, unit: str, pack: Pack) -> str:
        """The channel a name under a base means; '' for none."""
        names = self._names(base.name, unit)
        channel = names.get(name)
        if channel is None:
            channel = self._learn(base.name + name, unit, pack)
            if channel is None:
                return ""
            self._kept += 1
            if self._kept > self._MOST_KEPT:
                self._known.clear()
                self._kept = 0
            names[name] = channel
        return channel

    def _learn(self, name: str, unit: str, pack: Pack) -> str | None:
        """The channel a full name means, '' when no channel asks for it, None (and a complaint) when it is wrong."""
        wanted = self._wanted.get(name)
        if wanted is None:
            if name and _NAME.fullmatch(name):
                return ""
            pack.complaints.append(f"{name[:60]!r} is no SenML name")
            return None
        if unit and not same_unit(unit, wanted.unit, _UNITS):
            pack.complaints.append(f"unit {unit[:20]!r} of {name} where {wanted.channel} has {wanted.unit!r}")
            return None
        return wanted.channel

    def _judged(self, pack: Pack) -> Pack:
        """A publisher may pass a meter's 9.9E37 on. Raises Unreadable for a number or a time too large to hold."""
        for index, raw in enumerate(pack.raws):
            if not 0 <= raw.wall_ns < _FURTHEST_NS:
                raise Unreadable(f"time of {raw.channel} is beyond any calendar (SenML counts seconds)")
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
