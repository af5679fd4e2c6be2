"""InfluxDB line protocol, written here because silent losses in serialisers are measured facts: escaped, floats only, checked.

Rules of this file:
- A line is `measurement,tag=value,... field=value,... time` and a newline; tags sorted; empty tags left out; always ended by a newline.
- Numbers are always floats: an integer field that later becomes a float is refused by real servers. Only finite numbers pass.
- Line breaks never reach the wire: in names and tags they become spaces; there are no text fields.
- Time is ns. Servers that keep milliseconds fold neighbours together, so `Stamps` makes each series strictly increasing by
  whole milliseconds; the journal keeps the exact instant.

Schema: `reading` (tags bench, instrument, channel, role, session, unit; fields value in SI, quality as the journal's number),
`event` (tags bench, kind, session; field count = 1), `alarm` (tags bench, alarm, channel, priority; field active 1 or 0),
`verdict` (tags bench, watch, session, verdict, finding; field final 1 or 0).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

MS = 1_000_000


def one_line(text: str) -> str:
    """The text as a server keeps it."""
    return text.replace("\r", " ").replace("\n", " ")


def _escaped(text: str, special: str) -> str:
    text = one_line(text).replace("\\", "\\\\")
    for mark in special:
        text = text.replace(mark, "\\" + mark)
    return text


def tag(text: str) -> str:
    """A tag key or value; a trailing backslash would swallow the separator, so backslashes are doubled."""
    return _escaped(text, ",= ")


def measurement(text: str) -> str:
    return _escaped(text, ", ")


def encode(name: str, tags: Mapping[str, str], fields: Mapping[str, float], time_ns: int) -> str:
    """One line. Raises ValueError without a finite field or with a time before 1970."""
    if time_ns < 0:
        raise ValueError(f"time {time_ns} is before 1970")
    numbers = [f"{tag(key)}={float(value)!r}" for key, value in sorted(fields.items()) if math.isfinite(value)]
    if not numbers:
        raise ValueError("no finite field")
    return f"{head(name, tags)} {','.join(numbers)} {time_ns}\n"


def head(name: str, tags: Mapping[str, str]) -> str:
    """A line up to its fields: measurement and tags."""
    return ",".join([measurement(name), *(f"{tag(key)}={tag(value)}" for key, value in sorted(tags.items()) if value)])


class Stamps:
    """Times a server of millisecond resolution can keep apart, series by series."""

    def __init__(self, last_ms: Mapping[str, int] | None = None) -> None:
        self._last: dict[str, int] = dict(last_ms or {})
        self.moved = 0

    def take(self, series: str, time_ns: int) -> int:
        """The time to send, ns: whole ms, strictly after the series' last."""
        wanted = time_ns // MS
        last = self._last.get(series)
        if last is not None and wanted <= last:
            wanted = last + 1
            self.moved += 1
        self._last[series] = wanted
        return wanted * MS

    def take_all(self, series: str, times_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """As `take` for many, in ms: each the larger of what is wanted and one after its forerunner."""
        if not len(times_ns):
            return times_ns
        wanted = times_ns // MS
        last = self._last.get(series)
        steps = np.arange(len(wanted), dtype=np.int64)
        reached = np.maximum.accumulate(wanted - steps)
        if last is not None:
            reached = np.maximum(reached, last + 1)
        given: NDArray[np.int64] = reached + steps
        self.moved += int((given != wanted).sum())
        self._last[series] = int(given[-1])
        return given

    def state(self) -> dict[str, int]:
        return dict(self._last)
