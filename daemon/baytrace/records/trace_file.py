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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Event, Mark, Quality, Raw, Reading
from baytrace.measure.roles import FACTS, Role
from baytrace.measure.units import Against
from baytrace.records.plain_cells import plain
from baytrace.records.playing import Player
from baytrace.records.vocabulary import Kind

_BUFFER = 16_384
OURS = "urn:baytrace:"
"""What begins the names of our own properties in the description."""
_WINDOW = 4_000
"""Readings of the busiest channel merged at a time, where channels are few."""
_CELLS = 1_000_000
"""Cells of rows in memory; each reading may need a row of its own, as wide as there are channels."""


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

    def window(self, most: int) -> _Window:
        self.flush()
        return _Window(*self._paths, self.count, most)


class _Window:
    """What is still to be written of one channel, no more of it in memory than a window of `most` readings and one more."""

    def __init__(self, times: Path, values: Path, count: int, most: int) -> None:
        self._paths, self._count, self._at, self.most = (times, values), count, 0, most
        self.times, self.values = np.empty(0, np.int64), np.empty(0, np.float64)
        self._fill()

    def _fill(self) -> None:
        """Up to one reading more than a window."""
        more = min(self._count - self._at, self.most + 1 - len(self.times))
        if more > 0:
            self._load(more)

    def _load(self, more: int) -> None:
        times, values = self._paths
        place = 8 * self._at
        self.times = np.append(self.times, np.fromfile(times, np.int64, more, offset=place))
        self.values = np.append(self.values, np.fromfile(values, np.float64, more, offset=place))
        self._at += more

    def take(self, end: int | None) -> tuple[NDArray[np.int64], list[str]]:
        """Instants and cells before `end`, or all that are left; those after it move up."""
        return self._taken(len(self.times) if end is None else int(np.searchsorted(self.times, end, "left")))

    def take_at(self, instant: int) -> tuple[NDArray[np.int64], list[str]]:
        """At most a window of the readings of one instant, the next there is."""
        return self._taken(min(self.most, int(np.searchsorted(self.times, instant, "right"))))

    def _taken(self, stop: int) -> tuple[NDArray[np.int64], list[str]]:
        taken = self.times[:stop], [_text(value) for value in self.values[:stop].tolist()]
        self.times, self.values = self.times[stop:], self.values[stop:]
        self._fill()
        return taken


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
        elif not math.isfinite(reading.value) or (reading.quality and not Quality(reading.quality).usable):
            return
        elif channel.unit == spill.channel.unit:
            value = channel.calibration.corrected(raw.value)
        else:
            unit = spill.channel.unit
            against = atmosphere_pa if unit.against in (Against.GAUGE, Against.VACUUM) else 0.0
            value = unit.from_si(reading.value - against)
        spill.put(reading.time_ns, value)

    def event(self, event: Event) -> None:
        """An event of the session; its marks have a column of their own."""
        if event.kind == Kind.MARK:
            self._marks.append(Mark(event.time_ns, event.data["text"], event.data.get("who", ""), event.seq))

    # ------------------------------------------------------------------ writing

    def headings(self) -> list[str]:
        roles = [spill.channel.role for spill in self._spills.values()]
        return [
            f"{role if roles.count(role) == 1 else f'{role}:{spill.channel.name}'} [{spill.channel.unit.text}]"
            for role, spill in zip(roles, self._spills.values(), strict=True)
        ]

    @property
    def guards(self) -> bool:
        """Whether any mark needs `plain` to stay text in a spreadsheet."""
        return any(plain(mark.text) != mark.text for mark in self._marks)

    def write(
        self, path: Path, progress: Callable[[int], None] = lambda _: None, cell: Callable[[str], str] = plain
    ) -> int:
        """The number of rows. `progress` is called with the number of cells written; `cell` makes a cell of a mark's text."""
        rows = 0
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["time", *self.headings(), "mark"])
            for part in self._parts(progress, cell):
                writer.writerows(part)
                rows += len(part)
        return rows

    def _parts(self, progress: Callable[[int], None], cell: Callable[[str], str]) -> Iterator[list[list[str]]]:
        """The rows, a window of time at a time; an instant of more readings than a window holds, in turns of as many of each channel."""
        width = len(self._spills) + 2
        most = min(_WINDOW, max(1, _CELLS // (width * width)))
        windows = [spill.window(most) for spill in self._spills.values()]
        marks = sorted(self._marks, key=lambda mark: mark.time_ns)
        mark_times = np.array([mark.time_ns for mark in marks], np.int64)
        marked, done = 0, 0
        while any(len(window.times) for window in windows) or marked < len(marks):
            end, crowded = _window_end(windows)
            if crowded is None:
                stop = len(marks) if end is None else int(np.searchsorted(mark_times, end, "left"))
                columns = [(place, *window.take(end)) for place, window in enumerate(windows, 1)]
            elif marked < (before := int(np.searchsorted(mark_times, crowded, "left"))):
                stop, columns = before, []
            else:
                stop = min(marked + most, int(np.searchsorted(mark_times, crowded, "right")))
                columns = [(place, *window.take_at(crowded)) for place, window in enumerate(windows, 1)]
            done += sum(len(times) for _, times, _ in columns)
            columns.append((width - 1, mark_times[marked:stop], [cell(mark.text) for mark in marks[marked:stop]]))
            marked = stop
            yield _merged(columns, width)
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


def table_of(directory: Path, started: Event, player: Player) -> TraceTable:
    """An empty table for the session that `started` begins; `directory` takes what does not fit in memory."""
    state = started.data["interpreter"]
    atmosphere = state["atmosphere_pa"] if state["atmosphere_known"] else None
    return TraceTable(directory, player.channels, started.time_ns, atmosphere)


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


def _window_end(windows: list[_Window]) -> tuple[int | None, int | None]:
    """The instant up to which to merge now, None for all that is left; and the next instant, where it alone fills a window."""
    ends = [int(window.times[window.most]) for window in windows if len(window.times) > window.most]
    if not ends:
        return None, None
    end = min(ends)
    begin = min(int(window.times[0]) for window in windows if len(window.times))
    return (end, None) if end > begin else (None, begin)


def _merged(columns: list[tuple[int, NDArray[np.int64], list[str]]], width: int) -> list[list[str]]:
    """Rows by instant; the n-th reading of a channel at one instant takes the n-th row of that instant."""
    times = np.concatenate([each for _, each, _ in columns])
    nth = np.concatenate([np.arange(len(each)) - np.searchsorted(each, each, "left") for _, each, _ in columns])
    order = np.lexsort((nth, times))
    fresh = np.ones(len(times), bool)
    fresh[1:] = (np.diff(times[order]) != 0) | (np.diff(nth[order]) != 0)
    row_of = np.empty(len(times), np.int64)
    row_of[order] = np.cumsum(fresh) - 1
    instants = np.datetime_as_string(times[order][fresh].view("datetime64[ns]")).tolist()
    rows = [[f"{instant}Z", *[""] * (width - 1)] for instant in instants]
    at = 0
    for place, each, texts in columns:
        for row, text in zip(row_of[at : at + len(each)].tolist(), texts, strict=True):
            rows[row][place] = text
        at += len(each)
    return rows
