"""A session ready to be drawn in the reader's units: lines of its channels, its marks, and the bands its watches judge by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from baytrace.measure.instant import NS
from baytrace.measure.roles import FACTS, Role, called
from baytrace.measure.units import unit_for
from baytrace.records.report.svg import Band, Level, Line
from baytrace.records.report.trends import Point, Trends, with_gaps
from baytrace.records.report.units_shown import Shown, System, number, role_unit
from baytrace.records.session import SessionRecord
from baytrace.watches.watch import watches

LOW, HIGH = "#1350a8", "#b3261e"
"""Low side blue, high side red, as hoses are."""
MINUTES = "minutes from the start of the session"

_STYLE: dict[Role, tuple[str, str]] = {
    Role.LOW_SIDE: (LOW, ""),
    Role.HIGH_SIDE: (HIGH, "10 3"),
    Role.SUCTION_LINE: (LOW, ""),
    Role.DISCHARGE_LINE: (HIGH, "10 3"),
    Role.LIQUID_LINE: ("#7a4a00", "6 3"),
    Role.VENT_AIR: ("#00695c", "3 3"),
    Role.AMBIENT_AIR: ("#555555", "12 3 2 3"),
    Role.SYSTEM_TEMPERATURE: ("#222222", "8 3 2 3"),
    Role.COIL_TEMPERATURE: ("#222222", "2 2"),
}
_LIKE = (Role.VENT_AIR, Role.HIGH_SIDE, Role.TANK_MASS, Role.AMBIENT_HUMIDITY)
"""Roles whose units an auxiliary channel of the same quantity is shown in."""


def style(role: Role) -> tuple[str, str]:
    """Colour and dash; no two roles of one picture share both."""
    return _STYLE.get(role, ("#222222", ""))


@dataclass(frozen=True, slots=True)
class Scene:
    trends: Trends
    record: SessionRecord
    system: System

    def minutes(self, time_ns: int) -> float:
        return (time_ns - self.trends.start_ns) / NS / 60.0

    @property
    def marks(self) -> list[tuple[float, str]]:
        return [(self.minutes(mark.time_ns), str(number)) for number, mark in enumerate(self.trends.marks, 1)]

    def unit(self, role: Role, channel: str = "") -> Shown:
        """That of the role; an auxiliary channel's by what its own unit measures."""
        said = next((each for each in self.record.channels.values() if each["name"] == channel), None)
        if role is not Role.AUXILIARY or said is None:
            return role_unit(role, self.system)
        own = unit_for(role, said["unit"])
        stands_for = next((each for each in _LIKE if FACTS[each].quantity is own.quantity), None)
        return Shown(own.text, own.from_si) if stands_for is None else role_unit(stands_for, self.system)

    def channels(self, role: Role) -> list[str]:
        """Names of the channels of a role that have something to draw; of roles no watch looked at, none."""
        kinds = [watches()[name] for name in self.record.plan if name in watches()]
        if kinds and not any(role in kind.roles for kind in kinds):
            return []
        return [name for name, trend in self.trends.channels.items() if trend.role is role and trend.drawable]

    def line(self, label: str, points: list[Point], unit: Shown, colour: str, dash: str) -> Line:
        points = with_gaps(points)
        x = [self.minutes(time_ns) for time_ns, _ in points]
        return Line(label, x, [unit.of(value) for _, value in points], colour, dash)

    def lines(self, roles: Sequence[Role], only: str = "") -> list[Line]:
        """One line a channel over the whole session, or that of one channel."""
        begin, end = self.trends.start_ns, self.trends.end_ns
        found = []
        for role in roles:
            for name in self.channels(role):
                if only and name != only:
                    continue
                label = called(role, name)
                points = self.trends.channels[name].between(begin, end)
                found.append(self.line(label, points, self.unit(role, name), *style(role)))
        return [replace(line, dash="") for line in found] if len(found) == 1 else found

    def settings(self, watch: str) -> Mapping[str, Any]:
        """The settings a watch ran with, defaults filled in; empty when it was not in the plan."""
        kind = watches().get(watch)
        if watch not in self.record.plan or kind is None:
            return {}
        return dict(kind.Settings.model_validate(self.record.plan[watch]).model_dump())

    def verdict(self, watch: str) -> Mapping[str, Any]:
        """The document of the verdict that counts; empty without one."""
        return next((said.verdict for said in self.record.verdicts if said.verdict["watch"] == watch), {})

    def limits(self, roles: Sequence[Role], channel: str = "") -> tuple[list[Band], list[Level]]:
        """What the watches judge these roles by, or one channel alone: two-sided as bands, one-sided as levels."""
        bands: list[Band] = []
        levels: list[Level] = []
        for watched in self.trends.watched.values():
            for said in watched.details.get("bands", ()):
                role = self._role_of(said)
                if (
                    role is not None
                    and role in roles
                    and said.get("channel", channel) == (channel or said.get("channel", ""))
                ):
                    self._limit(said, role, bands, levels)
        return bands, levels

    def _role_of(self, said: Mapping[str, Any]) -> Role | None:
        if "channel" in said:
            trend = self.trends.channels.get(said["channel"])
            return trend.role if trend is not None else None
        return Role(said["role"])

    def _limit(self, said: Mapping[str, Any], role: Role, bands: list[Band], levels: list[Level]) -> None:
        unit = self.unit(role, said.get("channel", ""))
        low, high = (unit.of(said[key]) if said.get(key) is not None else None for key in ("low", "high"))
        label = FACTS[role].label if "channel" not in said else said["channel"]
        if low is not None and high is not None and "channel" not in said:
            begin, end = self.running()
            name, x = f"{label}, {said['name']}", [self.minutes(begin), self.minutes(end)]
            bands.append(Band(name, x, [low, low], [high, high], style(role)[0]))
            return
        levels += [
            Level(f"{label}: {said['name']}, {number(value)} {unit.text}".strip(), value)
            for value in (low, high)
            if value is not None
        ]

    def running(self) -> tuple[int, int]:
        """While the engine ran: between its marks, else from when the first channel settled."""
        begin = self.trends.marked("engine on")
        if begin is None:
            since = [
                said["since_s"]
                for watched in self.trends.watched.values()
                for said in watched.details.get("channels", ())
                if said.get("since_s") is not None
            ]
            begin = self.trends.start_ns + round(min(since, default=0.0) * NS)
        return begin, self.trends.marked("engine off", begin) or self.trends.end_ns
