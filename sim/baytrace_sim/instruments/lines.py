"""A vacuum gauge and a tank scale that print lines of text by themselves, once a second.

$VAC,000512,micron*46      vacuum gauge; OVER in place of the number beyond its range; exclusive-or of all bytes
                           between $ and * in hexadecimal
ST,+008400,g               tank scale; ST steady, US still moving
"""

from __future__ import annotations

import math
from functools import reduce
from operator import xor
from typing import Any, ClassVar

from baytrace.measure.roles import Role
from baytrace_sim.instruments.instrument import Instrument
from baytrace_sim.instruments.wire import Wire
from baytrace_sim.readings import Readings


class LinePrinter(Instrument):
    """Base of instruments that print a line each turn."""

    role: ClassVar[Role]

    def line(self, value: float) -> bytes:
        """The line without its end."""
        raise NotImplementedError

    async def speak(self, time_s: float) -> None:
        value = self.readings.shown(self.role, time_s)
        if value is None or self.now("silence", time_s):
            return
        if self.now("garbage", time_s):
            self.wire.send(self.noise.randbytes(self.noise.randint(3, 30)))
            return
        line = self.line(value)
        if self.now("half line", time_s):
            self.wire.send(line[: self.noise.randint(1, len(line) - 2)])
            return
        if self.now("bad checksum", time_s):
            place = self.noise.randrange(5, 8)
            line = line[:place] + bytes([line[place] ^ 1]) + line[place + 1 :]
        self.wire.send(line + b"\r\n")


class VacuumGauge(LinePrinter):
    name = "vacuum gauge"
    role = Role.SYSTEM_PRESSURE

    def line(self, value: float) -> bytes:
        number = "OVER" if math.isinf(value) else f"{value:06.0f}"
        body = f"VAC,{number},{self.readings.scenario.channel[self.role].unit}".encode("ascii")
        return b"$%s*%02X" % (body, reduce(xor, body, 0))

    def tables(self) -> dict[str, Any]:
        return {
            "adapter": "line",
            "port": self.wire.port,
            "separator": ",",
            "unit_field": 2,
            "checksum": "xor8",
            "checksum_start": "$",
            "checksum_separator": "*",
            "channel": [self.channel(self.role, field=1)],
        }


class TankScale(LinePrinter):
    name = "tank scale"
    role = Role.TANK_MASS

    def __init__(self, readings: Readings, wire: Wire) -> None:
        super().__init__(readings, wire)
        self._last = math.nan

    def line(self, value: float) -> bytes:
        steady = "ST" if abs(value - self._last) <= 2.0 else "US"
        self._last = value
        number = "OVER" if math.isinf(value) else f"{value:+07.0f}"
        return f"{steady},{number},{self.readings.scenario.channel[self.role].unit}".encode("ascii")

    def tables(self) -> dict[str, Any]:
        return {
            "adapter": "line",
            "port": self.wire.port,
            "pattern": r"(?P<flag>ST|US),(?P<mass>[+-]\d+|OVER),(?P<unit>\w+)",
            "channel": [self.channel(self.role, group="mass")],
        }
