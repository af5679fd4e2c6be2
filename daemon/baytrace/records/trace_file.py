"""A session's readings as one CSV table, wide by instant, that `judge` reads back to the same finding.

Rules of this file:
- Readings come in the order of the journal, where channels interleave; within a channel time never goes back. So each
  channel is spilled to a file of its own, and the table is merged from these a window of time at a time: memory stays the
  same however long the session was.
- A cell is the calibrated value in the channel's own unit, written so that it reads back to the same bits. A reading that
  cannot be taken as a number leaves its cell empty; an open coil is `INF`. Two readings of a channel at one instant take
  two rows.
- Where gauge pressures were made absolute with an atmosphere known before the session, that atmosphere is the first cell of
  the barometer's column.
"""

from __future__ import annotations

import csv
import json
import math
from array import array
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Mark, Quality, Raw, Reading
from baytrace.measure.roles import FACTS, Role
from baytrace.measure.units import Against

_BUFFER = 16_384
OURS = "urn:baytrace:"
"""What begins the names of our own properties in the description."""
_WINDOW = 20_000
"""Readings of the busiest channel merged at a time."""


class _Spill:
    """One channel's cells: instants and values, in two files of 8 bytes each."""

    def __init__(self, directory: Path, number: int, channel: Channel) -> None:
        self.channel = channel
        self._paths = (directory / f"{number}.times", directory / f"{number}.values")
        self._times, self._values = array("q"), array("d")
        self.count = 0

    def put(self, time_ns: int, value: float) -> None:
        self._times.append(time_ns)
        self._values.append(value)
        self.count += 1
        if len(self._times) >= _BUFFER:
            self.flush()

    def flush(self) -> None:
        times, values = self._paths
        with times.open("ab") as file:
            self._times.tofile(file)
        with values.open("ab") as file:
            self._values.tofile(file)
        self._times, self._values = array("q"), array("d")

    def columns(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        self.flush()
        if not self.count:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        times, values = self._paths
        return np.memmap(times, np.int64, "r"), np.memmap(values, np.float64, "r")


class _Cells(NamedTuple):
    time_ns: int
    cells: dict[int, str]


class TraceTable:
    """Fed a session's readings and marks in order, then written."""

    def __init__(
        self, directory: Path, channels: Mapping[str, Channel], start_ns: int, atmosphere_pa: float | None
    ) -> None:
        self._directory = directory
        self._spills: dict[str, _Spill] = {}
        self._marks: list[Mark] = []
        for channel in channels.values():
            self._spill(channel)
        gauges = any(channel.unit.against in (Against.GAUGE, Against.VACUUM) for channel in channels.values())
        if gauges and atmosphere_pa is not None:
            self._atmosphere(start_ns, atmosphere_pa)

    def _spill(self, channel: Channel) -> _Spill:
        spill = _Spill(self._directory, len(self._spills), channel)
        self._spills[channel.name] = spill
        return spill

    def _atmosphere(self, start_ns: int, atmosphere_pa: float) -> None:
        barometer = next((spill for spill in self._spills.values() if spill.channel.role is Role.BAROMETER), None)
        if barometer is None:
            said = {"name": "barometer", "role": "barometer", "unit": "Pa", "accuracy": "1 hPa"}
            barometer = self._spill(Channel.from_json(said))
        barometer.put(start_ns, barometer.channel.unit.from_si(atmosphere_pa))

    def reading(self, raw: Raw, reading: Reading, channel: Channel, atmosphere_pa: float) -> None:
        """`channel` as declared now; a later declaration in another unit is written in the unit of the first."""
        spill = self._spills.get(raw.channel) or self._spill(channel)
        if reading.value == math.inf and channel.role is Role.COIL_RESISTANCE:
            value = math.inf
        elif not math.isfinite(reading.value) or not Quality(reading.quality).usable:
            return
        elif channel.unit == spill.channel.unit:
            value = channel.calibration.corrected(raw.value)
        else:
            unit = spill.channel.unit
            against = atmosphere_pa if unit.against in (Against.GAUGE, Against.VACUUM) else 0.0
            value = unit.from_si(reading.value - against)
        spill.put(reading.time_ns, value)

    def mark(self, mark: Mark) -> None:
        self._marks.append(mark)

    # ------------------------------------------------------------------ writing

    def headings(self) -> list[str]:
        roles = [spill.channel.role for spill in self._spills.values()]
        return [
            f"{role if roles.count(role) == 1 else f'{role}:{spill.channel.name}'} [{spill.channel.unit.text}]"
            for role, spill in zip(roles, self._spills.values(), strict=True)
        ]

    def write(self, path: Path, progress: Callable[[int], None] = lambda _: None) -> int:
        """The number of rows. `progress` is called with the number of cells written."""
        rows = 0
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["time", *self.headings(), "mark"])
            width = len(self._spills)
            for row in self._rows(progress):
                cells = row.cells
                writer.writerow(
                    [
                        format_instant(row.time_ns),
                        *(cells.get(column, "") for column in range(width)),
                        cells.get(-1, ""),
                    ]
                )
                rows += 1
        return rows

    def _rows(self, progress: Callable[[int], None]) -> Iterator[_Cells]:
        columns = [spill.columns() for spill in self._spills.values()]
        marks = sorted(self._marks, key=lambda mark: mark.time_ns)
        mark_times = np.array([mark.time_ns for mark in marks], np.int64)
        cursors = [0] * len(columns)
        marked, done = 0, 0
        while any(cursor < len(times) for cursor, (times, _) in zip(cursors, columns, strict=True)) or marked < len(
            marks
        ):
            end = _window_end(columns, cursors)
            parts: list[tuple[int, NDArray[np.int64], list[str]]] = []
            for index, (times, values) in enumerate(columns):
                stop = len(times) if end is None else int(np.searchsorted(times, end, "left"))
                part = slice(cursors[index], stop)
                parts.append((index, np.asarray(times[part]), [_text(value) for value in values[part].tolist()]))
                done += stop - cursors[index]
                cursors[index] = stop
            stop = len(marks) if end is None else int(np.searchsorted(mark_times, end, "left"))
            parts.append((-1, mark_times[marked:stop], [mark.text for mark in marks[marked:stop]]))
            marked = stop
            yield from _merged(parts)
            progress(done)

    # ------------------------------------------------------------------ describing

    def description(self, csv_name: str, session: str) -> dict[str, Any]:
        """W3C CSV on the Web metadata (Metadata Vocabulary for Tabular Data); units as UCUM codes.

        That vocabulary lets a description add properties under a full address only, with values that are plain text.
        """
        columns: list[dict[str, Any]] = [
            {"name": "time", "titles": "time", "datatype": {"base": "dateTimeStamp"}, "required": True}
        ]
        for heading, spill in zip(self.headings(), self._spills.values(), strict=True):
            channel = spill.channel
            columns.append(
                {
                    "name": channel.name.replace("-", "_").replace(".", "_"),
                    "titles": heading,
                    "datatype": "double",
                    "dc:description": f"{FACTS[channel.role].label}, {_against(channel)}{channel.unit.text}",
                    "schema:unitText": channel.unit.text,
                    OURS + "ucum": channel.unit.ucum,
                    OURS + "role": str(channel.role),
                    OURS + "instrument": channel.instrument,
                }
            )
        columns.append({"name": "mark", "titles": "mark", "datatype": "string"})
        declared = {
            name: _plain(spill.channel) for name, spill in zip(self._names(), self._spills.values(), strict=True)
        }
        return {
            "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
            "url": csv_name,
            "dc:title": f"Readings of session {session}",
            "dialect": {"encoding": "utf-8", "delimiter": ",", "header": True, "lineTerminators": ["\r\n"]},
            "tableSchema": {
                "columns": columns,
                OURS + "channels": json.dumps(declared, ensure_ascii=False, sort_keys=True),
            },
        }

    def _names(self) -> list[str]:
        """The names under which a reader knows the columns."""
        names = []
        for heading in self.headings():
            role, _, own = heading.rpartition(" [")[0].partition(":")
            names.append(own or role)
        return names

    def write_description(self, path: Path, csv_name: str, session: str) -> None:
        text = json.dumps(self.description(csv_name, session), ensure_ascii=False, indent=2, sort_keys=False)
        path.write_text(text + "\n", encoding="utf-8")


def _plain(channel: Channel) -> dict[str, Any]:
    """The channel without its correction, which the cells have had."""
    said = channel.calibration
    plain = Calibration(said.calibrated, said.due, said.certificate, uncertainty=said.uncertainty, by=said.by)
    return replace(channel, calibration=plain).to_json()


def _against(channel: Channel) -> str:
    if channel.unit.against in (Against.GAUGE, Against.VACUUM):
        return "against the atmosphere, in "
    return "absolute, in " if channel.unit.against is Against.ABSOLUTE else "in "


def _text(value: float) -> str:
    """An infinite value as XML Schema's double writes it, which CSV on the Web goes by."""
    return "INF" if value == math.inf else repr(value)


def _window_end(columns: list[tuple[NDArray[np.int64], NDArray[np.float64]]], cursors: list[int]) -> int | None:
    """The instant up to which to merge now; None for all that is left. Never splits an instant."""
    ends = [
        int(times[cursor + _WINDOW])
        for cursor, (times, _) in zip(cursors, columns, strict=True)
        if cursor + _WINDOW < len(times)
    ]
    if not ends:
        return None
    end = min(ends)
    begin = min(int(times[cursor]) for cursor, (times, _) in zip(cursors, columns, strict=True) if cursor < len(times))
    return end if end > begin else end + 1


def _merged(parts: list[tuple[int, NDArray[np.int64], list[str]]]) -> Iterator[_Cells]:
    """Rows by instant; the n-th reading of a channel at one instant takes the n-th row of that instant."""
    rows: dict[tuple[int, int], dict[int, str]] = {}
    for column, times, texts in parts:
        if not len(times):
            continue
        nth = (np.arange(len(times)) - np.searchsorted(times, times, "left")).tolist()
        for key, text in zip(zip(times.tolist(), nth, strict=True), texts, strict=True):
            rows.setdefault(key, {})[column] = text
    for key in sorted(rows):
        yield _Cells(key[0], rows[key])
