"""Pressure transmitters and other devices that speak Modbus: RTU on a serial bus, RTU or TCP over the network."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field, field_validator

from baytrace.adapter import ChannelRequest, ChannelSettings, LinkState, Sink
from baytrace.measure.address import checked_address
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Raw
from baytrace_adapters._decode_registers import Block, Kind, NumberType, Order, Point, blocks, value_of
from baytrace_adapters._modbus_bus import Bus, Missed, Refused, is_network
from baytrace_adapters._numbers import Meaning, Unreadable, measures_resistance
from baytrace_adapters._patience import Backoff, real_timeout
from baytrace_adapters._port_names import PortSettings, device_facts, exclusive_port, shifting_name

_NETWORK = re.compile(r"(tcp|rtu\+tcp|socket)://[^/?#:]+(:\d+)?/?")


class ModbusSettings(PortSettings):
    """Keys of a Modbus bus: one port, one or more devices."""

    device: int = Field(default=1, ge=1, le=247)
    """Device address (unit id) of channels that do not name their own."""
    addresses_from: Literal[0, 1] = 0
    """0: `address` is as sent on the wire; 1: the maker counts registers from 1."""
    interval_s: float = Field(default=1.0, gt=0.0)
    """How often every channel is read (s); as fast as the bus allows where it is slower."""
    timeout_s: float = Field(default=0.5, ge=0.02)
    """How long an answer may take (s)."""
    retries: int = Field(default=1, ge=0, le=5)
    """How often a missed answer is asked for again at once."""
    reprobe_s: float = Field(default=10.0, gt=0.0)
    """How often a device that does not answer is tried again (s); meanwhile it does not slow the others down."""
    reconnect_s: float = Field(default=5.0, gt=0.0)
    """Longest wait between attempts to open a lost port (s)."""
    join: bool = True
    """Read registers that lie next to each other in one request."""

    @field_validator("port")
    @classmethod
    def _known_shape(cls, text: str) -> str:
        if "://" in text and not _NETWORK.fullmatch(text):
            raise ValueError(
                "write a serial port, tcp://host:502 (Modbus TCP) or rtu+tcp://host:port (RTU through a converter)"
            )
        return checked_address(text) if "://" in text else text


class ModbusChannelKeys(ChannelSettings):
    """Keys of a channel read by Modbus."""

    device: int | None = Field(default=None, ge=1, le=247)
    """Device address (unit id); the instrument's where left out."""
    kind: Kind = Kind.HOLDING
    """Register table: `holding` or `input`."""
    address: int = Field(ge=0, le=65_536)
    """First register of the number (see `addresses_from`)."""
    type: NumberType = NumberType.INT16
    """How the number is kept: `int16`, `uint16`, `int32`, `uint32`, `int64`, `uint64`, `float32`, `float64`."""
    word_order: Order = Order.BIG
    """Whether the high (`big`) or the low (`little`) register of a longer number comes first."""
    byte_order: Order = Order.BIG
    """Order of the bytes in a register; the standard says `big`."""
    scale: float = 1.0
    """What one count is worth in the channel's unit, such as 0.01."""
    over_range: list[int] = Field(default_factory=list)
    """Register values (before `scale`) that mean over range."""
    under_range: list[int] = Field(default_factory=list)
    """Register values that mean under range."""
    no_value: list[int] = Field(default_factory=list)
    """Register values that mean no measurement (sensor fault)."""

    @field_validator("scale")
    @classmethod
    def _tells(cls, scale: float) -> float:
        if scale == 0.0:
            raise ValueError("a scale of 0 makes every reading 0")
        return scale


@dataclass
class _Device:
    """What is known of one device of the bus; times are bench monotonic ns."""

    misses: int = 0
    skipped_until_ns: int = 0
    trouble: str = ""


_MISSES_TO_SKIP = 2
_REPROBE_GROWTH = 6


def _point(channel: ChannelRequest, settings: ModbusSettings) -> Point:
    keys = channel.settings
    address = keys.address - settings.addresses_from
    if not 0 <= address <= 65_536 - keys.type.registers:
        raise BadInput(
            f"address {keys.address} with type {keys.type} is outside the table",
            where=f"channel {channel.name}",
            right=f"{settings.addresses_from} to {65_536 - keys.type.registers + settings.addresses_from}",
        )
    special = [
        (Meaning.OVER_RANGE, keys.over_range),
        (Meaning.UNDER_RANGE, keys.under_range),
        (Meaning.NO_VALUE, keys.no_value),
    ]
    return Point(
        channel=channel.name,
        device=keys.device or settings.device,
        kind=keys.kind,
        address=address,
        type=keys.type,
        word_order=keys.word_order,
        byte_order=keys.byte_order,
        scale=keys.scale,
        resistance=measures_resistance(channel.unit),
        special=tuple((number, meaning) for meaning, numbers in special for number in numbers),
    )


class ModbusAdapter:
    """Polls the devices of one bus, one request after another."""

    name: ClassVar[str] = "modbus"
    summary: ClassVar[str] = "Modbus devices, RTU or TCP: pressure transmitters, temperature modules"
    Settings = ModbusSettings
    ChannelKeys = ModbusChannelKeys
    sample: ClassVar[str] = """\
[[instrument]]
name = "pressure transmitters"
adapter = "modbus"
port = "/dev/serial/by-id/usb-rs485-if00-port0"
baud = 19200
parity = "even"
interval_s = 0.5

[[instrument.channel]]
role = "low_side"
unit = "bar"
device = 1
address = 0
type = "float32"

[[instrument.channel]]
role = "high_side"
unit = "bar"
device = 2
address = 0
type = "int16"
scale = 0.01
"""

    def __init__(
        self, instrument: str, settings: ModbusSettings, channels: Sequence[ChannelRequest], sink: Sink
    ) -> None:
        try:
            points = [_point(channel, settings) for channel in channels]
        except BadInput as error:
            raise BadInput(error.what, where=f"instrument {instrument}, {error.where}", right=error.right) from None
        self._settings, self._sink = settings, sink
        self.exclusive = exclusive_port(settings.port)
        self._blocks = blocks(points, join=settings.join)
        self._devices = {block.device: _Device() for block in self._blocks}
        self._timeout_s = real_timeout(sink.clock, settings.timeout_s)
        self._backoff = Backoff(0.25, settings.reconnect_s)

    async def run(self) -> None:
        self._sink.link(LinkState.OPENING, self._settings.port)
        while True:
            try:
                async with Bus(self._settings, self._timeout_s) as bus:
                    self._opened(bus)
                    await self._poll(bus)
                self._sink.count("reopened silent")
            except EnvironmentFailed as error:
                for device in self._devices.values():
                    device.misses = device.skipped_until_ns = 0
                self._sink.link(LinkState.LOST, str(error))
            await self._sink.clock.sleep(self._backoff.next_s())

    def _opened(self, bus: Bus) -> None:
        port = self._settings.port
        facts = {"port": port} if is_network(port) else dict(device_facts(port, bus.device))
        if shifting_name(port):
            facts["note"] = "this port name can move to another device: prefer /dev/serial/by-id/... or VID:PID:SERIAL"
        self._sink.identity(facts)

    async def _poll(self, bus: Bus) -> None:
        """Read until no device has answered for some rounds: then the port itself may have stalled. Raises EnvironmentFailed."""
        loop, due = asyncio.get_running_loop(), 0.0
        rounds_silent = 0
        while rounds_silent < _MISSES_TO_SKIP:
            await asyncio.sleep(max(0.0, due - loop.time()))
            due = max(due, loop.time()) + self._sink.clock.real_seconds(self._settings.interval_s)
            answered = await self._round(bus)
            if answered is None:
                continue
            rounds_silent = 0 if answered else rounds_silent + 1
            self._tell(answered=answered)

    async def _round(self, bus: Bus) -> bool | None:
        """Read what is due; whether any device answered, None when all are being left alone for now."""
        answered: bool | None = None
        for number, device in self._devices.items():
            if self._sink.clock.mono_ns() < device.skipped_until_ns:
                continue
            answered = bool(answered)
            try:
                for block in self._blocks:
                    if block.device == number:
                        await self._read(bus, block, probing=device.misses >= _MISSES_TO_SKIP)
            except Missed:
                self._missed(device)
                await self._settle()
            else:
                answered = True
                device.misses = 0
                self._backoff.reset()
        return answered

    async def _read(self, bus: Bus, block: Block, *, probing: bool) -> None:
        """Raises Missed."""
        device = self._devices[block.device]
        for left in range(0 if probing else self._settings.retries, -1, -1):
            try:
                registers = await bus.registers(block)
            except Missed:
                self._sink.count("no answer")
                if not left:
                    raise
                self._sink.count("retry")
                await self._settle()
            except Refused as error:
                device.trouble = f"device {block.device} {error}"
                self._sink.count("device exception")
                await self._sink.reject(error.frame, f"{device.trouble} ({block.kind} register {block.address})")
                return
            else:
                device.trouble = ""
                await self._understood(block, registers)
                return

    async def _understood(self, block: Block, registers: Sequence[int]) -> None:
        wall_ns, mono_ns = self._sink.clock.wall_ns(), self._sink.clock.mono_ns()
        try:
            values = [(point.channel, *value_of(block, registers, point)) for point in block.points]
        except Unreadable as error:
            frame = b"".join(register.to_bytes(2, "big") for register in registers)
            await self._sink.reject(frame, f"device {block.device}: {error}")
            return
        await self._sink.samples([Raw(channel, value, wall_ns, mono_ns, quality) for channel, value, quality in values])

    def _missed(self, device: _Device) -> None:
        device.misses += 1
        if device.misses >= _MISSES_TO_SKIP:
            growth = min(device.misses - _MISSES_TO_SKIP + 1, _REPROBE_GROWTH)
            device.skipped_until_ns = self._sink.clock.mono_ns() + int(self._settings.reprobe_s * growth * 1e9)

    async def _settle(self) -> None:
        """Let a late answer come and be dropped before anything else is asked."""
        await asyncio.sleep(self._timeout_s)

    def _tell(self, *, answered: bool) -> None:
        silent = [str(number) for number, device in self._devices.items() if device.misses]
        troubles = [device.trouble for device in self._devices.values() if device.trouble]
        if silent:
            troubles.append(f"no answer from device {', '.join(silent)}")
        self._sink.link(LinkState.UP if answered else LinkState.SILENT, "; ".join(troubles) or self._settings.port)


ADAPTER = ModbusAdapter
