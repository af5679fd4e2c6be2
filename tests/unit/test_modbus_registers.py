"""Modbus registers into numbers, and points into reads."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.adapter import Collector, adapter_named
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality
from baytrace_adapters._decode_registers import (
    MOST_REGISTERS,
    Kind,
    NumberType,
    Order,
    Point,
    blocks,
    raw_number,
    value_of,
)
from baytrace_adapters._numbers import Meaning, Unreadable
from baytrace_adapters.modbus import ModbusSettings
from servers import requests

POINTS = st.lists(
    st.builds(
        Point,
        channel=st.text(min_size=1, max_size=3),
        device=st.integers(1, 3),
        kind=st.sampled_from(Kind),
        address=st.integers(0, 400),
        type=st.sampled_from(NumberType),
    ),
    max_size=30,
)


def test_a_float_in_every_order():
    """123456.0 as IEEE 754 single is 47 F1 20 00: the four ways makers lay it over two registers."""
    assert raw_number([0x47F1, 0x2000], NumberType.FLOAT32, Order.BIG, Order.BIG) == 123456.0
    assert raw_number([0x2000, 0x47F1], NumberType.FLOAT32, Order.LITTLE, Order.BIG) == 123456.0
    assert raw_number([0xF147, 0x0020], NumberType.FLOAT32, Order.BIG, Order.LITTLE) == 123456.0
    assert raw_number([0x0020, 0xF147], NumberType.FLOAT32, Order.LITTLE, Order.LITTLE) == 123456.0


@given(st.sampled_from(NumberType), st.sampled_from(Order), st.sampled_from(Order), st.data())
def test_numbers_come_back_in_every_type_and_order(kind, word_order, byte_order, data):
    """What a device packs in a declared layout is read back exactly."""
    width = 16 * kind.registers
    if kind.startswith("float"):
        number = data.draw(st.floats(width=32 if width == 32 else 64, allow_nan=False))
    else:
        low, high = (0, 2**width - 1) if kind.startswith("u") else (-(2 ** (width - 1)), 2 ** (width - 1) - 1)
        number = data.draw(st.integers(low, high))
    packed = struct.pack(kind.code, number)
    words = [packed[index : index + 2] for index in range(0, len(packed), 2)]
    if byte_order is Order.LITTLE:
        words = [word[::-1] for word in words]
    if word_order is Order.LITTLE:
        words.reverse()
    assert raw_number([int.from_bytes(word, "big") for word in words], kind, word_order, byte_order) == number


@given(POINTS, st.booleans())
def test_reads_cover_every_point_once_and_cross_no_gap(points, join):
    """Every point lies whole in exactly one read of its device and table; no read is too long or asks for a register nobody wants."""
    found = blocks(points, join=join)
    assert sorted(point for block in found for point in block.points) == sorted(points)
    for block in found:
        wanted = set()
        for point in block.points:
            assert (point.device, point.kind) == (block.device, block.kind)
            wanted |= set(range(point.address, point.address + point.type.registers))
        assert wanted == set(range(block.address, block.address + block.size))
        assert block.size <= MOST_REGISTERS


def one(kind=NumberType.INT16, **keys):
    point = Point("c", 1, Kind.HOLDING, 0, kind, **keys)
    return blocks([point])[0], point


def test_scale_reserved_numbers_and_not_a_number():
    """Counts times scale; a maker's reserved numbers and IEEE special values carry their meaning in the quality."""
    block, point = one(scale=0.1, special=((32767, Meaning.OVER_RANGE), (-32768, Meaning.NO_VALUE)))
    assert value_of(block, [123], point) == (12.3, 0) or value_of(block, [123], point)[0] == pytest.approx(12.3)
    assert value_of(block, [0x7FFF], point) == (math.inf, Quality.OVER_RANGE)
    assert value_of(block, [0x8000], point)[1] == Quality.NOT_A_NUMBER
    block, point = one(NumberType.FLOAT32, resistance=True)
    assert value_of(block, [0x7FC0, 0], point)[1] == Quality.NOT_A_NUMBER
    assert value_of(block, [0x7F80, 0], point) == (math.inf, Quality.OVER_RANGE | Quality.OPEN_CIRCUIT)
    assert value_of(block, [0xFF80, 0], point) == (-math.inf, Quality.UNDER_RANGE)


@given(st.lists(st.integers(0, 65_535), max_size=5))
def test_an_answer_of_another_length_is_refused(registers):
    """Too few or too many registers are never a value."""
    block, point = one(NumberType.INT32)
    if len(registers) != 2:
        with pytest.raises(Unreadable):
            value_of(block, registers, point)


@pytest.mark.parametrize(
    "port",
    [
        "tcp://host",
        "tcp://host:502",
        "rtu+tcp://host:4001",
        "socket://host:4001",
        "COM3",
        "/dev/ttyUSB0",
        "0403:6001:A1",
    ],
)
def test_ports_that_can_be(port):
    """A serial port in every form, and networks with a scheme."""
    assert ModbusSettings(port=port).port == port


@pytest.mark.parametrize("port", ["", "udp://host", "rfc2217://host:1", "tcp://", "tcp://host:port"])
def test_ports_that_cannot_be(port):
    """What cannot carry Modbus here is refused when the settings are read."""
    with pytest.raises(ValueError, match="port"):
        ModbusSettings(port=port)


def test_addresses_may_count_from_one():
    """`addresses_from = 1` takes a maker's register 1 for the wire's 0, and refuses 0."""
    made = adapter_named("modbus")
    settings = made.Settings(port="COM3", addresses_from=1)
    adapter = made("bus", settings, requests("modbus", [("p", "bar", {"address": 1})]), Collector(SystemClock()))
    assert adapter._blocks[0].address == 0
    with pytest.raises(
        BadInput, match="instrument bus, channel p: address 0 with type int16 is outside the table; 1 to 65536"
    ):
        made("bus", settings, requests("modbus", [("p", "bar", {"address": 0})]), Collector(SystemClock()))
