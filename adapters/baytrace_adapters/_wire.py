"""Keeps a serial conversation alive: opens the port, lets an adapter talk, and comes back after every failure.

States as the bench sees them: OPENING until the first opening succeeds, UP while the port is open, LOST from a failure until
the next success, SILENT when the port was open and nothing came for longer than the watchdog allows. A silent port is
opened anew (drivers and network links can stall without an error) and stays SILENT until bytes come again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from pydantic import Field

from baytrace.adapter import ChannelRequest, LinkState, Sink
from baytrace.measure.faults import EnvironmentFailed
from baytrace_adapters._patience import Backoff, real_timeout
from baytrace_adapters._port_names import PortSettings, shifting_name
from baytrace_adapters._serial_port import Chunk, SerialPort

_SILENT_PERIODS, _SILENT_LEAST_S, _SILENT_LEAST_REAL_S = 10.0, 10.0, 2.0
_MOST_GROWTH = 8


class WireSettings(PortSettings):
    """Keys of an instrument that is kept open on a serial port."""

    silence_s: float = Field(default=0.0, ge=0.0)
    """Open the port anew after so long without a byte (s); 0 takes ten periods, at least 10 s. Doubles, up to eightfold, while it stays silent."""
    reconnect_s: float = Field(default=10.0, gt=0.0)
    """Longest wait between attempts to open a lost port (s)."""


class Silent(Exception):
    """Nothing came for longer than the watchdog allows."""


class Wire:
    """One port through all its openings."""

    def __init__(self, settings: WireSettings, channels: Sequence[ChannelRequest], sink: Sink) -> None:
        self._settings, self._sink = settings, sink
        longest = max((channel.period_s for channel in channels), default=1.0)
        self._silence_s = settings.silence_s or max(_SILENT_PERIODS * longest, _SILENT_LEAST_S)
        self._growth = 1
        self._silent = False
        self._heard_at = 0.0
        self._backoff = Backoff(0.25, settings.reconnect_s)

    async def run(self, talk: Callable[[SerialPort], Awaitable[None]]) -> None:
        """Call `talk` with each open port until cancelled."""
        self._sink.link(LinkState.OPENING, self._settings.port)
        while True:
            try:
                async with SerialPort(self._settings, self._sink.clock) as port:
                    self._opened(port)
                    await talk(port)
            except Silent:
                self._silent = True
                self._growth = min(self._growth * 2, _MOST_GROWTH)
                self._sink.count("reopened silent")
                self._sink.link(LinkState.SILENT, f"nothing from {self._settings.port} for {self._silence_s:g} s")
            except EnvironmentFailed as error:
                self._silent = False
                self._sink.link(LinkState.LOST, str(error))
                await self._sink.clock.sleep(self._backoff.next_s())

    async def read(self, port: SerialPort, within_s: float | None = None) -> list[Chunk]:
        """What arrived; empty after `within_s` real seconds without a byte. Raises Silent for the watchdog."""
        now = asyncio.get_running_loop().time()
        left = self._heard_at + self._patience_s() - now
        wait = left if within_s is None else min(left, within_s)
        try:
            async with asyncio.timeout(max(wait, 0.0)):
                chunks = await port.read()
        except TimeoutError:
            if asyncio.get_running_loop().time() >= self._heard_at + self._patience_s():
                raise Silent from None
            return []
        self._heard()
        return chunks

    def _patience_s(self) -> float:
        real = real_timeout(self._sink.clock, self._silence_s)
        return max(real, min(self._silence_s, _SILENT_LEAST_REAL_S)) * self._growth

    def _opened(self, port: SerialPort) -> None:
        self._heard_at = asyncio.get_running_loop().time()
        facts = dict(port.facts)
        if shifting_name(self._settings.port):
            facts["note"] = "this port name can move to another device: prefer /dev/serial/by-id/... or VID:PID:SERIAL"
        self._sink.identity(facts)
        if not self._silent:
            self._sink.link(LinkState.UP, facts.get("device", self._settings.port))

    def _heard(self) -> None:
        self._heard_at = asyncio.get_running_loop().time()
        self._growth = 1
        self._backoff.reset()
        if self._silent:
            self._silent = False
            self._sink.link(LinkState.UP, self._settings.port)
