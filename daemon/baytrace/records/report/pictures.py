"""What a report draws of a session, in the order of the job: readings, limits as bands, fits with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from baytrace.measure.instant import NS
from baytrace.measure.roles import FACTS, Role, called
from baytrace.measure.verdict import Curve
from baytrace.records.report.cycle_picture import cycle_picture
from baytrace.records.report.fit_picture import fit_picture
from baytrace.records.report.scene import HIGH, MINUTES, Scene, style
from baytrace.records.report.svg import Band, Level, Line, Note, Picture
from baytrace.records.report.trends import Trends
from baytrace.records.report.units_shown import System, number, shown_unit
from baytrace.records.session import SessionRecord

_TEMPERATURES = (
    Role.SUCTION_LINE,
    Role.DISCHARGE_LINE,
    Role.LIQUID_LINE,
    Role.VENT_AIR,
    Role.AMBIENT_AIR,
    Role.SYSTEM_TEMPERATURE,
    Role.COIL_TEMPERATURE,
)
_ROUND_NS = 180 * NS
"""Shown before and after a charge."""


def pictures(trends: Trends, record: SessionRecord, system: System) -> list[Picture]:
    """Every picture the session has something for."""
    scene = Scene(trends, record, system)
    made = _vacuum(scene)
    made += [fit_picture(scene, watch, curve) for watch, curve in _curves(trends)]
    made += _charged(scene) or _group(scene, "Mass on the tank scale", (Role.TANK_MASS,))
    made += _running(scene)
    made += cycle_picture(scene)
    made += _group(scene, "Temperatures", _TEMPERATURES)
    for role in (Role.AMBIENT_HUMIDITY, Role.BAROMETER, Role.AUXILIARY):
        made += _limited(scene, role)
    return made + _coils(scene) + _checked(scene)


def _curves(trends: Trends) -> list[tuple[str, Curve]]:
    return [(name, watched.curve) for name, watched in trends.watched.items() if watched.curve is not None]


def _vacuum(scene: Scene) -> list[Picture]:
    lines = scene.lines((Role.SYSTEM_PRESSURE,))
    if not lines:
        return []
    unit = scene.unit(Role.SYSTEM_PRESSURE)
    bands, levels = scene.limits((Role.SYSTEM_PRESSURE,))
    target = scene.settings("evacuation").get("target_pa")
    if target and not any("deep vacuum" in level.name for level in levels):
        levels.append(
            Level(f"Deep vacuum is below {number(unit.of(float(target)))} {unit.text}", unit.of(float(target)))
        )
    label = f"System pressure, {unit.text}"
    title = "System pressure, whole session"
    return [Picture(title, MINUTES, label, lines, bands, levels, marks=scene.marks, log=True)]


def _group(scene: Scene, title: str, roles: tuple[Role, ...]) -> list[Picture]:
    lines = scene.lines(roles)
    if not lines:
        return []
    bands, levels = scene.limits(roles)
    label = f"{title.split(maxsplit=1)[0]}, {scene.unit(roles[0]).text}"
    return [Picture(title, MINUTES, label, lines, bands, levels, marks=scene.marks)]


def _limited(scene: Scene, role: Role) -> list[Picture]:
    """Channels that are drawn only where someone set a limit on them, one a picture."""
    made = []
    for name in scene.channels(role):
        bands, levels = scene.limits((role,), name)
        if levels:
            label = called(role, name)
            y_label = f"{label}, {scene.unit(role, name).text}"
            made.append(Picture(label, MINUTES, y_label, scene.lines((role,), name), bands, levels, scene.marks))
    return made


def _running(scene: Scene) -> list[Picture]:
    """Both sides with what they are expected to show, and the mean they settled to with its interval."""
    roles = (Role.LOW_SIDE, Role.HIGH_SIDE)
    made = _group(scene, "Pressures of the loop", roles)
    if not made:
        return []
    picture = made[0]
    settled = [each for role in roles for each in _settled(scene, role)]
    lines = [*picture.lines, *(line for line, _ in settled)]
    said = {band.name for band in picture.bands}
    expected = [band for role in roles for band in _expected(scene, role) if band.name not in said]
    bands = [*picture.bands, *expected, *(band for _, band in settled if band is not None)]
    return [Picture(picture.title, MINUTES, picture.y_label, lines, bands, picture.levels, marks=picture.marks)]


def _expected(scene: Scene, role: Role) -> list[Band]:
    """What the pressures were judged against, while the engine ran."""
    figure = scene.verdict("pressures").get("evidence", {}).get(f"expected_{role}_pressure", {})
    if "low" not in figure:
        return []
    unit, (begin, end) = scene.unit(role), scene.running()
    low, high = unit.of(figure["low"]), unit.of(figure["high"])
    x = [scene.minutes(begin), scene.minutes(end)]
    return [Band(f"{FACTS[role].label}, expected today", x, [low] * 2, [high] * 2, style(role)[0])]


def _settled(scene: Scene, role: Role) -> list[tuple[Line, Band | None]]:
    unit, end = scene.unit(role), scene.minutes(scene.running()[1])
    for watch in ("charge", "pressures"):
        watched = scene.trends.watched.get(watch)
        for said in watched.details.get("channels", ()) if watched is not None else ():
            if said["role"] == role and said.get("settled") and said.get("since_s") is not None:
                x = [scene.minutes(scene.trends.start_ns + round(said["since_s"] * NS)), end]
                mean = unit.of(said["mean"])
                line = Line(f"{FACTS[role].label}, settled mean", x, [mean, mean], style(role)[0], "1 4", 4.0)
                return [(line, _interval(scene, watch, role, x))]
    return []


def _interval(scene: Scene, watch: str, role: Role, x: list[float]) -> Band | None:
    figure = scene.verdict(watch).get("evidence", {}).get(f"{role}_pressure", {})
    if "low" not in figure:
        return None
    unit = scene.unit(role)
    return Band("", x, [unit.of(figure["low"])] * 2, [unit.of(figure["high"])] * 2, "#222222")


def _charged(scene: Scene) -> list[Picture]:
    """What left the tank against the label, counted so that the end of the charge is what the watch concluded."""
    watched = scene.trends.watched.get("charge")
    mass = watched.details.get("mass") if watched is not None else None
    names = scene.channels(Role.TANK_MASS)
    begin = scene.trends.marked("charge start")
    if mass is None or not names or begin is None:
        return []
    end = scene.trends.marked("charge end", begin) or scene.trends.end_ns
    points = scene.trends.channels[names[0]].between(begin - _ROUND_NS, end + _ROUND_NS)
    after = sorted(value for time_ns, value in points if time_ns >= end and math.isfinite(value))
    last = after[len(after) // 2] if after else next((v for _, v in reversed(points) if math.isfinite(v)), math.nan)
    unit = shown_unit("g", scene.system)
    moved = [(time_ns, mass["charged_g"] + (last - value) * 1e3) for time_ns, value in points]
    line = scene.line("Out of the tank, by its scale", moved, unit, "#222222", "")
    bands, levels = _label(scene, mass, [line.x[0], line.x[-1]]) if line.x else ([], [])
    x = [scene.minutes(end), scene.minutes(end + _ROUND_NS)]
    low, high = mass["charged_g"] - mass["uncertainty_g"], mass["charged_g"] + mass["uncertainty_g"]
    bands.append(Band("Charged, 95 % interval", x, [unit.of(low)] * 2, [unit.of(high)] * 2, HIGH))
    marks = [mark for mark in scene.marks if line.x and line.x[0] <= mark[0] <= line.x[-1]]
    return [
        Picture("Refrigerant charged, against the label", MINUTES, f"Mass, {unit.text}", [line], bands, levels, marks)
    ]


def _label(scene: Scene, mass: Mapping[str, Any], x: list[float]) -> tuple[list[Band], list[Level]]:
    label, tolerance = mass.get("label_g"), mass.get("tolerance_g")
    if not label:
        return [], []
    unit = shown_unit("g", scene.system)
    bands = []
    if tolerance:
        low, high = unit.of(label - tolerance), unit.of(label + tolerance)
        bands.append(Band("Allowed round the label", x, [low, low], [high, high], "#00695c"))
    return bands, [Level(f"label, {number(unit.of(label))} {unit.text}", unit.of(label))]


def _coils(scene: Scene) -> list[Picture]:
    """Each coil's resistance at the reference temperature, with its interval, between the limits."""
    coils = scene.verdict("sweep").get("coils", [])
    if not any("resistance" in coil or "at_reference" in coil for coil in coils):
        return []
    lines, bands, notes = [], [], []
    for coil in coils:
        figure, at = coil.get("at_reference") or coil.get("resistance"), coil["position"]
        if figure is None or not math.isfinite(figure["value"]):
            notes.append(Note(at, None, coil["finding"]))
            continue
        x, good = [at - 0.28, at + 0.28], coil["finding"] == "within"
        lines.append(Line("", x, [figure["value"]] * 2, "#00695c" if good else HIGH, "" if good else "4 2", 3.0))
        if "low" in figure:
            bands.append(Band("", x, [figure["low"]] * 2, [figure["high"]] * 2, "#555555"))
        if not good:
            notes.append(Note(at - 0.3, figure.get("high", figure["value"]), coil["finding"]))
    settings = scene.settings("sweep")
    levels = [
        Level(f"{name} limit, {settings[key]:g} Ω", float(settings[key]))
        for name, key in (("lower", "low_ohm"), ("upper", "high_ohm"))
        if settings.get(key)
    ]
    heights = [y for each in bands for y in (*each.low, *each.high)] + [y for each in lines for y in each.y]
    heights += [level.y for level in levels]
    room = 0.15 * (max(heights) - min(heights))
    ends = [coils[0]["position"] - 0.6, coils[-1]["position"] + 0.6]
    frame = Line("", ends, [min(heights) - room, max(heights) + room], "none")
    title = "Coils in engine order, at the reference temperature, with 95 % intervals"
    return [Picture(title, "coil", "Resistance, Ω", [*lines, frame], bands, levels, notes=notes, whole=True)]


def _checked(scene: Scene) -> list[Picture]:
    """A field check: how far the instrument is from what is known, between what is allowed."""
    evidence = scene.verdict("field_check").get("evidence", {})
    found, allowed = evidence.get("difference"), evidence.get("allowed_difference")
    if found is None or allowed is None:
        return []
    unit = shown_unit({"kg": "g"}.get(found["unit"], found["unit"]), scene.system)
    factor = 1e3 if found["unit"] == "kg" else 1.0

    def of(value: float) -> float:
        return unit.of(value * factor) - unit.of(0.0)

    lines = [
        Line("Difference", [0.7, 1.3], [of(found["value"])] * 2, "#222222", "", 3.0),
        Line("", [0.0, 2.0], [math.nan] * 2),
    ]
    bands = [Band("Allowed", [0.0, 2.0], [-of(allowed["value"])] * 2, [of(allowed["value"])] * 2, "#00695c")]
    if "low" in found:
        bands.append(Band("95 % interval", [0.7, 1.3], [of(found["low"])] * 2, [of(found["high"])] * 2, "#222222"))
    label = f"Shown less known, {unit.text}"
    return [Picture("Field check: difference from what is known", "", label, lines, bands, bare=True)]
