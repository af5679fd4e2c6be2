"""From the journal's items to lines, by cursor. Pure but for the journal's own reading; resumable from its saved state."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from baytrace.forward.lines import Stamps, encode
from baytrace.journal.store import Stored
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Quality
from baytrace.measure.roles import FACTS
from baytrace.measure.units import si_unit_name

ACTIVE_STATES = frozenset({"unacknowledged", "acknowledged"})


class Row(NamedTuple):
    """A line to send. `series` and `time_ms` are what a read-back must show; `line` is '' for an item that sends nothing."""

    seq: int
    line: str
    series: str = ""
    time_ms: int = 0


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
        self._tags: dict[str, dict[str, str]] = {}

    def state(self) -> dict[str, Any]:
        return {
            "channels": {name: channel.to_json() for name, channel in self._interpreter.channels.items()},
            "interpreter": self._interpreter.state(),
            "session": self._session,
            "stamps": self._stamps.state(),
        }

    def rows(self, items: Iterable[Stored | Event]) -> Iterator[Row]:
        """One row an item, in order."""
        for item in items:
            yield self._reading(item) if isinstance(item, Stored) else self._event(item)

    def _reading(self, stored: Stored) -> Row:
        channel = self._interpreter.channels.get(stored.raw.channel)
        if channel is None:
            self.unsendable += 1
            return Row(stored.seq, "")
        reading = self._interpreter.reading(stored.raw, stored.seq)
        fields = {"value": reading.value} if Quality(reading.quality).usable else {}
        if reading.quality:
            fields["quality"] = float(reading.quality)
        tags = self._reading_tags(channel)
        series = f"reading|{channel.name}|{self._session}"
        time_ns = self._stamps.take(series, reading.time_ns)
        try:
            return Row(stored.seq, encode("reading", tags, fields, time_ns), series, time_ns // 1_000_000)
        except ValueError:
            self.unsendable += 1
            return Row(stored.seq, "")

    def _reading_tags(self, channel: Channel) -> dict[str, str]:
        tags = self._tags.get(channel.name)
        if tags is None:
            quantity = FACTS[channel.role].quantity
            tags = self._tags[channel.name] = {
                "bench": self.bench,
                "instrument": channel.instrument,
                "channel": channel.name,
                "role": str(channel.role),
                "unit": si_unit_name(quantity) or channel.unit.text,
                "session": self._session,
            }
        return tags

    def _event(self, event: Event) -> Row:
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
        series = "|".join([name, *(f"{key}={value}" for key, value in sorted(tags.items()))])
        time_ns = self._stamps.take(series, event.time_ns)
        return Row(event.seq, encode(name, tags, fields, time_ns), series, time_ns // 1_000_000)

    def _follow(self, event: Event) -> None:
        if event.kind == "channel_declared":
            self._interpreter.redeclare(Channel.from_json(event.data["channel"]))
            self._tags.clear()
        elif event.kind == "bench_started":
            self._interpreter.anchor(event.data["wall_ns"], event.data["mono_ns"])
        elif event.kind == "session_started":
            self._session = event.session
            self._tags.clear()
        elif event.kind == "session_closed":
            self._session = ""
            self._tags.clear()
