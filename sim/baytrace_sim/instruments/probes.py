"""Probes on MQTT: clamps as SenML packs (RFC 8428), a room sensor as JSON, a vent thermometer as a plain number."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from baytrace.measure.clock import Clock
from baytrace.measure.instant import format_instant
from baytrace.measure.roles import Role
from baytrace_sim.bench import INSTRUMENTS
from baytrace_sim.readings import Readings

_CLAMPS, _ROOM, _VENT = "clamp thermometers", "room sensor", "vent thermometer"
_ROOM_FIELDS = {Role.AMBIENT_AIR: "temperature", Role.AMBIENT_HUMIDITY: "humidity", Role.BAROMETER: "pressure"}
_NAMES = {role: str(role).replace("_line", "").replace("_", "-") for role in INSTRUMENTS[_CLAMPS].roles}


class Probes:
    """All that speaks over the broker; `payloads` gives what is due. Silent during a `broker silence`."""

    def __init__(self, readings: Readings, clock: Clock, bench: str, url: str) -> None:
        self._readings, self._clock, self._url = readings, clock, url
        self._base = f"shop/{bench}"
        self._uses = [name for name in readings.scenario.uses if INSTRUMENTS[name].broker]
        self._due_ns = dict.fromkeys(self._uses, 0)

    def payloads(self, time_s: float) -> Iterator[tuple[str, bytes]]:
        """Topic and payload of each probe whose turn has come at script time `time_s`."""
        scenario, now_ns = self._readings.scenario, self._clock.mono_ns()
        for name in self._uses:
            if now_ns < self._due_ns[name]:
                continue
            role = INSTRUMENTS[name].roles[0]
            self._due_ns[name] = now_ns + int(scenario.channel[role].period_s * 0.98e9)
            values = {role: self._readings.shown(role, time_s) for role in INSTRUMENTS[name].roles}
            known = {role: value for role, value in values.items() if value is not None and math.isfinite(value)}
            quiet = scenario.without("broker silence", "", time_s) or scenario.without("silence", name, time_s)
            if known and not quiet:
                yield f"{self._base}/{name.replace(' ', '-')}", self._payload(name, known)

    def _payload(self, name: str, values: dict[Role, float]) -> bytes:
        now_ns = self._clock.wall_ns()
        if name == _CLAMPS:
            records: list[dict[str, Any]] = [
                {"n": _NAMES[role], "v": round(value, 3)} for role, value in values.items()
            ]
            records[0] = {"bn": f"{self._base}/", "bt": now_ns / 1e9, "bu": "Cel"} | records[0]
            return json.dumps(records).encode()
        if name == _ROOM:
            fields: dict[str, Any] = {_ROOM_FIELDS[role]: round(value, 3) for role, value in values.items()}
            return json.dumps({"time": format_instant(now_ns, 3)} | fields).encode()
        return f"{next(iter(values.values())):.1f}".encode()

    def tables(self) -> dict[str, dict[str, Any]]:
        """`[[instrument]]` tables by name, without calibration."""
        found: dict[str, dict[str, Any]] = {}
        for name in self._uses:
            topic = f"{self._base}/{name.replace(' ', '-')}"
            channels = [self._channel(name, role, topic) for role in INSTRUMENTS[name].roles]
            # the embedded broker speaks MQTT 3.1.1, and every broker does
            found[name] = {"adapter": "mqtt", "url": self._url, "version": "3.1.1", "channel": channels}
        return found

    def _channel(self, name: str, role: Role, topic: str) -> dict[str, Any]:
        own = self._readings.scenario.channel[role]
        table: dict[str, Any] = {"role": str(role), "unit": own.unit, "period_s": own.period_s, "topic": topic}
        if own.accuracy:
            table["accuracy"] = own.accuracy
        if name == _CLAMPS:
            return table | {"format": "senml", "senml_name": f"{self._base}/{_NAMES[role]}"}
        if name == _ROOM:
            return table | {"format": "json", "pointer": f"/{_ROOM_FIELDS[role]}", "time_pointer": "/time"}
        return table | {"format": "number"}
