r"""What a commit is, to the byte, and how commits are chained. Pure: no file, clock or database.

A payload is little-endian and columnar, so that it can be rebuilt from exported rows:

    u32 number of readings n, u32 number of events m
    n x u32 channel version | n x i64 wall ns | n x i64 monotonic ns | n x f64 value | n x u16 quality
    m lines of JSON (keys sorted, no spaces, ASCII), each ended by a line feed:
        {"data":{...},"kind":"...","mono_ns":0,"session":"...","time_ns":0}

The header is one line of ASCII, and a link is

    baytrace-journal-1 COMMIT FIRST LAST WALL_NS BOOT\n
    digest = SHA-256(previous digest (32 bytes) + header + SHA-256(payload))

where FIRST to LAST are the sequence numbers given, readings before events, and the first commit follows 32 zero bytes.
A value is kept by its bits: signed zeros, infinities and every NaN come back as they went in.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Sequence
from hashlib import sha256
from itertools import pairwise
from typing import Any, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from baytrace.journal.store import Link
from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.measure.reading import Event

GENESIS = "0" * 64
"""The digest before the first commit, as hexadecimal text."""

BYTES_A_READING = 30
_COUNTS = struct.Struct("<II")


class Columns(NamedTuple):
    """Readings as columns of one length: u32, i64 (UTC ns), i64 (ns), f64 (the channel's own unit), u16."""

    version: NDArray[np.uint32]
    wall_ns: NDArray[np.int64]
    mono_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.uint16]

    @classmethod
    def of(
        cls,
        version: Sequence[int] | NDArray[Any],
        wall_ns: Sequence[int] | NDArray[Any],
        mono_ns: Sequence[int] | NDArray[Any],
        value: Sequence[float] | NDArray[Any],
        quality: Sequence[int] | NDArray[Any],
    ) -> Self:
        """Raises BadInput when a number does not fit its column or the lengths differ."""
        try:
            columns = cls(
                np.asarray(version, "<u4"),
                np.asarray(wall_ns, "<i8"),
                np.asarray(mono_ns, "<i8"),
                np.asarray(value, "<f8"),
                np.asarray(quality, "<u2"),
            )
        except (OverflowError, TypeError, ValueError) as error:
            raise BadInput(f"a reading does not fit the journal ({error})") from None
        if len({len(column) for column in columns}) != 1:
            raise BadInput("the columns of readings differ in length", right="give every reading all five")
        return columns

    @property
    def size(self) -> int:
        """How many readings."""
        return len(self.version)

    def part(self, start: int, end: int) -> Columns:
        return Columns._make(column[start:end] for column in self)

    def take(self, chosen: NDArray[Any]) -> Columns:
        return Columns._make(column[chosen] for column in self)


NO_READINGS = Columns.of((), (), (), (), ())


def joined(parts: Sequence[Columns]) -> Columns:
    if len(parts) == 1:
        return parts[0]
    return Columns._make(np.concatenate(columns) for columns in zip(*parts, strict=True)) if parts else NO_READINGS


def event_line(event: Event) -> bytes:
    """The canonical JSON of an event, without the line feed; `seq` is no part of it. Raises BadInput."""
    said = {
        "time_ns": event.time_ns,
        "mono_ns": event.mono_ns,
        "kind": event.kind,
        "session": event.session,
        "data": event.data,
    }
    try:
        return json.dumps(said, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()
    except (TypeError, ValueError) as error:
        right = "JSON has text, finite numbers, true, false, null, lists and objects"
        raise BadInput(f"the data of a {event.kind!r} event is no JSON ({error})", right=right) from None


def event_from_line(line: bytes, seq: int = 0) -> Event:
    said = json.loads(line)
    return Event(said["time_ns"], said["mono_ns"], said["kind"], said["session"], said["data"], seq)


def encode_rows(
    version: Sequence[int],
    wall_ns: Sequence[int],
    mono_ns: Sequence[int],
    value: Sequence[float],
    quality: Sequence[int],
) -> bytes:
    """The readings' part of a payload from plain sequences of one length. Raises BadInput when a number does not fit."""
    n = len(version)
    try:
        return struct.pack(f"<{n}I{n}q{n}q{n}d{n}H", *version, *wall_ns, *mono_ns, *value, *quality)
    except (struct.error, OverflowError, TypeError) as error:
        raise BadInput(f"a reading does not fit the journal ({error})") from None


def payload_from(readings: int, rows: bytes, lines: Sequence[bytes]) -> bytes:
    """A payload from parts already encoded: `rows` as of `encode_rows`, `lines` as of `event_line`."""
    head = _COUNTS.pack(readings, len(lines)) + rows
    return head + b"\n".join(lines) + b"\n" if lines else head


def rows_of(columns: Columns) -> bytes:
    """The readings' part of a payload from columns."""
    types = ("<u4", "<i8", "<i8", "<f8", "<u2")
    parts: tuple[NDArray[Any], ...] = columns
    return b"".join(column.astype(kind, copy=False).tobytes() for column, kind in zip(parts, types, strict=True))


def encode_payload(columns: Columns, events: Sequence[Event] = ()) -> bytes:
    """The canonical bytes of a commit. Raises BadInput when an event's data is no JSON."""
    return payload_from(columns.size, rows_of(columns), [event_line(event) for event in events])


def split_payload(payload: bytes) -> tuple[Columns, list[bytes]]:
    """Columns and event lines of a payload. Raises VerificationFailed when it is not well formed."""
    try:
        n, m = _COUNTS.unpack_from(payload)
        columns = Columns(
            np.frombuffer(payload, "<u4", n, 8),
            np.frombuffer(payload, "<i8", n, 8 + 4 * n),
            np.frombuffer(payload, "<i8", n, 8 + 12 * n),
            np.frombuffer(payload, "<f8", n, 8 + 20 * n),
            np.frombuffer(payload, "<u2", n, 8 + 28 * n),
        )
    except (struct.error, ValueError):
        raise VerificationFailed("a payload is cut short") from None
    lines = payload[8 + BYTES_A_READING * n :].split(b"\n")
    if len(lines) != m + 1 or lines.pop():
        raise VerificationFailed(f"a payload does not hold the {m} events it says")
    return columns, lines


def decode_payload(payload: bytes, first: int = 1) -> tuple[Columns, list[Event]]:
    """What a payload holds; `first` is the commit's first sequence number. Raises VerificationFailed."""
    columns, lines = split_payload(payload)
    try:
        return columns, [event_from_line(line, first + columns.size + i) for i, line in enumerate(lines)]
    except (ValueError, KeyError, TypeError):
        raise VerificationFailed("an event in a payload is not JSON as the journal writes it") from None


def header(commit: int, first: int, last: int, wall_ns: int, boot: str) -> bytes:
    return f"baytrace-journal-1 {commit} {first} {last} {wall_ns} {boot}\n".encode()


def link_digest(previous: str, head: bytes, payload: bytes) -> str:
    """The digest of a link, as hexadecimal text, from the previous link's, the header and the payload."""
    return sha256(bytes.fromhex(previous) + head + sha256(payload).digest()).hexdigest()


def digest_of(previous: str, link: Link, payload: bytes) -> str:
    """What `link.digest` must be."""
    return link_digest(previous, header(link.commit, link.first, link.last, link.wall_ns, link.boot), payload)


def verify_links(previous: str, links: Iterable[tuple[Link, bytes]]) -> str:
    """Check consecutive links with their payloads against `previous` (`GENESIS` before the first); returns the last digest.

    Raises VerificationFailed naming the first commit that is not what was chained.
    """
    before: Link | None = None
    for link, payload in links:
        if before is not None and (link.commit, link.first) != (before.commit + 1, before.last + 1):
            raise VerificationFailed(f"commit {before.commit} is not followed by its neighbour but by {link.commit}")
        if digest_of(previous, link, payload) != link.digest:
            raise VerificationFailed(f"commit {link.commit} (sequence numbers {link.first} to {link.last}) was changed")
        before, previous = link, link.digest
    return previous


def consecutive(links: Sequence[Link]) -> bool:
    """Whether links follow each other without a hole."""
    return all(b.commit == a.commit + 1 and b.first == a.last + 1 for a, b in pairwise(links))
