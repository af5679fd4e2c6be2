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

MS = 1_000_000


def _escaped(text: str, special: str) -> str:
    text = text.replace("\r", " ").replace("\n", " ").replace("\\", "\\\\") if special else text
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
    head = ",".join([measurement(name), *(f"{tag(key)}={tag(value)}" for key, value in sorted(tags.items()) if value)])
    return f"{head} {','.join(numbers)} {time_ns}\n"


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

    def state(self) -> dict[str, int]:
        return dict(self._last)
