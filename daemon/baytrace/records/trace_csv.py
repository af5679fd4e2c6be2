"""A recorded trace as CSV, read strictly.

Rules of this file:
- RFC 4180 in UTF-8 (a byte order mark and either line end are accepted), one header line. The first column is `time` (RFC
  3339 instants) or `time [s]` (seconds). Every further column is `role [unit]`; a role that several channels may play can
  repeat, or name them: `role:name [unit]`. `mark` may hold text.
- What cannot be is refused: a temperature below absolute zero, an absolute pressure further below a perfect vacuum than its
  instrument may be off. An exported session is taken as it was recorded.
- An empty cell is no reading. Anything else that is not a number is refused with its line and column, never skipped. A coil
  may read `open`, `OL`, `inf` or 9.9E37 and more (SCPI-99's "beyond the range"): an open circuit.
- Time may stand still between rows, never go back. Within a row the barometer comes first, so that gauge pressures of the
  same instant are made absolute with it; then the mark, then the other columns.
- Accuracies come from the caller, else from the description beside the file (`NAME-metadata.json`, W3C CSV on the Web, as
  an exported session has one), else from the table of defaults. A column without any reading is no channel.
- A file is gone through twice, and never held: first for what its columns hold and how often, then item by item.
"""

from __future__ import annotations

import csv
import difflib
import json
import math
import re
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import parse_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Mark, Quality, Raw, Reading
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.units import Against, unit_for
from baytrace.records.plain_cells import meant
from baytrace.watches.limits_table import limit

OPEN_FROM = 9.9e37
"""SCPI-99, volume 1, 7.2.1.5: what a meter sends for infinity."""
REPEATABLE = frozenset({Role.COIL_RESISTANCE, Role.AUXILIARY})
DESCRIPTION = "-metadata.json"
"""What the description beside a CSV file adds to its name (W3C, Model for Tabular Data and Metadata on the Web, 5.3)."""

_HEADING = re.compile(r"\s*([^\[\]:]+?)\s*(?::\s*([^\[\]]+?)\s*)?(?:\[\s*([^\[\]]*?)\s*\])?\s*")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_OPEN = frozenset({"open", "ol", "o.l", "inf", "+inf", "infinity"})
_MOST_STEPS = 100_000
_MOST_S = Decimal(9_000_000_000)


@dataclass(frozen=True, slots=True)
class Trace:
    """`channels` are those that had readings. `items` are in time order, in SI, pressures absolute; they are read from the file
    anew each time, and raise BadInput where a cell cannot be. `assumed` are channels whose accuracy nobody said.
    """

    channels: list[Channel]
    items: Iterable[Reading | Mark]
    assumed: Sequence[Channel] = ()


class _Column(NamedTuple):
    """`role` is None for the column of marks; `described` is one whose channel the description beside the file tells."""

    place: int
    heading: str
    role: Role | None
    channel: str
    described: bool = False

    def at(self, where: str) -> str:
        return f"{where}, column {self.place + 1} ({self.heading})"


class _Row(NamedTuple):
    line: int
    cells: list[str]


class _Described(NamedTuple):
    """What the description beside a file tells."""

    channels: Mapping[str, Channel]
    elevation_m: float | None


class _Header(NamedTuple):
    width: int
    seconds: bool
    columns: list[_Column]
    channels: list[Channel]


def read_trace(path: Path, *, elevation_m: float | None = None, accuracies: Mapping[str, str] | None = None) -> Trace:
    """The trace in a CSV file. `accuracies` is text by role or channel name.

    Raises BadInput, one line that names file, line and column; for a cell, when the items come to it.
    """
    kept = None if path.is_file() else list(_rows(path))  # a pipe is read once
    rows = _rows(path) if kept is None else iter(kept)
    head = next(rows, None)
    if head is None:
        raise BadInput("the file is empty", where=str(path), right="a trace has a header line and rows")
    known = _described(path)
    header = _header(head.cells, f"{path}, line 1", accuracies or {}, known)
    paces = _paces(rows, path, header)
    if not any(pace.heard for pace in paces.values()):
        raise BadInput("the trace holds no reading", where=str(path), right="give at least one row with a number")
    described = list(known.channels.values())
    heard = [
        channel if channel in described else replace(channel, period_s=paces[channel.name].period_s())
        for channel in header.channels
        if paces[channel.name].heard
    ]
    said = set(accuracies or ()) | set(known.channels)
    assumed = [channel for channel in heard if not {channel.name, str(channel.role)} & said]
    items = _Items(path, kept, header, known.elevation_m if elevation_m is None else elevation_m)
    return Trace(heard, items, assumed)


class _Items:
    """The items of a file; each iteration reads it from its beginning."""

    def __init__(self, path: Path, kept: list[_Row] | None, header: _Header, elevation_m: float | None) -> None:
        self._path, self._kept, self._header, self._elevation_m = path, kept, header, elevation_m

    def __iter__(self) -> Iterator[Reading | Mark]:
        rows = _rows(self._path) if self._kept is None else iter(self._kept)
        next(rows, None)
        return _items(rows, self._path, self._header, Interpreter(self._header.channels, self._elevation_m))


class _Pace:
    """When a channel was heard: how long it usually is from one reading to the next, by the first of them."""

    def __init__(self) -> None:
        self.heard = False
        self._last_ns = 0
        self._steps = array("q")

    def put(self, time_ns: int) -> None:
        if self.heard and time_ns > self._last_ns and len(self._steps) < _MOST_STEPS:
            self._steps.append(time_ns - self._last_ns)
        self.heard, self._last_ns = True, time_ns

    def period_s(self) -> float:
        """1 s where there are too few to tell."""
        return median(self._steps) / 1e9 if self._steps else 1.0


def _paces(rows: Iterator[_Row], path: Path, header: _Header) -> dict[str, _Pace]:
    """By channel; a cell counts as a reading when there is anything in it."""
    paces = {channel.name: _Pace() for channel in header.channels}
    places = [(column.place, paces[column.channel]) for column in header.columns if column.role is not None]
    for _, time_ns, cells in _timed(rows, path, header):
        for place, pace in places:
            if cells[place].strip():
                pace.put(time_ns)
    return paces


def _rows(path: Path) -> Iterator[_Row]:
    """Records with the line each starts on. Blank lines are accepted at the end only."""
    where = str(path)
    try:
        with path.open("r", encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            start, blank = 1, 0
            for cells in reader:
                if any("\0" in cell for cell in cells):
                    raise BadInput("is not a text file", where=where, right="a trace is CSV in UTF-8")
                if not cells:
                    blank = blank or start
                elif blank:
                    raise BadInput("the line is empty", where=f"{where}, line {blank}", right="take it out")
                else:
                    yield _Row(start, cells)
                start = reader.line_num + 1
    except UnicodeDecodeError:
        at = f"{where}, line {line}" if (line := _undecodable(path)) > 1 else where
        raise BadInput("is not a text file in UTF-8", where=at, right="a trace is CSV in UTF-8") from None
    except csv.Error as error:
        if "NUL" in str(error):
            raise BadInput("is not a text file", where=where, right="a trace is CSV in UTF-8") from None
        raise BadInput(f"is no CSV ({error})", where=f"{where}, line {start}", right="see RFC 4180") from None
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror})", where=where, right="give the path of a CSV file") from None


def _undecodable(path: Path) -> int:
    """The first line that is not UTF-8; 0 when none is found."""
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                return number
    return 0


def _header(cells: list[str], where: str, accuracies: Mapping[str, str], known: _Described) -> _Header:
    seconds = _time_heading(cells, where)
    columns: list[_Column] = []
    channels: list[Channel] = []
    played: dict[Role, int] = {}
    for place, heading in enumerate(cells[1:], 1):
        at = f"{where}, column {place + 1}"
        if heading.strip() == "mark":
            columns.append(_Column(place, "mark", None, "mark"))
        else:
            channel = _channel(heading, at, accuracies, known, played)
            channels.append(channel)
            described = channel.name in known.channels
            columns.append(_Column(place, heading.strip(), channel.role, channel.name, described))
        if any(columns[-1].channel == column.channel for column in columns[:-1]):
            raise BadInput(f"{heading.strip()!r} is there twice", where=at, right="one column plays one role")
    if not channels:
        raise BadInput("there is no column of readings", where=where, right="add one, as `system_pressure [micron]`")
    for name in accuracies:
        if name not in {str(channel.role) for channel in channels} | {channel.name for channel in channels}:
            right = f"the trace has: {', '.join(channel.name for channel in channels)}"
            raise BadInput(f"no column plays the role {name!r}", where=f"accuracy.{name}", right=right)
    columns.sort(key=lambda column: (column.role is not Role.BAROMETER, column.role is not None))
    return _Header(len(cells), seconds, columns, channels)


def _time_heading(cells: list[str], where: str) -> bool:
    """Whether times are seconds."""
    first = cells[0].strip()
    if first == "time":
        return False
    if re.fullmatch(r"time\s*\[\s*s\s*\]", first):
        return True
    if len(cells) == 1 and re.search(r"[;\t]", first):
        raise BadInput("the columns are not separated by commas", where=where, right="write RFC 4180 CSV with commas")
    right = "it is `time` with RFC 3339 instants, or `time [s]` with seconds"
    raise BadInput(f"the first column is {first[:60]!r}", where=where, right=right)


def _channel(
    heading: str, where: str, accuracies: Mapping[str, str], known: _Described, played: dict[Role, int]
) -> Channel:
    found = _HEADING.fullmatch(heading)
    if found is None:
        raise BadInput(f"{heading!r} is no heading", where=where, right="write `role [unit]`")
    role_text, own_name, unit_text = found.groups()
    role = _role(role_text, where)
    if not unit_text:
        raise BadInput(f"{heading.strip()!r} names no unit", where=where, right=f"write `{role_text} [unit]`")
    played[role] = played.get(role, 0) + 1
    repeated = played[role] > 1 and role in REPEATABLE
    name = own_name or (f"{role}_{played[role]}" if repeated else str(role))
    said = accuracies.get(name) or accuracies.get(str(role))
    try:
        unit = unit_for(role, unit_text)
        described = known.channels.get(name)
        if described is not None and (described.role, described.unit) == (role, unit):
            return replace(described, accuracy=Accuracy.parse(said, unit=unit), assumed=False) if said else described
    except BadInput as error:
        raise BadInput(error.what, where=where, right=error.right) from None
    try:
        default = "0" if role is Role.AUXILIARY else limit(f"instruments.{role}")
        return Channel(name, role, unit, Accuracy.parse(said or default, unit=unit))
    except BadInput as error:
        raise BadInput(error.what, where=f"accuracy.{name}", right=error.right) from None


def _role(name: str, where: str) -> Role:
    try:
        return Role(name)
    except ValueError:
        near = difflib.get_close_matches(name, [str(role) for role in Role], n=1)
        right = f"did you mean {near[0]!r}?" if near else f"roles: {', '.join(Role)}"
        raise BadInput(f"{name!r} is no role", where=where, right=right) from None


def _timed(rows: Iterator[_Row], path: Path, header: _Header) -> Iterator[tuple[str, int, list[str]]]:
    """Where a row stands, its instant (UTC ns) and its cells. Raises BadInput."""
    last: int | None = None
    for row in rows:
        where = f"{path}, line {row.line}"
        if len(row.cells) != header.width:
            right = "an empty cell is no reading; a comma inside text needs quotes"
            raise BadInput(f"has {len(row.cells)} cells, the header has {header.width}", where=where, right=right)
        time_ns = _time_ns(row.cells[0].strip(), header.seconds, f"{where}, column 1 (time)")
        if last is not None and time_ns < last:
            back = f"time goes back by {(last - time_ns) / 1e9:g} s"
            raise BadInput(back, where=f"{where}, column 1 (time)", right="rows stand in time order")
        last = time_ns
        yield where, time_ns, row.cells


def _items(rows: Iterator[_Row], path: Path, header: _Header, interpreter: Interpreter) -> Iterator[Reading | Mark]:
    for where, time_ns, cells in _timed(rows, path, header):
        for column in header.columns:
            text = cells[column.place].strip()
            if text and column.role is None:
                yield Mark(time_ns, meant(text))
            elif text:
                yield _reading(text, time_ns, column, where, interpreter)


def _reading(text: str, time_ns: int, column: _Column, where: str, interpreter: Interpreter) -> Reading:
    value, quality = _value(text, column, where)
    reading = interpreter.reading(Raw(column.channel, value, time_ns, time_ns, quality))
    assert column.role is not None
    if reading.value < 0.0 and not column.described:
        _below_nothing(text, value, reading.value, interpreter.channels[column.channel], column.at(where))
    return reading._replace(quality=int(reading.quality & ~Quality.OUT_OF_ORDER))


def _below_nothing(text: str, value: float, si: float, channel: Channel, where: str) -> None:
    """Raises BadInput for what no instrument in order can have read; a zero that is a little off stays."""
    quantity, unit = FACTS[channel.role].quantity, channel.unit
    if quantity is Quantity.TEMPERATURE:
        raise BadInput(f"{text} is below absolute zero", where=where, right="check the unit")
    absolute = quantity is Quantity.PRESSURE and unit.against not in (Against.GAUGE, Against.VACUUM)
    if absolute and -si > unit.difference_to_si(channel.accuracy.half_width(value)):
        right = "check unit and zero; a pressure against the atmosphere is psig or kPag"
        raise BadInput(f"{text} is below a perfect vacuum", where=where, right=right)


def _time_ns(text: str, seconds: bool, where: str) -> int:
    if not seconds:
        try:
            return parse_instant(text)
        except BadInput as error:
            right = "for seconds the heading is `time [s]`" if _NUMBER.fullmatch(text) else error.right
            raise BadInput(error.what, where=where, right=right) from None
    try:
        if _NUMBER.fullmatch(text) and -_MOST_S < Decimal(text) < _MOST_S:
            return int(Decimal(text).scaleb(9).to_integral_value())
    except InvalidOperation:
        pass
    raise BadInput(f"{text[:60]!r} is no time in seconds", where=where, right="write a number")


def _value(text: str, column: _Column, where: str) -> tuple[float, int]:
    coil = column.role is Role.COIL_RESISTANCE
    if coil and text.lower() in _OPEN:
        return math.inf, Quality.OPEN_CIRCUIT
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    if coil and value >= OPEN_FROM:
        return math.inf, Quality.OPEN_CIRCUIT
    if not abs(value) < OPEN_FROM:
        right = "write a number with a decimal point, or leave the cell empty for no reading"
        raise BadInput(f"{text[:60]!r} is no number", where=column.at(where), right=right)
    return value, Quality.GOOD


def _described(path: Path) -> _Described:
    """The channels of an exported session; nothing for a file without a description of ours."""
    beside = path.with_name(path.name + DESCRIPTION)
    right = "remove it to use defaults"
    try:
        said: Any = json.loads(beside.read_bytes())
    except FileNotFoundError:
        return _Described({}, None)
    except (OSError, ValueError, RecursionError) as error:
        raise BadInput(f"cannot be understood ({error})", where=str(beside), right=right) from None
    try:
        schema = said["tableSchema"]
        declared = schema["urn:baytrace:channels"]
    except (KeyError, TypeError):
        return _Described({}, None)
    try:
        channels = {name: Channel.from_json(said) for name, said in json.loads(declared).items()}
        return _Described(channels, schema.get("urn:baytrace:elevation_m"))
    except (BadInput, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BadInput(f"cannot be understood ({error})", where=str(beside), right=right) from None
