"""An ohmmeter that speaks SCPI-99 over IEEE 488.2 messages: LF ends a message, `;` joins commands."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable
from typing import Any

from baytrace.measure.roles import Role
from baytrace_sim.instruments.instrument import Instrument
from baytrace_sim.instruments.wire import Wire
from baytrace_sim.readings import Readings

OVER_RANGE = "9.90000000E+37"
"""SCPI-99, volume 1, 7.2.1.4 (infinity), from memory."""
_IDENTITY = "BAYTRACE SIMULATOR,OHMMETER,0001,1.0"
_MEASURE = re.compile(r"(MEAS(URE)?:RES(ISTANCE)?|READ|FETC(H)?)\?", re.IGNORECASE)
_SILENTLY = re.compile(r"(\*RST|\*CLS|CONF(IGURE)?:RES(ISTANCE)?( .*)?|SENS(E)?:.*)", re.IGNORECASE)
_LONGEST = 1000


class Ohmmeter(Instrument):
    name = "ohmmeter"

    def __init__(self, readings: Readings, wire: Wire, script_s: Callable[[], float]) -> None:
        """`script_s` tells script seconds to the instant a question comes."""
        super().__init__(readings, wire)
        self._script_s = script_s
        self._errors: deque[str] = deque(maxlen=20)
        self._pending = b""
        wire.heard = self._heard

    def _heard(self, data: bytes) -> None:
        *lines, self._pending = (self._pending + data).replace(b"\r", b"\n").split(b"\n")
        if len(self._pending) > _LONGEST:
            self._pending = b""
            self._errors.append('-223,"Too much data"')
        for line in lines:
            answers = [
                answer for part in line.decode("ascii", "replace").split(";") if (answer := self._answer(part.strip()))
            ]
            if answers:
                self._send(";".join(answers).encode("ascii"))

    def _send(self, line: bytes) -> None:
        time_s = self._script_s()
        if self.now("silence", time_s):
            return
        if self.now("garbage", time_s):
            line = bytes(byte ^ self.noise.randrange(256) for byte in line)
        self.wire.send(line + b"\n")

    def _answer(self, command: str) -> str:
        upper = command.upper()
        if not command or _SILENTLY.fullmatch(command):
            if upper == "*CLS":
                self._errors.clear()
            return ""
        if _MEASURE.fullmatch(command):
            return self._measured()
        if upper == "*IDN?":
            return _IDENTITY
        if upper == "*OPC?":
            return "1"
        if upper in ("SYST:ERR?", "SYSTEM:ERROR?", "SYST:ERR:NEXT?"):
            return self._errors.popleft() if self._errors else '0,"No error"'
        self._errors.append('-113,"Undefined header"')
        return ""

    def _measured(self) -> str:
        value = self.readings.shown(Role.COIL_RESISTANCE, self._script_s())
        return OVER_RANGE if value is None or math.isinf(value) else f"{value:.8E}"

    def tables(self) -> dict[str, Any]:
        period = self.readings.scenario.channel[Role.COIL_RESISTANCE].period_s
        return {
            "adapter": "scpi",
            "port": self.wire.port,
            "setup": ["CONF:RES AUTO"],
            "interval_s": period,
            "channel": [self.channel(Role.COIL_RESISTANCE, query="MEAS:RES?")],
        }
