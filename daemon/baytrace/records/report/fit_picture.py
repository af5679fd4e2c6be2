"""The fit of a hold over its readings: what it levels off to, what does not level off, and what a leak of the limit would do."""

from __future__ import annotations

import math

import numpy as np

from baytrace.measure.instant import NS
from baytrace.measure.roles import FACTS, Role
from baytrace.measure.verdict import Curve
from baytrace.records.report.scene import HIGH, MINUTES, Scene
from baytrace.records.report.svg import Band, Line, Picture
from baytrace.records.report.trends import Point
from baytrace.records.report.units_shown import Shown
from baytrace.records.report.wording import WATCHES

_DOTS = 300
_RATES = {"evacuation": ("rise_rate", 1.0), "pressure_hold": ("decay_rate", -1.0)}
"""The evidence that never levels off (Pa/s), and which way it moves the pressure."""


def fit_picture(scene: Scene, watch: str, curve: Curve) -> Picture:
    """The readings under a watch's fit, the fit and its interval."""
    role = Role(curve.role)
    unit = scene.unit(role)
    begin, end = curve.times_ns[0], min(curve.times_ns[-1], scene.trends.end_ns)
    x = [scene.minutes(time_ns) for time_ns in curve.times_ns]
    lines = []
    for name in scene.channels(role)[:1]:
        shown, label = scene.trends.channels[name].between(begin, end, _DOTS), "Readings"
        if watch == "pressure_hold":
            shown, label = _at_one_temperature(scene, shown, begin)
        minutes = [scene.minutes(time_ns) for time_ns, _ in shown]
        lines.append(Line(label, minutes, [unit.of(value) for _, value in shown], "#444444", dots=True))
    lines.append(Line("Fit", x, [unit.of(value) for value in curve.values], "#00695c", "7 3", 2.2))
    bands = []
    if len(curve.low) == len(x) and len(curve.high) == len(x):
        low, high = [unit.of(v) for v in curve.low], [unit.of(v) for v in curve.high]
        bands.append(Band("95 % interval of the fit", x, low, high, "#00695c"))
    more, band = _leaks(scene, watch, curve, unit)
    title = f"{WATCHES.get(watch, watch)}: readings and fit of the hold"
    y_label = f"{FACTS[role].label}, {unit.text}"
    return Picture(title, MINUTES, y_label, [*lines, *more], [*bands, *band])


def _at_one_temperature(scene: Scene, points: list[Point], begin_ns: int) -> tuple[list[Point], str]:
    """By the gas law, absolute pressures to the temperature the test began at; as read where no temperature is known."""
    trend = next((each for each in scene.trends.channels.values() if each.role is Role.SYSTEM_TEMPERATURE), None)
    known = [(t, v) for t, v in (trend.points if trend is not None else ()) if math.isfinite(v) and v > 0.0]
    if not known:
        return points, "Readings"
    origin = known[0][0]
    at, kelvin = [float(t - origin) for t, _ in known], [v for _, v in known]
    wanted = float(np.interp(begin_ns - origin, at, kelvin))
    found = np.interp([float(t - origin) for t, _ in points], at, kelvin)
    return [
        (t, value * wanted / each) for (t, value), each in zip(points, found.tolist(), strict=True)
    ], "Readings, at the first temperature"


def _leaks(scene: Scene, watch: str, curve: Curve, unit: Shown) -> tuple[list[Line], list[Band]]:
    """The part that does not level off, with its interval, and a leak of just the limit; both from the fit's beginning."""
    name, sign = _RATES.get(watch, ("", 1.0))
    figure = scene.verdict(watch).get("evidence", {}).get(name)
    settings = scene.settings(watch)
    first, span_s = curve.values[0], (curve.times_ns[-1] - curve.times_ns[0]) / NS
    x = [scene.minutes(curve.times_ns[0]), scene.minutes(curve.times_ns[-1])]

    def ends(rate: float) -> list[float]:
        return [unit.of(first), unit.of(first + sign * rate * span_s)]

    lines, bands = [], []
    if figure is not None:
        lines.append(Line("Leak alone", x, ends(figure["value"]), HIGH, "2 3", 2.0))
        if "low" in figure:
            bands.append(Band("95 % interval of the leak", x, ends(figure["low"]), ends(figure["high"]), HIGH))
    if settings.get("leak_limit") and settings.get("volume_l"):
        limit = float(settings["leak_limit"]) / (float(settings["volume_l"]) * 1e-3)
        lines.append(Line("A leak of just the limit", x, ends(limit), "#222222", "12 4", 1.4))
    return lines, bands
