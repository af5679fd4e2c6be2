"""Sealed stretches: neighbouring commits as three compressed parts, from which every payload is rebuilt to the byte. Pure.

`heads` tells how the items fall into commits, `lines` holds the events, `body` the readings. Digests of single commits are
not kept: they follow from the payloads, and the block's row keeps the digest before its first commit and of its last.
Stamps are tried in the order of arrival and channel by channel, and the smaller is kept.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Collection
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.journal.chain import Columns
from baytrace.journal.compact import (
    Source,
    decode_floats,
    decode_ints,
    encode_floats,
    encode_ints,
    expand,
    skip_floats,
    squeeze,
)
from baytrace.journal.stretch import Ints, Stretch, numbered
from baytrace.measure.faults import VerificationFailed

_LAST = struct.Struct("<IIq")
_SUM = struct.Struct("<I")
_SIZE = struct.Struct("<Q")
_BY_ARRIVAL, _BY_CHANNEL = b"\x00", b"\x01"


class Sealed(NamedTuple):
    heads: bytes
    lines: bytes
    body: bytes

    @property
    def size(self) -> int:
        return len(self.heads) + len(self.lines) + len(self.body)


def seal(stretch: Stretch) -> Sealed:
    """Raises VerificationFailed when the payloads would not be rebuilt as they were (then it must not be sealed)."""
    lines = b"\n".join(stretch.lines)
    sealed = _summed(Sealed(_heads(stretch), _SIZE.pack(len(lines)) + squeeze(lines), _body(stretch.columns)))
    again = unseal(stretch.commit, stretch.first, stretch.boot, sealed)
    if again.payloads() != stretch.payloads() or again.wall_ns.tolist() != stretch.wall_ns.tolist():
        raise VerificationFailed(f"commits {stretch.commit} to {stretch.last_commit} cannot be sealed without loss")
    return sealed


def unseal(commit: int, first: int, boot: str, sealed: Sealed, only: Collection[int] = ()) -> Stretch:
    """Raises VerificationFailed when the parts make no sense.

    With `only` some versions of channels the values of all others are left packed and read as NaN.
    """
    if _summed(sealed).heads != sealed.heads:
        raise VerificationFailed(f"the sealed block of commit {commit} was changed")
    try:
        columns = _columns(Source(sealed.body), only)
        readings, events, late = _counts(sealed.heads)
        source = Source(sealed.lines)
        text = expand(source, source.unpack(_SIZE)[0])
        lines = text.split(b"\n") if events.any() else []
        if not source.done() or int(readings.sum()) != columns.size or int(events.sum()) != len(lines):
            raise ValueError("the counts of a block do not agree")  # noqa: TRY301 - the answer is the same
    except (ValueError, struct.error, IndexError, MemoryError, OverflowError) as error:
        raise VerificationFailed(f"the sealed block of commit {commit} is damaged ({error})") from None
    wall_ns = late + _expected(readings, columns.wall_ns)
    if heads_of(sealed.heads) != (int(readings[-1]), int(events[-1]), int(wall_ns[-1])):
        raise VerificationFailed(f"the sealed block of commit {commit} says two things of its last commit")
    return Stretch(commit, first, boot, readings, events, wall_ns, columns, lines)


def lines_of(first: int, heads: bytes, lines: bytes) -> tuple[Ints, list[bytes]]:
    """The numbers and lines of a block's events, its readings left alone (and the sum over all parts unchecked).

    Raises VerificationFailed when the parts make no sense.
    """
    try:
        readings, events, _ = _counts(heads)
        source = Source(lines)
        text = expand(source, source.unpack(_SIZE)[0])
        found = text.split(b"\n") if events.any() else []
        if not source.done() or int(events.sum()) != len(found):
            raise ValueError("the counts of a block do not agree")  # noqa: TRY301 - the answer is the same
    except (ValueError, struct.error, IndexError, MemoryError, OverflowError) as error:
        raise VerificationFailed(f"the sealed block at number {first} is damaged ({error})") from None
    firsts = first + np.cumsum(readings + events) - (readings + events)
    return numbered(firsts + readings, events), found


def _summed(sealed: Sealed) -> Sealed:
    """With the CRC-32 over all parts in its place: a byte that alters nothing when read is noticed, too."""
    heads, start, end = sealed.heads, _LAST.size, _LAST.size + _SUM.size
    total = 0
    for piece in (heads[:start], heads[end:], sealed.lines, sealed.body):
        total = zlib.crc32(piece, total)
    return sealed._replace(heads=heads[:start] + _SUM.pack(total) + heads[end:])


def heads_of(heads: bytes) -> tuple[int, int, int]:
    """The last commit's number of readings, of events, and its stamp (UTC ns). Raises VerificationFailed."""
    try:
        readings, events, wall_ns = _LAST.unpack_from(heads)
    except struct.error:
        raise VerificationFailed("the head of a sealed block is cut short") from None
    return readings, events, wall_ns


def _expected(readings: Ints, wall_ns: Ints) -> Ints:
    """The stamp of each commit's newest reading so far, in whole milliseconds: a commit comes just after it."""
    ends = np.cumsum(readings) - 1
    stamps = np.where(ends >= 0, wall_ns[np.maximum(ends, 0)], 0) if len(wall_ns) else np.zeros(len(readings), np.int64)
    return stamps // 1_000_000 * 1_000_000


def _heads(stretch: Stretch) -> bytes:
    late = stretch.wall_ns - _expected(stretch.readings, stretch.columns.wall_ns)
    last = _LAST.pack(int(stretch.readings[-1]), int(stretch.events[-1]), int(stretch.wall_ns[-1]))
    return last + bytes(_SUM.size) + encode_ints(stretch.readings) + encode_ints(stretch.events) + encode_ints(late)


def _counts(heads: bytes) -> tuple[Ints, Ints, Ints]:
    source = Source(heads)
    source.take(_LAST.size + _SUM.size)
    readings, events, late = decode_ints(source), decode_ints(source), decode_ints(source)
    if not source.done() or not len(readings) == len(events) == len(late) > 0:
        raise ValueError("the head of a block does not fit")
    if readings.min() < 0 or events.min() < 0:
        raise ValueError("a commit of a block holds less than nothing")
    return readings, events, late


def _body(columns: Columns) -> bytes:
    if not columns.size:
        return encode_ints(np.zeros(0, np.int64))
    table, place = np.unique(columns.version, return_inverse=True)
    order = np.argsort(place, kind="stable")
    parts = [encode_ints(table.astype(np.int64)), encode_ints(place.astype(np.int64))]
    parts.append(_stamps(columns.wall_ns, place, order))
    parts.append(_stamps(columns.mono_ns - columns.wall_ns, place, order))
    parts.append(encode_ints(columns.quality.astype(np.int64)))
    parts.extend(encode_floats(group) for group in _groups(columns.value, place, order))
    return b"".join(parts)


def _columns(source: Source, only: Collection[int]) -> Columns:
    table = decode_ints(source)
    if not len(table):
        return Columns.of((), (), (), (), ())
    place = decode_ints(source)
    if not len(place) or not 0 <= place.min() <= place.max() < len(table):
        raise ValueError("a block names channels it does not have")
    order = np.argsort(place, kind="stable")
    wall_ns = _stamps_back(source, order, len(table))
    mono_ns = _stamps_back(source, order, len(table)) + wall_ns
    quality = decode_ints(source)
    grouped = np.concatenate(
        [
            decode_floats(source) if not only or version in only else np.full(skip_floats(source), np.nan)
            for version in table.tolist()
        ]
    )
    if not source.done() or not len(place) == len(wall_ns) == len(quality) == len(grouped):
        raise ValueError("the columns of a block differ in length")
    value = np.empty(len(place), np.float64)
    value[order] = grouped
    return Columns(table.astype(np.uint32)[place], wall_ns, mono_ns, value, quality.astype(np.uint16))


def _groups(column: NDArray[Any], place: NDArray[Any], order: NDArray[Any]) -> list[NDArray[Any]]:
    return np.split(column[order], np.flatnonzero(np.diff(place[order])) + 1)


def _stamps(column: Ints, place: NDArray[Any], order: NDArray[Any]) -> bytes:
    arrival = _BY_ARRIVAL + encode_ints(column)
    channel = _BY_CHANNEL + b"".join(encode_ints(group) for group in _groups(column, place, order))
    return min(arrival, channel, key=len)


def _stamps_back(source: Source, order: NDArray[Any], channels: int) -> Ints:
    way = source.take(1)
    if way == _BY_ARRIVAL:
        return decode_ints(source)
    if way != _BY_CHANNEL:
        raise ValueError("stamps are written in no way known here")
    grouped = np.concatenate([decode_ints(source) for _ in range(channels)])
    if len(grouped) != len(order):
        raise ValueError("the stamps of a block do not fit its channels")
    column = np.empty(len(order), np.int64)
    column[order] = grouped
    return column
