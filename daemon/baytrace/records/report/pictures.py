"""What a report draws: trends of the session's channels, fits of its watches, marks and limits. Memory is bounded."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import FACTS, Role
from baytrace.measure.verdict import Curve
from baytrace.records.playing import Player
from baytrace.records.report.svg import Band, Level, Line, Picture
from baytrace.records.report.units_shown import Shown, System, role_unit, shown_unit
from baytrace.records.session import SessionRecord
from baytrace.watches.watch import watches

MOST_POINTS = 4096
DRAWN_POINTS = 1200
LOW, HIGH = "#1350a8", "#b3261e"
"""Low side blue, high side red, as hoses are."""

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
_GROUPS: tuple[tuple[str, tuple[Role, ...]], ...] = (
    ("Pressures of the running loop", (Role.LOW_SIDE, Role.HIGH_SIDE)),
    (
        "Temperatures",
        (
            Role.SUCTION_LINE,
            Role.DISCHARGE_LINE,
            Role.LIQUID_LINE,
            Role.VENT_AIR,
            Role.AMBIENT_AIR,
            Role.SYSTEM_TEMPERATURE,
            Role.COIL_TEMPERATURE,
        ),
    ),
    ("Mass on the tank scale", (Role.TANK_MASS,)),
)


class _Trend:
    """One channel's readings, made fewer by keeping the lowest and highest of each four."""

    def __init__(self, role: Role) -> None:
        self.role = role
        self.points: list[tuple[int, float]] = []

    def put(self, time_ns: int, value: float) -> None:
        self.points.append((time_ns, value))
        if len(self.points) >= 2 * MOST_POINTS:
            self.points = _fewer(self.points, 4)

    def drawn(self) -> list[tuple[int, float]]:
        points = self.points
        return (
            points if len(points) <= DRAWN_POINTS else _fewer(points, max(3, 2 * math.ceil(len(points) / DRAWN_POINTS)))
        )


def _fewer(points: list[tuple[int, float]], group: int) -> list[tuple[int, float]]:
    kept = []
    for start in range(0, len(points), group):
        part = [point for point in points[start : start + group] if math.isfinite(point[1])]
        if part:
            kept += sorted({min(part, key=lambda point: point[1]), max(part, key=lambda point: point[1])})
        else:
            kept.append(points[start])
    return kept


class Trends:
    """Fed readings and marks of a session in order; then `finish`, then `pictures`."""

    def __init__(self, start_ns: int) -> None:
        self.start_ns = start_ns
        self._trends: dict[str, _Trend] = {}
        self.marks: list[Mark] = []
        self._curves: dict[str, Curve] = {}
        self.end_ns = start_ns

    def reading(self, reading: Reading) -> None:
        self.end_ns = max(self.end_ns, reading.time_ns)
        good = math.isfinite(reading.value) and (not reading.quality or Quality(reading.quality).usable)
        trend = self._trends.get(reading.channel) or self._trends.setdefault(reading.channel, _Trend(reading.role))
        trend.put(reading.time_ns, reading.value if good else math.nan)

    def mark(self, mark: Mark) -> None:
        self.end_ns = max(self.end_ns, mark.time_ns)
        self.marks.append(mark)

    def finish(self, player: Player, record: SessionRecord) -> None:
        """Keep the fits the watches end with."""
        for name in record.plan:
            status = player.status(name)
            if status is not None and status.curve is not None and len(status.curve.times_ns):
                self._curves[name] = status.curve

    # ------------------------------------------------------------------ pictures

    def pictures(self, record: SessionRecord, system: System) -> list[Picture]:
        """In the order of the job."""
        marks = [(self._minutes(mark.time_ns), str(number)) for number, mark in enumerate(self.marks, 1)]
        made = self._vacuum(record, system, marks)
        for title, roles in _GROUPS:
            lines = self._lines(roles, system)
            if lines:
                unit = role_unit(roles[0], system)
                made.append(
                    Picture(
                        title,
                        "minutes from the start of the session",
                        f"{title.split()[0]}, {unit.text}",
                        lines,
                        marks=marks,
                    )
                )
        if bars := _coils(record):
            made.append(bars)
        return made

    def _minutes(self, time_ns: int) -> float:
        return (time_ns - self.start_ns) / NS / 60.0

    def _lines(self, roles: Sequence[Role], system: System) -> list[Line]:
        lines = []
        for role in roles:
            for name, trend in self._trends.items():
                if trend.role is role and sum(math.isfinite(value) for _, value in trend.points) > 1:
                    colour, dash = _STYLE.get(role, ("#222222", ""))
                    label = FACTS[role].label if name == role else f"{FACTS[role].label} ({name})"
                    lines.append(self._line(label, trend.drawn(), role_unit(role, system), colour, dash))
        return lines

    def _line(self, label: str, points: list[tuple[int, float]], unit: Shown, colour: str, dash: str) -> Line:
        points = _with_gaps(points)
        x = [self._minutes(time_ns) for time_ns, _ in points]
        return Line(label, x, [unit.of(value) for _, value in points], colour, dash)

    def _vacuum(self, record: SessionRecord, system: System, marks: list[tuple[float, str]]) -> list[Picture]:
        lines = self._lines((Role.SYSTEM_PRESSURE,), system)
        if not lines:
            return []
        unit = role_unit(Role.SYSTEM_PRESSURE, system)
        levels = [Level(f"{name}, {value:.4g} {unit.text}", value) for name, value in _vacuum_levels(record, unit)]
        label, x_label = f"System pressure, {unit.text}", "minutes from the start of the session"
        made = [Picture("System pressure, whole session", x_label, label, lines, levels=levels, marks=marks, log=True)]
        for watch, curve in self._curves.items():
            if curve.role == Role.SYSTEM_PRESSURE:
                made.append(self._fitted(watch, curve, unit, label, x_label))
        return made

    def _fitted(self, watch: str, curve: Curve, unit: Shown, label: str, x_label: str) -> Picture:
        """The readings under a watch's fit, the fit and its interval."""
        begin, end = curve.times_ns[0], min(curve.times_ns[-1], self.end_ns)
        x = [self._minutes(time_ns) for time_ns in curve.times_ns]
        trend = next(trend for trend in self._trends.values() if trend.role == curve.role)
        inside = [point for point in trend.points if begin <= point[0] <= end]
        shown = _fewer(inside, 2 * math.ceil(len(inside) / 300)) if len(inside) > 300 else inside
        minutes = [self._minutes(time_ns) for time_ns, _ in shown]
        readings = Line("Readings", minutes, [unit.of(value) for _, value in shown], "#444444", dots=True)
        fit = Line("Fit", x, [unit.of(value) for value in curve.values], "#00695c", "7 3", 2.2)
        bands = []
        if len(curve.low) == len(x) and len(curve.high) == len(x):
            low, high = [unit.of(v) for v in curve.low], [unit.of(v) for v in curve.high]
            bands.append(Band("95 % interval of the fit", x, low, high, "#00695c"))
        return Picture(
            f"{watch.replace('_', ' ').capitalize()}: readings and fit", x_label, label, [readings, fit], bands
        )


def _with_gaps(points: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """A break where neighbours lie far further apart than is usual."""
    if len(points) < 3:
        return points
    steps = sorted(after[0] - before[0] for before, after in pairwise(points))
    most = max(8 * steps[len(steps) // 2], 20 * NS)
    broken = [points[0]]
    for before, after in pairwise(points):
        if after[0] - before[0] > most:
            broken.append((before[0], math.nan))
        broken.append(after)
    return broken


def _vacuum_levels(record: SessionRecord, unit: Shown) -> list[tuple[str, float]]:
    settings = _settings(record, "evacuation")
    target = settings.get("target_pa")
    return [("target", unit.of(float(target)))] if target else []


def _settings(record: SessionRecord, watch: str) -> Mapping[str, Any]:
    """The settings a watch ran with, defaults filled in; empty when it was not in the plan."""
    kind = watches().get(watch)
    if watch not in record.plan or kind is None:
        return {}
    return dict(kind.Settings.model_validate(record.plan[watch]).model_dump())


def _coils(record: SessionRecord) -> Picture | None:
    """Each coil's resistance at the reference temperature, with its interval, between the limits."""
    said = next((said.verdict for said in record.verdicts if said.verdict["watch"] == "sweep"), None)
    coils = [coil for coil in (said or {}).get("coils", []) if "resistance" in coil or "at_reference" in coil]
    if not coils:
        return None
    lines, bands = [], []
    for coil in coils:
        figure = coil.get("at_reference") or coil["resistance"]
        at, value = coil["position"], figure["value"]
        good = coil["finding"] == "within"
        lines.append(
            Line("", [at - 0.28, at + 0.28], [value, value], "#00695c" if good else HIGH, "" if good else "4 2", 3.0)
        )
        if "low" in figure:
            bands.append(Band("", [at - 0.28, at + 0.28], [figure["low"]] * 2, [figure["high"]] * 2, "#555555"))
    settings = _settings(record, "sweep")
    levels = [
        Level(f"{name} limit, {settings[key]:g} Ω", float(settings[key]))
        for name, key in (("lower", "low_ohm"), ("upper", "high_ohm"))
        if settings.get(key)
    ]
    frame = Line("", [coils[0]["position"] - 0.6, coils[-1]["position"] + 0.6], [math.nan, math.nan])
    return Picture("Coils in engine order", "coil", "Resistance, Ω", [*lines, frame], bands, levels, height=240)


def unit_of_figure(figure: Mapping[str, Any], name: str, system: System) -> Shown:
    return shown_unit(figure["unit"], system, name)
