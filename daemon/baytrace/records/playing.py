"""A session played again from its own items, exactly as the bench followed it live.

The order of things is that of `records.vocabulary`: restore the interpreter, feed readings and marks by sequence number,
advance every watch at each heartbeat, re-anchor at a start of the daemon, redeclare at a declaration. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping

from baytrace.journal.store import Stored
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Mark, Reading
from baytrace.measure.verdict import Status, Verdict
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Followers


class Player:
    """Built on the `session_started` event. A watch that breaks is set aside, as on the bench."""

    def __init__(self, started: Event) -> None:
        data = started.data
        versions = {int(number): Channel.from_json(said) for number, said in data["channels"].items()}
        channels = list(versions.values())
        self.session = started.session
        self.interpreter = Interpreter(channels)
        self.interpreter.restore(data["interpreter"])
        self.watches = Followers(data["plan"], channels, lenient=True)

    @property
    def broken(self) -> Mapping[str, str]:
        """Why a watch was set aside, by its name."""
        return self.watches.broken

    @property
    def channels(self) -> Mapping[str, Channel]:
        """As declared now."""
        return self.interpreter.channels

    def reading(self, stored: Stored) -> Reading:
        """Raises BadInput for a channel that was never declared."""
        try:
            reading = self.interpreter.reading(stored.raw, stored.seq)
        except KeyError:
            raise BadInput(
                f"reading {stored.seq} is of channel {stored.raw.channel!r}, which was never declared"
            ) from None
        self.watches.item(reading)
        return reading

    def event(self, event: Event) -> None:
        data = event.data
        if event.kind == Kind.MARK and event.session == self.session:
            self.watches.item(Mark(event.time_ns, data["text"], data.get("who", ""), event.seq))
        elif event.kind == Kind.HEARTBEAT and event.session == self.session:
            self.watches.advance(event.time_ns)
        elif event.kind == Kind.BENCH_STARTED:
            self.interpreter.anchor(data["wall_ns"], data["mono_ns"])
        elif event.kind == Kind.CHANNEL_DECLARED:
            self.interpreter.redeclare(Channel.from_json(data["channel"]))

    def verdict(self, name: str) -> Verdict | None:
        """None for a watch that broke; `broken` says why."""
        return self.watches.verdict(name)

    def status(self, name: str) -> Status | None:
        """As `verdict`."""
        return self.watches.status(name)
