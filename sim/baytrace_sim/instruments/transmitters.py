"""Two pressure transmitters on one Modbus RTU bus, answered by pymodbus's server.

Unit 1, low side: holding registers 0 and 1, a 32-bit float, high word first, in the channel's unit.
Unit 2, high side: holding register 0, a signed 16-bit number of hundredths; 32767 is over range.
The server listens on a port of its own; its frames are carried to and from the wire.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import struct
from typing import Any

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from baytrace.measure.roles import Role
from baytrace_sim.instruments.instrument import Instrument
from baytrace_sim.instruments.wire import Wire
from baytrace_sim.readings import Readings

LOW_UNIT, HIGH_UNIT = 1, 2
OVER_RANGE = 32767


class Transmitters(Instrument):
    name = "pressure transmitters"

    def __init__(self, readings: Readings, wire: Wire) -> None:
        super().__init__(readings, wire)
        self._registers: dict[int, list[int]] = {LOW_UNIT: [0, 0], HIGH_UNIT: [0]}
        self._server: ModbusTcpServer | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._carrying: asyncio.Task[None] | None = None
        self._time_s = 0.0

    async def start(self) -> None:
        self._measure(0.0)
        devices = [self._device(unit) for unit in self._registers]
        self._server = ModbusTcpServer(devices, framer=FramerType.RTU, address=("127.0.0.1", 0))
        await self._server.serve_forever(background=True)
        listening: Any = self._server.transport
        host, port = listening.sockets[0].getsockname()[:2]
        reader, self._writer = await asyncio.open_connection(host, port)
        self._carrying = asyncio.create_task(self._carry(reader), name="transmitters")
        self.wire.heard = self._asked
        await super().start()

    async def stop(self) -> None:
        await super().stop()
        if self._carrying is not None:
            self._carrying.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._carrying
        if self._writer is not None:
            self._writer.close()
            with contextlib.suppress(ConnectionError):
                await self._writer.wait_closed()
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def _device(self, unit: int) -> SimDevice:
        async def refresh(*call: Any) -> ExcCodes | None:
            """Called by pymodbus with function, start, address, count, the registers to answer with, and values to write."""
            start, registers, written = call[1], call[4], call[5]
            if written is not None:
                return ExcCodes.ILLEGAL_FUNCTION
            fresh = self._registers[unit]
            registers[: len(fresh)] = fresh[start:] if start else fresh
            return None

        size = len(self._registers[unit])
        return SimDevice(unit, [SimData(0, count=size, values=0, datatype=DataType.REGISTERS)], action=refresh)

    def _asked(self, data: bytes) -> None:
        if self._writer is not None and not self.now("silence", self._time_s):
            self._writer.write(data)

    async def _carry(self, reader: asyncio.StreamReader) -> None:
        while data := await reader.read(1024):
            garbled = self.now("garbage", self._time_s)
            self.wire.send(bytes(byte ^ self.noise.randrange(256) for byte in data) if garbled else data)

    async def speak(self, time_s: float) -> None:
        self._time_s = time_s
        self._measure(time_s)

    def _measure(self, time_s: float) -> None:
        low, high = (self.readings.shown(role, time_s) for role in (Role.LOW_SIDE, Role.HIGH_SIDE))
        if low is not None:
            self._registers[LOW_UNIT] = list(
                struct.unpack(">2H", struct.pack(">f", math.nan if math.isinf(low) else low))
            )
        if high is not None:
            counts = OVER_RANGE if math.isinf(high) else min(max(round(high * 100.0), -32768), OVER_RANGE - 1)
            self._registers[HIGH_UNIT] = [counts & 0xFFFF]

    def tables(self) -> dict[str, Any]:
        low = self.channel(Role.LOW_SIDE, device=LOW_UNIT, address=0, type="float32")
        high = self.channel(
            Role.HIGH_SIDE, device=HIGH_UNIT, address=0, type="int16", scale=0.01, over_range=[OVER_RANGE]
        )
        return {
            "adapter": "modbus",
            "port": self.wire.port,
            "baud": 19200,
            "interval_s": self.readings.scenario.channel[Role.LOW_SIDE].period_s,
            "channel": [low, high],
        }
