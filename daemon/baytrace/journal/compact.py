"""Columns of numbers made small without loss. Pure; what is written here must be readable for ever.

Whole numbers: take off the first, divide by the common divisor (stamps in whole microseconds carry three idle digits),
predict each from its neighbours (none, the last, the last two, or a straight line through the ends), fold the sign in, cut
into byte planes, deflate each plane on its own (RFC 1951). Sums wrap at 64 bits on both ways, so any column is restored.

Floats: an instrument's value is a decimal of few digits, or a 32-bit float. If `n / 10^p` (as a double, or rounded to
32 bits) gives the value back to the bit, `n` is kept; what does not fit is listed apart; if much does not, the bits are.
Division by a power of ten up to 10^15 is exact IEEE 754 rounding, the same on every machine.
"""

from __future__ import annotations

import struct
import zlib
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_INTS = struct.Struct("<IBBqQ")
_FLOATS = struct.Struct("<BBI")
_LENGTH = struct.Struct("<I")
_LINE = 3
_MOST_DIGITS = 9
_FEW = 16
"""One value in so many may be listed apart before a column counts as not decimal."""


class _Kind(IntEnum):
    BITS = 0
    DECIMAL = 1
    DECIMAL_32 = 2
    BITS_32 = 3


class Source:
    """Reads what was written, from the start on. Raises ValueError when it ends too soon or makes no sense."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def take(self, size: int) -> bytes:
        end = self._at + size
        if size < 0 or end > len(self._data):
            raise ValueError("a sealed column is cut short")
        piece = self._data[self._at : end]
        self._at = end
        return piece

    def unpack(self, shape: struct.Struct) -> tuple[Any, ...]:
        return shape.unpack(self.take(shape.size))

    def done(self) -> bool:
        return self._at == len(self._data)


def squeeze(data: bytes) -> bytes:
    """Length and deflated bytes; as they are when that is no shorter."""
    press = zlib.compressobj(9, zlib.DEFLATED, -15)
    small = press.compress(data) + press.flush()
    if len(small) >= len(data):
        small = data
    return _LENGTH.pack(len(small)) + small


def expand(source: Source, size: int) -> bytes:
    small = source.take(source.unpack(_LENGTH)[0])
    if len(small) == size:
        return small
    try:
        press = zlib.decompressobj(-15)
        data = press.decompress(small, size + 1)
    except zlib.error as error:
        raise ValueError(f"a sealed column cannot be inflated ({error})") from None
    if len(data) != size or not press.eof or press.unused_data:
        raise ValueError("a sealed column has another length than it says")
    return data


def encode_ints(values: Ints) -> bytes:
    n = len(values)
    if n == 0:
        return _INTS.pack(0, 0, 0, 0, 1)
    offsets = values - values[0]
    divisor = int(np.gcd.reduce(offsets)) if offsets.min() > -(2**62) and offsets.max() < 2**62 else 1
    divisor = max(divisor, 1)
    scaled = offsets // divisor
    order = min(range(4), key=lambda order: _cost(_residual(scaled, order)[1]))
    heads, residual = _residual(scaled, order)
    folded = ((residual << 1) ^ (residual >> 63)).view(np.uint64)
    width = (int(folded.max()).bit_length() + 7) // 8 if len(folded) else 0
    planes = np.ascontiguousarray(folded.astype("<u8").view(np.uint8).reshape(-1, 8).T[:width])
    head = _INTS.pack(n, order, width, int(values[0]), divisor) + np.array(heads, "<i8").tobytes()
    return head + b"".join(squeeze(plane.tobytes()) for plane in planes)


def decode_ints(source: Source) -> Ints:
    n, order, width, start, divisor = source.unpack(_INTS)
    if order > _LINE or width > 8:
        raise ValueError("a sealed column is written in no way known here")
    if n == 0:
        return np.zeros(0, np.int64)
    heads = np.frombuffer(source.take(8 * _heads(n, order)), "<i8")
    size = n if order == _LINE else max(n - order, 0)
    table = np.zeros((size, 8), np.uint8)
    for plane in range(width):
        table[:, plane] = np.frombuffer(expand(source, size), np.uint8)
    folded = table.view("<u8").reshape(-1)
    residual = (folded >> np.uint64(1)).astype(np.int64) ^ -(folded & np.uint64(1)).astype(np.int64)
    return _restored(residual, heads, order, n) * np.int64(divisor) + np.int64(start)


def skip_ints(source: Source) -> int:
    """Pass over a column; how many numbers it holds."""
    n, order, width, _, _ = source.unpack(_INTS)
    if n:
        source.take(8 * _heads(n, order))
    for _ in range(width):
        source.take(source.unpack(_LENGTH)[0])
    return int(n)


def _heads(n: int, order: int) -> int:
    return 1 if order == _LINE else min(order, n)


def _line(end: np.int64, n: int) -> Ints:
    return np.arange(n, dtype=np.int64) * end // max(n - 1, 1)


def _residual(scaled: Ints, order: int) -> tuple[list[int], Ints]:
    if order == _LINE:
        return [int(scaled[-1])], scaled - _line(scaled[-1], len(scaled))
    heads = []
    for _ in range(min(order, len(scaled))):
        heads.append(int(scaled[0]))
        scaled = np.diff(scaled)
    return heads, scaled


def _restored(residual: Ints, heads: Ints, order: int, n: int) -> Ints:
    if order == _LINE:
        return residual + _line(heads[0], n)
    for start in heads[::-1]:
        residual = np.concatenate(([start], start + np.cumsum(residual)))
    return residual


def _cost(residual: Ints) -> float:
    """Bits a number, roughly."""
    return float(np.log2(np.abs(residual.astype(np.float64)) + 1.0).sum())


def encode_floats(values: Floats) -> bytes:
    """By bits: every NaN and signed zero comes back."""
    values = np.ascontiguousarray(values, np.float64)
    bits = values.view(np.int64)
    short = _as_32(values)
    for kind in (_Kind.DECIMAL, _Kind.DECIMAL_32):
        digits, whole, odd = _decimal(values, bits, kind)
        if len(odd) * _FEW <= len(values):
            whole = _bridged(whole, odd)
            head = _FLOATS.pack(kind, digits, len(odd))
            return head + encode_ints(whole) + encode_ints(odd) + encode_ints(bits[odd])
    if short is not None:
        return _FLOATS.pack(_Kind.BITS_32, 0, 0) + encode_ints(short)
    return _FLOATS.pack(_Kind.BITS, 0, 0) + encode_ints(bits)


def decode_floats(source: Source) -> Floats:
    kind, digits, odd_count = source.unpack(_FLOATS)
    whole = decode_ints(source)
    if kind == _Kind.BITS:
        return whole.view(np.float64)
    if kind == _Kind.BITS_32:
        return whole.astype(np.int32).view(np.float32).astype(np.float64)
    if kind not in (_Kind.DECIMAL, _Kind.DECIMAL_32) or digits > _MOST_DIGITS:
        raise ValueError("a sealed column of floats is written in no way known here")
    values = _from_decimal(whole, digits, kind)
    odd, bits = decode_ints(source), decode_ints(source)
    if len(odd) != odd_count or len(bits) != odd_count or (odd_count and not 0 <= odd.min() <= odd.max() < len(values)):
        raise ValueError("a sealed column of floats names exceptions it does not have")
    values.view(np.int64)[odd] = bits
    return values


def skip_floats(source: Source) -> int:
    """As `skip_ints`."""
    kind, _, _ = source.unpack(_FLOATS)
    n = skip_ints(source)
    if kind in (_Kind.DECIMAL, _Kind.DECIMAL_32):
        skip_ints(source)
        skip_ints(source)
    return n


def _as_32(values: Floats) -> Ints | None:
    """The bits as 32-bit floats, when that loses nothing."""
    with np.errstate(all="ignore"):
        short = values.astype(np.float32)
        same = (short.astype(np.float64).view(np.int64) == values.view(np.int64)).all()
    return short.view(np.int32).astype(np.int64) if same else None


def _from_decimal(whole: Ints, digits: int, kind: int) -> Floats:
    values = whole.astype(np.float64) / 10.0**digits
    return values.astype(np.float32).astype(np.float64) if kind == _Kind.DECIMAL_32 else values


def _decimal(values: Floats, bits: Ints, kind: _Kind) -> tuple[int, Ints, Ints]:
    """The fewest digits that restore (nearly) all, the whole numbers, and the places where they do not."""
    digits, whole, odd = 0, np.zeros(0, np.int64), np.arange(len(values), dtype=np.int64)
    with np.errstate(all="ignore"):
        for digits in range(_MOST_DIGITS + 1 if kind is _Kind.DECIMAL else 5):
            raised = np.rint(values * 10.0**digits)
            fits = np.abs(raised) < 2.0**53
            whole = np.where(fits, raised, 0.0).astype(np.int64)
            odd = np.flatnonzero(_from_decimal(whole, digits, kind).view(np.int64) != bits)
            if len(odd) * _FEW <= len(values):
                break
    return digits, whole, odd


def _bridged(whole: Ints, odd: Ints) -> Ints:
    """At the places listed apart, the neighbour before: it costs least."""
    if not len(odd):
        return whole
    place = np.arange(len(whole))
    place[odd] = 0
    filled = whole[np.maximum.accumulate(place)]
    if odd[0] == 0:
        good = np.setdiff1d(np.arange(len(whole)), odd)
        filled[: good[0] if len(good) else len(whole)] = whole[good[0]] if len(good) else 0
    return filled
