"""A session played again from its own items, exactly as the bench followed it live.

The order of things is that of `records.vocabulary`: restore the interpreter, feed readings and marks by sequence number,
advance every watch at each heartbeat, re-anchor at a start of the daemon, redeclare at a declaration. Pure.

`play` takes pages of columns and does the same to the bit: between two events that change their meaning all readings are
interpreted at once, those no watch wants are never made, and each watch is led through the stretch by itself.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from baytrace.journal.interpreting import Interpreted, interpret
from baytrace.journal.store import Stored
from baytrace.journal.stretch import Chunk
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Mark, Reading
from baytrace.measure.verdict import Status, Verdict
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Followers

_TURNS = frozenset({Kind.BENCH_STARTED, Kind.CHANNEL_DECLARED, Kind.CLOCK_STEP})
"""Events after which a raw reading means something else."""


def channels_of(started: Event) -> list[Channel]:
    """The channels of a session as they were declared when it began, with the field checks that stood then."""
    return [Channel.from_json(said) for said in started.data["channels"].values()]


class Player:
    """Built on the `session_started` event. A watch that breaks is set aside, as on the bench."""

    def __init__(self, started: Event) -> None:
        data = started.data
        channels = channels_of(started)
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
            self.watches.item(mark_of(event))
        elif event.kind == Kind.HEARTBEAT and event.session == self.session:
            self.watches.advance(event.time_ns)
        elif event.kind == Kind.BENCH_STARTED or (event.kind == Kind.CLOCK_STEP and data.get("anchored")):
            self.interpreter.anchor(data["wall_ns"], data["mono_ns"])
        elif event.kind == Kind.CHANNEL_DECLARED:
            self.interpreter.redeclare(Channel.from_json(data["channel"]))

    def play(self, chunk: Chunk, name_of: Callable[[int], str]) -> None:
        """`reading` and `event` for every item of a chunk, in their order. Raises BadInput as `reading`."""
        start, told = 0, 0
        for index, event in enumerate(chunk.events):
            if event.kind in _TURNS:
                end = int(np.searchsorted(chunk.seq, event.seq))
                self._stretch(chunk, (start, end), chunk.events[told:index], name_of)
                self.event(event)
                start, told = end, index + 1
        self._stretch(chunk, (start, len(chunk.seq)), chunk.events[told:], name_of)

    def _stretch(
        self, chunk: Chunk, span: tuple[int, int], events: Sequence[Event], name_of: Callable[[int], str]
    ) -> None:
        columns, seq = chunk.columns.part(*span), chunk.seq[span[0] : span[1]]
        read, strangers = interpret(self.interpreter, columns, name_of)
        if strangers:
            unknown = {name_of(version) for version in np.unique(columns.version).tolist()} - self.channels.keys()
            raise BadInput(f"readings are of channel {min(unknown)!r}, which was never declared")
        readings = readings_of([one for one in read if self.watches.wants(one.channel.role)], seq.tolist())
        self.watches.play(list(self._among(readings, events)))

    def _among(self, readings: Sequence[Reading], events: Sequence[Event]) -> Iterable[Reading | Mark | int]:
        """Readings with the marks and heartbeats of this session between them."""
        seqs = [reading.seq for reading in readings]
        start = 0
        for event in events:
            if event.session == self.session and event.kind in (Kind.MARK, Kind.HEARTBEAT):
                end = bisect(seqs, event.seq, start)
                yield from readings[start:end]
                start = end
                if event.kind == Kind.MARK:
                    yield mark_of(event)
                else:
                    yield event.time_ns
        yield from readings[start:]

    def verdict(self, name: str) -> Verdict | None:
        """None for a watch that broke; `broken` says why."""
        return self.watches.verdict(name)

    def status(self, name: str) -> Status | None:
        """As `verdict`."""
        return self.watches.status(name)


def mark_of(event: Event) -> Mark:
    return Mark(event.time_ns, event.data["text"], event.data.get("who", ""), event.seq)


def readings_of(read: Sequence[Interpreted], seq: Sequence[int]) -> list[Reading]:
    """The readings of some channels in their order; `seq` is that of every reading of the stretch."""
    if not read:
        return []
    places = np.concatenate([one.places for one in read])
    order = np.argsort(places)
    which = np.repeat(np.arange(len(read)), [len(one.places) for one in read])[order].tolist()
    names, roles = [one.channel.name for one in read], [one.channel.role for one in read]
    rows = zip(
        np.concatenate([one.time_ns for one in read])[order].tolist(),
        map(names.__getitem__, which),
        map(roles.__getitem__, which),
        np.concatenate([one.value for one in read])[order].tolist(),
        np.concatenate([one.quality for one in read])[order].tolist(),
        map(seq.__getitem__, places[order].tolist()),
        strict=True,
    )
    return list(map(Reading._make, rows))
