"""What callers hand to the writer: appends, and small changes of the mutable state."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any

import apsw
import numpy as np

from baytrace.journal.chain import Columns, encode_rows, event_line, payload_from, rows_of
from baytrace.journal.store import Receipt
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Event, Raw

CHANNEL_DECLARED = "channel_declared"


class Change:
    """A call made inside the writer's transaction: `act(connection)`; its future has what that returns."""

    __slots__ = ("act", "future")
    size = 0

    def __init__(self, act: Callable[[apsw.Connection], Any]) -> None:
        self.act = act
        self.future: Future[Any] = Future()


class Append:
    """Readings as rows or as columns, and events, that become one commit."""

    __slots__ = ("also", "columns", "events", "future", "readings", "size")

    def __init__(
        self,
        readings: Sequence[Raw],
        events: Sequence[Event],
        columns: NamedColumns | None = None,
        also: Callable[[apsw.Connection], Any] | None = None,
    ) -> None:
        self.readings, self.events, self.columns, self.also = readings, events, columns, also
        self.size = len(readings) if columns is None else len(columns.value)
        self.future: Future[Receipt] = Future()

    def encoded(self, versions: dict[str, int]) -> tuple[bytes, int | None, int | None]:
        """The payload, and the lowest and highest stamp of its readings. Raises BadInput."""
        if not self.size and not self.events:
            raise BadInput("an append holds neither a reading nor an event")
        lines = [event_line(event) for event in self.events]
        if not self.size:
            return payload_from(0, b"", lines), None, None
        if self.columns is not None:
            columns = self.columns.numbered(versions)
            return (
                payload_from(self.size, rows_of(columns), lines),
                int(columns.wall_ns.min()),
                int(columns.wall_ns.max()),
            )
        channel, value, wall_ns, mono_ns, quality = zip(*self.readings, strict=True)
        version = _versions(channel, versions)
        return (
            payload_from(self.size, encode_rows(version, wall_ns, mono_ns, value, quality), lines),
            min(wall_ns),
            max(wall_ns),
        )

    def declarations(self) -> dict[str, int]:
        """Channels declared by its events: name to version. Raises BadInput."""
        found: dict[str, int] = {}
        for event in self.events:
            if event.kind == CHANNEL_DECLARED:
                try:
                    name, version = event.data["channel"]["name"], event.data["version"]
                except (KeyError, TypeError):
                    raise BadInput("a channel_declared event lacks its version or its channel's name") from None
                if not isinstance(version, int) or not 0 < version < 2**32 or not isinstance(name, str):
                    raise BadInput(
                        f"channel {name!r} is declared with version {version!r}", right="versions count from 1"
                    )
                found[name] = version
        return found


class NamedColumns:
    """Readings as columns: `channel` is one name for all, or the distinct names with `place[i]` the name of reading i."""

    __slots__ = ("channel", "mono_ns", "place", "quality", "value", "wall_ns")

    def __init__(
        self,
        channel: str | Sequence[str],
        value: Any,
        wall_ns: Any,
        mono_ns: Any,
        *,
        quality: Any = 0,
        place: Any = None,
    ) -> None:
        self.channel = [channel] if isinstance(channel, str) else list(channel)
        self.value = np.asarray(value, np.float64)
        self.wall_ns, self.mono_ns, self.quality, self.place = wall_ns, mono_ns, quality, place

    def numbered(self, versions: dict[str, int]) -> Columns:
        """Raises BadInput for undeclared channels, numbers that do not fit and columns of different lengths."""
        table = np.array(_versions(self.channel, versions), np.uint32)
        n = len(self.value)
        place = np.zeros(n, np.intp) if self.place is None else np.asarray(self.place)
        if len(place) and not 0 <= place.min() <= place.max() < len(table):
            raise BadInput("a reading's place in the list of channels is outside it")

        def full(column: Any) -> Any:
            return np.full(n, column) if np.ndim(column) == 0 else column

        return Columns.of(table[place], full(self.wall_ns), full(self.mono_ns), self.value, full(self.quality))


def _versions(channels: Sequence[str], versions: dict[str, int]) -> list[int]:
    try:
        return [versions[channel] for channel in channels]
    except KeyError as error:
        raise BadInput(
            f"a reading of channel {error.args[0]!r} was handed over, but the journal holds no declaration of it",
            right="append its channel_declared event in an earlier commit",
        ) from None
