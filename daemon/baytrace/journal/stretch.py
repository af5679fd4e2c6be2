"""A run of neighbouring commits of one boot, as columns: what pages of a journal are read as, and what is sealed. Pure.

Most commits of a quiet bench hold one reading, so payloads of one shape are taken apart and put together in bulk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.journal.chain import (
    BYTES_A_READING,
    NO_READINGS,
    Columns,
    event_from_line,
    joined,
    payload_from,
    rows_of,
    split_payload,
)
from baytrace.journal.store import Stored
from baytrace.measure.reading import Event, Raw

Ints = NDArray[np.int64]
_WIDTHS = (4, 8, 8, 8, 2)


class Stretch(NamedTuple):
    """Commits `commit`, `commit` + 1, ...: `readings[i]` readings then `events[i]` events each, stamped `wall_ns[i]`.

    `first` is the sequence number of the first item; `columns` and `lines` hold all readings and event lines in order.
    """

    commit: int
    first: int
    boot: str
    readings: Ints
    events: Ints
    wall_ns: Ints
    columns: Columns
    lines: list[bytes]

    @property
    def last(self) -> int:
        return self.first + int(self.readings.sum() + self.events.sum()) - 1

    @property
    def last_commit(self) -> int:
        return self.commit + len(self.readings) - 1

    def firsts(self) -> Ints:
        """The first sequence number of each commit."""
        sizes = self.readings + self.events
        firsts: Ints = self.first + np.cumsum(sizes) - sizes
        return firsts

    def behind(self, seq: int) -> Stretch:
        """The commits that start behind `seq`; there is at least one."""
        done = int(np.searchsorted(self.firsts(), seq, side="right"))
        readings, events = int(self.readings[:done].sum()), int(self.events[:done].sum())
        return Stretch(
            self.commit + done,
            self.first + readings + events,
            self.boot,
            self.readings[done:],
            self.events[done:],
            self.wall_ns[done:],
            self.columns.part(readings, self.columns.size),
            self.lines[events:],
        )

    def reading_seqs(self) -> Ints:
        return numbered(self.firsts(), self.readings)

    def event_seqs(self) -> Ints:
        return numbered(self.firsts() + self.readings, self.events)

    def payloads(self) -> list[bytes]:
        """Each commit's canonical payload, rebuilt."""
        made: list[bytes] = []
        starts = (np.cumsum(self.readings) - self.readings).tolist()
        lines = iter(self.lines)
        counts, events = self.readings.tolist(), self.events.tolist()
        index = 0
        while index < len(counts):
            end = index + 1
            if not events[index]:
                while end < len(counts) and counts[end] == counts[index] and not events[end]:
                    end += 1
            n, start = counts[index], starts[index]
            if end - index > 1 and n:
                made.extend(_alike(self.columns.part(start, start + n * (end - index)), n))
            else:
                own = [[next(lines) for _ in range(events[i])] for i in range(index, end)]
                made.extend(payload_from(n, rows_of(self.columns.part(start, start + n)), said) for said in own)
            index = end
        return made


class Chunk(NamedTuple):
    """A run of the journal as columns: `seq` and `columns` of its readings, and the events among them in order."""

    seq: Ints
    columns: Columns
    boot: str
    events: list[Event]


def numbered(firsts: Ints, counts: Ints) -> Ints:
    """`counts[i]` numbers from `firsts[i]` on, for each i."""
    total = int(counts.sum())
    within = np.arange(total, dtype=np.int64) - np.repeat(np.cumsum(counts) - counts, counts)
    return np.repeat(firsts, counts) + within


def _alike(columns: Columns, n: int) -> list[bytes]:
    """Payloads of `n` readings each and no events."""
    k = columns.size // n
    table = np.empty((k, 8 + BYTES_A_READING * n), np.uint8)
    table[:, :8] = np.frombuffer(np.array([n, 0], "<u4").tobytes(), np.uint8)
    at = 8
    for column, width in zip(columns, _WIDTHS, strict=True):
        table[:, at : at + width * n] = np.ascontiguousarray(column).view(np.uint8).reshape(k, width * n)
        at += width * n
    flat, size = table.tobytes(), table.shape[1]
    return [flat[i : i + size] for i in range(0, len(flat), size)]


def _take_apart(payloads: Sequence[bytes], n: int) -> Columns:
    """The readings of payloads of `n` readings each and no events."""
    table = np.frombuffer(b"".join(payloads), np.uint8).reshape(len(payloads), -1)
    at, columns = 8, []
    for width, kind in zip(_WIDTHS, ("<u4", "<i8", "<i8", "<f8", "<u2"), strict=True):
        columns.append(np.ascontiguousarray(table[:, at : at + width * n]).view(kind).reshape(-1))
        at += width * n
    return Columns(*columns)


def from_payloads(  # noqa: PLR0917 - a commit's own fields, in their order
    commit: int, first: int, boot: str, wall_ns: Sequence[int], readings: Sequence[int], payloads: Sequence[bytes]
) -> Stretch:
    """A stretch of neighbouring commits. Raises VerificationFailed when a payload is not well formed."""
    parts: list[Columns] = []
    lines: list[bytes] = []
    events = np.zeros(len(payloads), np.int64)
    index = 0
    while index < len(payloads):
        n, end = readings[index], index + 1
        plain = 8 + BYTES_A_READING * n
        if n and len(payloads[index]) == plain:
            while end < len(payloads) and readings[end] == n and len(payloads[end]) == plain:
                end += 1
        if end - index > 1:
            parts.append(_take_apart(payloads[index:end], n))
        else:
            columns, said = split_payload(payloads[index])
            parts.append(columns)
            lines.extend(said)
            events[index] = len(said)
        index = end
    columns = joined([part for part in parts if part.size]) if parts else NO_READINGS
    stamps = np.asarray(wall_ns, np.int64)
    return Stretch(commit, first, boot, np.asarray(readings, np.int64), events, stamps, columns, lines)


def as_chunk(stretch: Stretch, after: int, until: int | None) -> Chunk:
    """The part of a stretch with `after < seq <= until`."""
    seqs, event_seqs = stretch.reading_seqs(), stretch.event_seqs()
    columns, lines = stretch.columns, stretch.lines
    if after >= stretch.first or (until is not None and until < stretch.last):
        end = stretch.last if until is None else until
        start_r, end_r = np.searchsorted(seqs, (after, end), side="right").tolist()
        start_e, end_e = np.searchsorted(event_seqs, (after, end), side="right").tolist()
        seqs, columns = seqs[start_r:end_r], columns.part(start_r, end_r)
        event_seqs, lines = event_seqs[start_e:end_e], lines[start_e:end_e]
    events = [event_from_line(line, seq) for line, seq in zip(lines, event_seqs.tolist(), strict=True)]
    return Chunk(seqs, columns, stretch.boot, events)


def stored(seq: Ints, columns: Columns, boot: str, name: Callable[[int], str]) -> list[Stored]:
    """The readings one by one; `name` gives a channel's name for a version."""
    versions: list[Any] = columns.version.tolist()
    names = {version: name(version) for version in set(versions)}
    rows = zip(
        [names[version] for version in versions],
        columns.value.tolist(),
        columns.wall_ns.tolist(),
        columns.mono_ns.tolist(),
        columns.quality.tolist(),
        strict=True,
    )
    return list(map(Stored._make, zip(seq.tolist(), map(Raw._make, rows), versions, repeat(boot))))


def in_order(chunk: Chunk, name: Callable[[int], str]) -> Iterator[Stored | Event]:
    """A chunk's items by sequence number."""
    readings = stored(chunk.seq, chunk.columns, chunk.boot, name)
    if not chunk.events:
        yield from readings
        return
    start = 0
    places: list[int] = np.searchsorted(chunk.seq, [event.seq for event in chunk.events]).tolist()
    for event, place in zip(chunk.events, places, strict=True):
        yield from readings[start:place]
        yield event
        start = place
    yield from readings[start:]
