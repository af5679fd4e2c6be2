"""The modbus adapter against pymodbus's own server, over TCP and over a serial bus."""

import asyncio
import contextlib
import struct

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from baytrace.adapter import LinkState
from baytrace_adapters._decode_registers import NumberType
from servers import device, eventually, free_port, pseudo_terminal, running


@contextlib.asynccontextmanager
async def tcp_server(devices, port=None, framer=FramerType.SOCKET):
    port = port or free_port()
    server = ModbusTcpServer(devices, framer=framer, address=("127.0.0.1", port), ignore_missing_devices=True)
    await server.serve_forever(background=True)
    try:
        yield port
    finally:
        await server.shutdown()
        await asyncio.sleep(0.05)


def transmitters():
    return [
        SimDevice(
            id=1,
            simdata=[
                SimData(0, values=2.5, datatype=DataType.FLOAT32),
                SimData(10, values=-123, datatype=DataType.INT16),
            ],
        ),
        SimDevice(id=2, simdata=[SimData(0, values=1700, datatype=DataType.UINT16)]),
    ]


CHANNELS = [
    ("low", "bar", {"device": 1, "address": 0, "type": "float32"}),
    ("board", "degC", {"device": 1, "address": 10, "type": "int16", "scale": 0.1}),
    ("high", "bar", {"device": 2, "address": 0, "type": "uint16", "scale": 0.01, "kind": "input"}),
]


def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


class RtuBus:
    """Devices on a serial bus, written from the standard alone: holding registers by (device, address)."""

    def __init__(self, registers):
        self.registers, self.asked, self.mute, self.noise = registers, [], set(), b""

    def answer(self, frame):
        if len(frame) != 8 or crc(frame[:6]) != frame[6:]:
            return b""
        unit, function, address, count = struct.unpack(">BBHH", frame[:6])
        self.asked.append(unit)
        if unit in self.mute or unit not in {one for one, _ in self.registers}:
            return b""
        words = [self.registers.get((unit, address + index)) for index in range(count)]
        if None in words:
            reply = bytes([unit, function | 0x80, 2])
        else:
            reply = bytes([unit, function, 2 * count]) + struct.pack(f">{count}H", *words)
        return self.noise + reply + crc(reply)


async def test_tcp_reads_types_scales_and_devices_of_one_bus():
    """Values come from two devices of one bus with their type and scale, each in its own unit."""
    async with (
        tcp_server(transmitters()) as port,
        running("modbus", {"port": f"tcp://127.0.0.1:{port}", "interval_s": 0.05}, CHANNELS) as sink,
    ):
        await eventually(lambda: {raw.channel for raw in sink.raws} == {"low", "board", "high"})
        values = {raw.channel: raw.value for raw in sink.raws}
        assert values["low"] == 2.5
        assert abs(values["board"] + 12.3) < 1e-9
        assert abs(values["high"] - 17.0) < 1e-9
        assert sink.links[-1][0] is LinkState.UP


async def test_rtu_over_a_network_converter():
    """`rtu+tcp://` speaks RTU frames over a socket."""
    port = free_port()
    settings = {"port": f"rtu+tcp://127.0.0.1:{port}", "interval_s": 0.05}
    async with tcp_server(transmitters(), port, FramerType.RTU), running("modbus", settings, CHANNELS) as sink:
        await eventually(lambda: any(raw == ("low", 2.5, *raw[2:]) for raw in sink.raws))


async def test_tcp_server_gone_and_back():
    """A server that goes away is lost, and read again when it is back."""
    port = free_port()
    async with running(
        "modbus", {"port": f"tcp://127.0.0.1:{port}", "interval_s": 0.05, "timeout_s": 0.2}, CHANNELS[:1]
    ) as sink:
        async with tcp_server(transmitters(), port):
            await eventually(lambda: sink.raws)
        await eventually(lambda: sink.links[-1][0] is not LinkState.UP)
        sink.raws.clear()
        async with tcp_server(transmitters(), port):
            await eventually(lambda: sink.raws and sink.links[-1][0] is LinkState.UP)


async def test_a_refused_register_is_told_and_others_go_on():
    """An exception answer is counted, kept and shown; the other device is read as before."""

    async def refuse(*_):
        return ExcCodes.DEVICE_FAILURE

    devices = [
        SimDevice(id=1, simdata=[SimData(0, values=0.0, datatype=DataType.FLOAT32)], action=refuse),
        transmitters()[1],
    ]
    async with (
        tcp_server(devices) as port,
        running("modbus", {"port": f"tcp://127.0.0.1:{port}", "interval_s": 0.05}, [CHANNELS[0], CHANNELS[2]]) as sink,
    ):
        await eventually(lambda: sink.counts.get("device exception", 0) > 2 and len(sink.raws) > 2)
        assert {raw.channel for raw in sink.raws} == {"high"}
        assert "device failure" in sink.links[-1][1]
        assert sink.rejects[0] == (b"\x83\x04", "device 1 refuses the read: device failure (holding register 0)")


async def test_a_dead_device_does_not_slow_the_bus():
    """A device that does not answer is left alone after two misses; the living one keeps its pace, and the dead one is tried again."""
    bus = RtuBus({(2, 0): 55})
    channels = [("dead", "bar", {"device": 1, "address": 0}), ("alive", "bar", {"device": 2, "address": 0})]
    settings = {"interval_s": 0.05, "timeout_s": 0.1, "retries": 1, "reprobe_s": 0.5}
    with pseudo_terminal() as terminal:
        async with (
            device(terminal, bus.answer),
            running("modbus", {"port": terminal.name, **settings}, channels) as sink,
        ):
            await eventually(lambda: len(sink.raws) > 3)
            await asyncio.sleep(2.0)
            assert len(sink.raws) > 12
            assert 3 <= bus.asked.count(1) < 12
            assert sink.links[-1] == (LinkState.UP, "no answer from device 1")
            bus.registers[(1, 0)] = 7
            await eventually(lambda: any(raw.channel == "dead" and raw.value == 7.0 for raw in sink.raws))


async def test_noise_before_a_frame_costs_a_retry_and_no_wrong_value():
    """Two noise bytes before an answer never become a value; the next clean answer does."""
    bus = RtuBus({(1, 0): 4242})
    bus.noise = b"\x00\xff"
    with pseudo_terminal() as terminal:
        settings = {"port": terminal.name, "interval_s": 0.02, "timeout_s": 0.05, "reprobe_s": 0.1}
        async with device(terminal, bus.answer), running("modbus", settings, [("p", "Pa", {"address": 0})]) as sink:
            await eventually(lambda: len(bus.asked) > 2)
            bus.noise = b""
            await eventually(lambda: sink.raws)
            assert {raw.value for raw in sink.raws} == {4242.0}


async def test_late_answers_are_never_taken_for_another_register():
    """A device slower than the timeout: an answer that comes late is dropped, not given to the next register asked for."""
    registers = {(1, 0): 1, (1, 100): 2}
    bus = RtuBus(registers)
    late = []

    def slow(frame):
        reply = bus.answer(frame)
        loop = asyncio.get_running_loop()
        late.append(loop.call_later(0.13, terminal.write, reply)) if reply else None
        return b""

    channels = [("one", "bar", {"address": 0}), ("two", "bar", {"address": 100})]
    with pseudo_terminal() as terminal:
        settings = {"port": terminal.name, "interval_s": 0.01, "timeout_s": 0.1, "retries": 1, "reprobe_s": 0.05}
        async with device(terminal, slow), running("modbus", settings, channels) as sink:
            await eventually(lambda: len(bus.asked) > 8, 15)
            await asyncio.sleep(0.2)
            assert all(raw.value == {"one": 1.0, "two": 2.0}[raw.channel] for raw in sink.raws)


async def test_replugged_under_another_name(tmp_path):
    """Unplugged and plugged in again as another device: the by-id link is followed and reading goes on."""
    bus = RtuBus({(1, 0): 9})
    link = tmp_path / "by-id"
    with pseudo_terminal() as first:
        link.symlink_to(first.name)
        async with running(
            "modbus", {"port": str(link), "interval_s": 0.05, "timeout_s": 0.1}, [("p", "Pa", {"address": 0})]
        ) as sink:
            async with device(first, bus.answer):
                await eventually(lambda: sink.raws)
            with pseudo_terminal() as second:
                first.unplug()
                link.unlink()
                link.symlink_to(second.name)
                await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))
                sink.raws.clear()
                async with device(second, bus.answer):
                    await eventually(lambda: sink.raws)
                    assert sink.facts["device"] == second.name


async def test_a_port_that_is_not_there_is_told_in_one_line():
    """A missing port is reported with its name, and tried again."""
    async with running("modbus", {"port": "/dev/serial/by-id/none"}, [("p", "Pa", {"address": 0})]) as sink:
        await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))
        assert "/dev/serial/by-id/none is not there" in sink.links[-1][1]


def test_every_number_type_is_as_wide_as_its_name():
    """A type takes as many registers as its bits say."""
    assert {kind: kind.registers for kind in NumberType} == {
        "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "int64": 4, "uint64": 4, "float64": 4
    }  # fmt: skip
