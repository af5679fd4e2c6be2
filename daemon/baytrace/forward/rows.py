"""From the journal's items to bodies of lines, by cursor. Pure; resumable from its saved state.

A body is one stretch of the journal, its lines grouped by series: the server does not care for the order inside a body, and
columns are turned into lines many times faster than readings one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from baytrace.forward.lines import MS, Stamps, encode, head, one_line
from baytrace.journal.interpreting import Interpreted, Ints, interpret, usable
from baytrace.journal.stretch import Chunk
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event

ACTIVE_STATES = frozenset({"unacknowledged", "acknowledged"})
TURNS = frozenset({"channel_declared", "bench_started", "clock_step", "session_started", "session_closed"})
"""Events after which readings mean something else, or belong elsewhere."""
NameOf = Callable[[int], str]


class Row(NamedTuple):
    """A line to send. `series` and `time_ms` are what a read-back must show."""

    seq: int
    line: str
    series: str
    time_ms: int


class Part(NamedTuple):
    """The lines of one series in a body, in order."""

    series: str
    seq: Ints
    time_ms: Ints
    lines: list[str]

    def rows(self) -> list[Row]:
        found = zip(self.seq.tolist(), self.lines, self.time_ms.tolist(), strict=True)
        return [Row(seq, line, self.series, time_ms) for seq, line, time_ms in found]


class Body(NamedTuple):
    """What is sent at once; afterwards the cursor stands at `last`."""

    last: int
    parts: list[Part]

    def text(self) -> str:
        return "".join([line for part in self.parts for line in part.lines])

    @property
    def rows(self) -> int:
        return sum(len(part.lines) for part in self.parts)


def cut(chunk: Chunk, most: int) -> Iterator[Chunk]:
    """The chunk in pieces of at most about `most` readings, each with the events among them."""
    size, events = len(chunk.seq), chunk.events
    for start in range(0, size, most):
        end = min(start + most, size)
        until = int(chunk.seq[end - 1]) if end < size else None
        count = len(events) if until is None else sum(1 for event in events if event.seq <= until)
        yield Chunk(chunk.seq[start:end], chunk.columns.part(start, end), chunk.boot, events[:count])
        events = events[count:]
    if not size:
        for start in range(0, len(events), most):
            yield chunk._replace(events=events[start : start + most])


class Encoder:
    """Follows the journal from a sequence number on; `state()` lets another process go on from there."""

    def __init__(self, bench: str, state: Mapping[str, Any] | None = None) -> None:
        self.bench = bench
        self.unsendable = 0
        state = state or {}
        channels = [Channel.from_json(data) for data in state.get("channels", {}).values()]
        self._interpreter = Interpreter(channels)
        if "interpreter" in state:
            self._interpreter.restore(state["interpreter"])
        self._session: str = state.get("session", "")
        self._stamps = Stamps(state.get("stamps"))
        self._heads: dict[str, str] = {}

    def state(self) -> dict[str, Any]:
        return {
            "channels": {name: channel.to_json() for name, channel in self._interpreter.channels.items()},
            "interpreter": self._interpreter.state(),
            "session": self._session,
            "stamps": self._stamps.state(),
        }

    def body(self, chunk: Chunk, name_of: NameOf) -> Body:
        """The lines of a stretch that follows what was encoded before; `name_of` gives a channel version's name."""
        parts: list[Part] = []
        start = 0
        for event in chunk.events:
            if event.kind in TURNS:
                end = int(np.searchsorted(chunk.seq, event.seq))
                parts += self._readings(chunk, start, end, name_of)
                start = end
            parts.append(self._event(event))
        parts += self._readings(chunk, start, len(chunk.seq), name_of)
        ends = [event.seq for event in chunk.events[-1:]] + chunk.seq[-1:].tolist()
        return Body(max(ends, default=0), parts)

    def _readings(self, chunk: Chunk, start: int, end: int, name_of: NameOf) -> Iterator[Part]:
        if start == end:
            return
        read, strangers = interpret(self._interpreter, chunk.columns.part(start, end), name_of)
        self.unsendable += strangers
        for one in read:
            part = self._part(one, chunk.seq[start:end][one.places])
            if part.lines:
                yield part

    def _part(self, read: Interpreted, seq: Ints) -> Part:
        series = f"reading|{read.channel.name}|{self._session}"
        shown = usable(read.quality) & np.isfinite(read.value)
        sendable = (shown | (read.quality != 0)) & (read.time_ns >= 0)
        if not sendable.all():
            self.unsendable += int((~sendable).sum())
            kept = np.flatnonzero(sendable)
            read = read._replace(value=read.value[kept], time_ns=read.time_ns[kept], quality=read.quality[kept])
            seq, shown = seq[kept], shown[kept]
        time_ms = self._stamps.take_all(series, read.time_ns)
        begin = self._head(read.channel)
        values, times = read.value.tolist(), time_ms.tolist()
        if shown.all() and not read.quality.any():
            lines = [f"{begin}value={value!r} {ms}000000\n" for value, ms in zip(values, times, strict=True)]
        else:
            rows = zip(values, times, read.quality.tolist(), shown.tolist(), strict=True)
            lines = [f"{begin}{_fields(value, quality, good)} {ms}000000\n" for value, ms, quality, good in rows]
        return Part(series, seq, time_ms, lines)

    def _head(self, channel: Channel) -> str:
        found = self._heads.get(channel.name)
        if found is None:
            tags = {
                "bench": self.bench,
                "instrument": channel.instrument,
                "channel": channel.name,
                "role": str(channel.role),
                "unit": channel.si_unit,
                "session": self._session,
            }
            found = self._heads[channel.name] = head("reading", tags) + " "
        return found

    def _event(self, event: Event) -> Part:
        self._follow(event)
        tags = {"bench": self.bench, "session": event.session}
        data = event.data
        if event.kind == "alarm":
            name, fields = "alarm", {"active": float(data["state"] in ACTIVE_STATES)}
            tags |= {key: str(data.get(key, "")) for key in ("alarm", "channel", "priority")}
        elif event.kind == "verdict":
            name, fields = "verdict", {"final": float(bool(data["final"]))}
            tags |= {
                "watch": data["watch"],
                "verdict": data["verdict"]["verdict"],
                "finding": data["verdict"]["finding"],
            }
        else:
            name, fields = "event", {"count": 1.0}
            tags["kind"] = event.kind
        series = "|".join([name, *(f"{key}={one_line(value)}" for key, value in sorted(tags.items()) if value)])
        time_ns = self._stamps.take(series, max(event.time_ns, 0))
        line = encode(name, tags, fields, time_ns)
        return Part(series, np.array([event.seq], np.int64), np.array([time_ns // MS], np.int64), [line])

    def _follow(self, event: Event) -> None:
        if event.kind == "channel_declared":
            self._interpreter.redeclare(Channel.from_json(event.data["channel"]))
            self._heads.clear()
        elif event.kind == "bench_started" or (event.kind == "clock_step" and event.data.get("anchored")):
            self._interpreter.anchor(event.data["wall_ns"], event.data["mono_ns"])
        elif event.kind == "session_started":
            self._session = event.session
            self._heads.clear()
        elif event.kind == "session_closed":
            self._session = ""
            self._heads.clear()


def _fields(value: float, quality: int, good: bool) -> str:
    said = [f"quality={float(quality)!r}"] if quality else []
    return ",".join([*said, f"value={value!r}"] if good else said)
