"""A trace as CSV (RFC 4180): read strictly, each fault named by line and column.

The heading is `time` (RFC 3339) or `time [s]`, then `role [unit]` a column, and at most one `mark`. Columns of a role that may be
played more than once repeat. Gauge pressures are made absolute by a barometer column of the same or an earlier row, else by
`elevation_m`, else by the standard atmosphere (marked on each reading). An empty cell is no reading.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import NamedTuple

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import parse_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Mark, Quality, Raw, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.limits_table import limit

NS = 1_000_000_000
OVER_RANGE = 9.9e37
"""SCPI-99, volume 1, 7.2.1.5: what a meter sends when nothing is connected."""
REPEATABLE = frozenset({Role.COIL_RESISTANCE, Role.AUXILIARY})
_COLUMN = re.compile(r"\s*([A-Za-z_]+)\s*\[([^\]]*)\]\s*")
_OPEN = frozenset({"open", "ol", "o.l", "inf", "+inf", "infinity"})


@dataclass(frozen=True)
class Trace:
    """`items` are in time order; within one instant a barometer comes first and marks before readings."""

    channels: list[Channel]
    items: list[Reading | Mark]


class _Column(NamedTuple):
    at: int
    channel: Channel


class _Heading(NamedTuple):
    seconds: bool
    columns: list[_Column]
    mark: int | None
    width: int


def read_trace(path: Path, *, elevation_m: float | None = None, accuracies: Mapping[str, str] | None = None) -> Trace:
    """Raises BadInput with one line: what, where, what would be right."""
    rows = _rows(path)
    heading = _heading(path, rows, accuracies or {})
    times, cells, marks = _body(path, rows, heading)
    channels = _with_periods(heading, times, cells)
    interpreter = Interpreter(channels, elevation_m)
    by_index = sorted(zip(heading.columns, channels, strict=True), key=lambda pair: pair[1].role is not Role.BAROMETER)
    items: list[Reading | Mark] = []
    seq = 0
    for row, time_ns in enumerate(times):
        if marks[row]:
            seq += 1
            items.append(Mark(time_ns, marks[row], "", seq))
        for column, channel in by_index:
            value = cells[column.at][row]
            if value is not None:
                seq += 1
                items.append(interpreter.reading(Raw(channel.name, value, time_ns, 0, _quality(channel, value)), seq))
    return Trace(channels, items)


def _quality(channel: Channel, value: float) -> int:
    if math.isinf(value):
        open_circuit = channel.role is Role.COIL_RESISTANCE
        return int(Quality.SOURCE_TIME | Quality.OVER_RANGE | (Quality.OPEN_CIRCUIT if open_circuit else 0))
    return int(Quality.SOURCE_TIME)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """(line, cells) of each row that is not blank."""
    where = str(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(
            f"cannot be read ({error.strerror})", where=where, right="give the path of a CSV trace"
        ) from None
    if not data.strip():
        raise BadInput("is empty", where=where, right="a trace has a heading line and rows of readings")
    if b"\0" in data:
        raise BadInput("is not text (it holds NUL bytes)", where=where, right="give a CSV trace in UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(
            f"is not UTF-8 (byte {error.start})", where=where, right="save the trace as CSV in UTF-8"
        ) from None
    reader = csv.reader(text.splitlines(keepends=True), strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, cells
    except csv.Error as error:
        raise BadInput(
            f"line {reader.line_num}: not CSV ({error})", where=where, right="see RFC 4180 for quoting"
        ) from None


def _heading(path: Path, rows: Iterator[tuple[int, list[str]]], accuracies: Mapping[str, str]) -> _Heading:
    line, cells = next(rows)
    where = f"{path}: line {line}"
    names = [cell.strip() for cell in cells]
    if names[0] not in ("time", "time [s]"):
        raise BadInput(f"the first column is {names[0]!r}", where=where, right="it must be 'time' or 'time [s]'")
    columns: list[_Column] = []
    mark = None
    seen: dict[Role, int] = {}
    for index, name in enumerate(names[1:], 1):
        at = f"{where}, column {index + 1}"
        if name == "mark":
            if mark is not None:
                raise BadInput("a second column 'mark'", where=at, right="one column holds every mark")
            mark = index
            continue
        columns.append(_Column(index, _channel(name, at, seen, accuracies)))
    if not columns:
        raise BadInput("no column holds readings", where=where, right="add one such as 'system_pressure [micron]'")
    unknown = [name for name in accuracies if name not in list(Role)]
    if unknown:
        raise BadInput(f"{unknown[0]!r} is no role", where=f"accuracy.{unknown[0]}", right=f"roles: {', '.join(Role)}")
    return _Heading(names[0] == "time [s]", columns, mark, len(names))


def _channel(name: str, at: str, seen: dict[Role, int], accuracies: Mapping[str, str]) -> Channel:
    found = _COLUMN.fullmatch(name)
    if found is None:
        raise BadInput(
            f"column {name!r} is not 'role [unit]'", where=at, right="write it as 'system_pressure [micron]'"
        )
    try:
        role = Role(found[1])
    except ValueError:
        near = difflib.get_close_matches(found[1], list(Role), n=1)
        right = f"did you mean {str(near[0])!r}?" if near else f"roles: {', '.join(Role)}"
        raise BadInput(f"{found[1]!r} is no role", where=at, right=right) from None
    try:
        unit = unit_for(role, found[2].strip())
    except BadInput as error:
        raise BadInput(error.what, where=at, right=error.right) from None
    seen[role] = seen.get(role, 0) + 1
    if seen[role] > 1 and role not in REPEATABLE:
        raise BadInput(f"a second column {role}", where=at, right="one column plays one role")
    text = accuracies.get(str(role)) or str(limit(f"instruments.{role}"))
    try:
        accuracy = Accuracy.parse(text, unit=unit)
    except BadInput as error:
        raise BadInput(error.what, where=f"accuracy.{role}", right=error.right) from None
    label = str(role) if seen[role] == 1 else f"{role}_{seen[role]}"
    return Channel(label, role, unit, accuracy)


def _body(
    path: Path, rows: Iterator[tuple[int, list[str]]], heading: _Heading
) -> tuple[list[int], dict[int, list[float | None]], list[str]]:
    times: list[int] = []
    cells: dict[int, list[float | None]] = {column.at: [] for column in heading.columns}
    marks: list[str] = []
    for line, row in rows:
        where = f"{path}: line {line}"
        if len(row) != heading.width:
            raise BadInput(
                f"has {len(row)} cells, the heading has {heading.width}",
                where=where,
                right="give each row as many cells",
            )
        times.append(_time(row[0], where, heading, times))
        marks.append(row[heading.mark].strip() if heading.mark is not None else "")
        for column in heading.columns:
            cells[column.at].append(
                _number(row[column.at], f"{where}, column {column.at + 1} ({column.channel.role})")
            )
    if not times:
        raise BadInput("holds a heading and no reading", where=str(path), right="add rows of readings")
    return times, cells, marks


def _time(text: str, where: str, heading: _Heading, times: list[int]) -> int:
    at = f"{where}, column 1 (time)"
    if heading.seconds:
        seconds = _number(text, at)
        if seconds is None or not math.isfinite(seconds) or abs(seconds) > 9e9:
            raise BadInput(f"{text!r} is no time in seconds", where=at, right="write seconds as a number")
        time_ns = round(seconds * NS)
    else:
        try:
            time_ns = parse_instant(text)
        except BadInput as error:
            right = "or head the column 'time [s]' for seconds" if re.fullmatch(r"\s*[\d.]+\s*", text) else error.right
            raise BadInput(error.what, where=at, right=right) from None
    if times and time_ns < times[-1]:
        raise BadInput(f"{text!r} is earlier than the row before", where=at, right="rows stand in time order")
    return time_ns


def _number(text: str, where: str) -> float | None:
    bare = text.strip()
    if not bare:
        return None
    if bare.lower() in _OPEN:
        return math.inf
    try:
        value = float(bare) if "_" not in bare else math.nan
    except ValueError:
        value = math.nan
    if math.isnan(value):
        raise BadInput(
            f"{bare!r} is no number", where=where, right="write a number with a decimal point, or leave the cell empty"
        )
    return math.inf if value >= OVER_RANGE else value


def _with_periods(heading: _Heading, times: list[int], cells: Mapping[int, list[float | None]]) -> list[Channel]:
    """The channels with the period their readings really have."""
    channels = []
    for column in heading.columns:
        at = [time for time, value in zip(times, cells[column.at], strict=True) if value is not None]
        gaps = [b - a for a, b in pairwise(at) if b > a]
        period = median(gaps) / NS if gaps else 1.0
        channel = column.channel
        channels.append(Channel(channel.name, channel.role, channel.unit, channel.accuracy, period_s=period))
    return channels
