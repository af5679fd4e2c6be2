"""One Modbus connection, by pymodbus: opens it, reads registers, says what went wrong.

Rules of this file:
- A request is never cancelled from outside to limit its time (the next one would then fail): pymodbus's own timeout does that.
- pymodbus retries nothing. A repeated request after a late answer would leave an answer too many on the wire, and RTU answers
  carry no number that tells them apart. After a miss `settle` waits until a late answer has been heard and dropped.
- pymodbus never reconnects by itself and never closes a connection because one device of a bus is silent.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Sequence
from typing import Any, Self
from urllib.parse import urlsplit

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from baytrace.measure.faults import EnvironmentFailed
from baytrace_adapters._decode_registers import Block, Kind
from baytrace_adapters._port_names import PortSettings, device_of, holders, is_url
from baytrace_adapters._serial_port import claim

# What pymodbus logs as errors (a missing answer) is counted and shown by the adapter.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

_NEVER = 1_000_000_000
_EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not respond",
}
"""MODBUS Application Protocol 1.1b3, section 7."""
_GATEWAY_SILENT = (10, 11)


class Refused(Exception):
    """The device answered with an exception."""

    def __init__(self, function: int, code: int) -> None:
        self.function, self.code = function, code
        super().__init__(f"refuses the read: {_EXCEPTIONS.get(code, f'exception {code}')}")

    @property
    def frame(self) -> bytes:
        return bytes([self.function | 0x80, self.code])


class Missed(Exception):
    """No answer in time."""


def is_network(port: str) -> bool:
    return port.startswith(("tcp://", "rtu+tcp://", "socket://"))


class Bus:
    """`async with Bus(...)`; one request at a time."""

    def __init__(self, settings: PortSettings, timeout_s: float) -> None:
        self._settings, self._timeout_s = settings, timeout_s
        self._client: Any = None
        self.device = settings.port

    async def __aenter__(self) -> Self:
        """Raises EnvironmentFailed when the connection cannot be opened."""
        port = self._settings.port
        self._client = self._network() if is_network(port) else self._serial()
        self._client.set_max_no_responses(_NEVER)
        if not await self._client.connect():
            self._client.close()
            held = "" if is_url(port) else holders(self.device)
            raise EnvironmentFailed(f"cannot open {port}{held}")
        claim(getattr(self._client.ctx.transport, "sync_serial", None))
        return self

    async def __aexit__(self, *_: object) -> None:
        with contextlib.suppress(OSError, TypeError, AttributeError):  # the port may be gone already
            self._client.close()

    @property
    def connected(self) -> bool:
        return bool(self._client.connected)

    async def registers(self, block: Block) -> Sequence[int]:
        """Raises Missed, Refused, or EnvironmentFailed when the connection is gone."""
        if not self.connected:
            raise EnvironmentFailed(f"{self._settings.port} was lost")
        read = self._client.read_holding_registers if block.kind is Kind.HOLDING else self._client.read_input_registers
        try:
            answer = await read(block.address, count=block.size, device_id=block.device)
        except (ModbusException, OSError) as error:
            if not self.connected:
                raise EnvironmentFailed(f"{self._settings.port} was lost") from None
            raise Missed(str(error)) from None
        if answer.isError() and answer.exception_code in _GATEWAY_SILENT:
            raise Missed(_EXCEPTIONS[answer.exception_code])
        if answer.isError():
            raise Refused(answer.function_code & 0x7F, answer.exception_code)
        registers: Sequence[int] = answer.registers
        return registers

    def _network(self) -> Any:
        parts = urlsplit(self._settings.port)
        framer = FramerType.SOCKET if parts.scheme == "tcp" else FramerType.RTU
        return AsyncModbusTcpClient(
            str(parts.hostname),
            port=parts.port or 502,
            framer=framer,
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
        )

    def _serial(self) -> Any:
        self.device = device_of(self._settings.port)
        keys = self._settings.line_keys()
        return AsyncModbusSerialClient(
            self.device,
            framer=FramerType.RTU,
            baudrate=keys["baudrate"],
            bytesize=keys["bytesize"],
            parity=keys["parity"],
            stopbits=keys["stopbits"],
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
        )
