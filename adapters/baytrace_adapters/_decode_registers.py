"""Modbus registers into numbers, and points into as few reads as are safe. Pure.

A register is 16 bits, sent high byte first (MODBUS Application Protocol 1.1b3, 4.2). How a maker lays a longer number over
several registers is not standardised, so word order and byte order are always explicit here.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import NamedTuple

from baytrace.measure.reading import Quality
from baytrace_adapters._numbers import Meaning, Unreadable, marked

MOST_REGISTERS = 125
"""Registers in one read (MODBUS Application Protocol 1.1b3, 6.3)."""


class Kind(StrEnum):
    """Which of a device's two tables of registers."""

    HOLDING = "holding"
    INPUT = "input"


class Order(StrEnum):
    """Which part of a number comes first."""

    BIG = "big"
    LITTLE = "little"


class NumberType(StrEnum):
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def registers(self) -> int:
        return int(self.value.lstrip("uintfloa")) // 16

    @property
    def code(self) -> str:
        """For `struct`, big-endian."""
        return _CODES[self.value]


_CODES = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "int64": ">q",
    "uint64": ">Q",
    "float32": ">f",
    "float64": ">d",
}


class Point(NamedTuple):
    """One number in a device; `address` as sent on the wire, counted from 0."""

    channel: str
    device: int
    kind: Kind
    address: int
    type: NumberType
    word_order: Order = Order.BIG
    byte_order: Order = Order.BIG
    scale: float = 1.0
    resistance: bool = False
    special: tuple[tuple[int, Meaning], ...] = ()


class Block(NamedTuple):
    """One read: `size` registers that hold all of `points`."""

    device: int
    kind: Kind
    address: int
    size: int
    points: tuple[Point, ...]


def blocks(points: Iterable[Point], *, join: bool = True) -> list[Block]:
    """Reads that cover every point, by device in the order devices were first named.

    Only registers that touch or overlap are joined: reading across a gap makes many devices refuse the whole read.
    """
    order: dict[int, int] = {}
    for point in (points := list(points)):
        order.setdefault(point.device, len(order))
    found: list[Block] = []
    for point in sorted(points, key=lambda p: (order[p.device], p.kind, p.address)):
        last = found[-1] if found else None
        end = point.address + point.type.registers
        if (
            join
            and last is not None
            and (last.device, last.kind) == (point.device, point.kind)
            and point.address <= last.address + last.size
            and end - last.address <= MOST_REGISTERS
        ):
            size = max(last.size, end - last.address)
            found[-1] = last._replace(size=size, points=(*last.points, point))
        else:
            found.append(Block(point.device, point.kind, point.address, point.type.registers, (point,)))
    return found


def raw_number(registers: Sequence[int], kind: NumberType, word_order: Order, byte_order: Order) -> int | float:
    """The number as the device holds it. Raises Unreadable when there are too few registers."""
    if len(registers) != kind.registers:
        raise Unreadable(f"{len(registers)} registers where {kind} takes {kind.registers}")
    words = list(registers) if word_order is Order.BIG else list(reversed(registers))
    code = ">" if byte_order is Order.BIG else "<"
    data = struct.pack(f"{code}{len(words)}H", *words)
    number: int | float = struct.unpack(kind.code, data)[0]
    return number


def value_of(block: Block, registers: Sequence[int], point: Point) -> tuple[float, int]:
    """Value (scaled) and quality of one point in the answer to its block. Raises Unreadable.

    A number the maker reserved (`special`), NaN and infinity carry their meaning in the quality.
    """
    if len(registers) != block.size:
        raise Unreadable(f"{len(registers)} registers where {block.size} were asked for")
    start = point.address - block.address
    number = raw_number(registers[start : start + point.type.registers], point.type, point.word_order, point.byte_order)
    for reserved, meaning in point.special:
        if number == reserved:
            return marked(meaning, resistance=point.resistance)
    if isinstance(number, float) and not math.isfinite(number):
        if math.isnan(number):
            return math.nan, int(Quality.NOT_A_NUMBER)
        return marked(Meaning.OVER_RANGE if number > 0 else Meaning.UNDER_RANGE, resistance=point.resistance)
    return number * point.scale, 0
