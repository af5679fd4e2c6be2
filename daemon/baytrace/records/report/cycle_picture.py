"""The running loop in pressure and enthalpy, over the saturation curve of its refrigerant."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from baytrace.measure.faults import BadInput
from baytrace.physics.cycle import ph_dome
from baytrace.records.report.scene import HIGH, LOW, Scene
from baytrace.records.report.svg import Line, Note, Picture
from baytrace.records.report.units_shown import shown_unit

_LEGS = (
    ("Compressor, 1 to 2", 0, 1, HIGH, "2 3"),
    ("High side, 2 to 3", 1, 2, HIGH, "10 3"),
    ("Valve, 3 to 4", 2, 3, "#7a4a00", "6 3"),
    ("Low side, 4 to 1", 3, 0, LOW, ""),
)


def cycle_picture(scene: Scene) -> list[Picture]:
    """From the points the charge watch ended with, else the pressures'; nothing where no state or no curve exists."""
    found = [scene.trends.watched[name].details for name in ("charge", "pressures") if name in scene.trends.watched]
    details = next((each for each in found if len(each.get("cycle_points", ())) == len(_LEGS)), None)
    if details is None:
        return []
    points: Sequence[Mapping[str, Any]] = details["cycle_points"]
    try:
        dome = ph_dome(details.get("fluid") or scene.record.refrigerant)
    except BadInput:
        return []
    enthalpy, pressure = shown_unit("J/kg", scene.system), shown_unit("Pa", scene.system, "high_side")

    def line(name: str, pairs: Sequence[Sequence[float]], colour: str, dash: str, width: float) -> Line:
        return Line(name, [enthalpy.of(h) for h, _ in pairs], [pressure.of(p) for _, p in pairs], colour, dash, width)

    curve = [*dome["bubble"], *reversed(dome["dew"])]
    lines = [line(f"{dome['fluid']}, saturated", curve, "#555555", "", 1.2)]
    at = [(float(point["enthalpy"]), float(point["pressure"])) for point in points]
    for name, begin, end, colour, dash in _LEGS:
        lines.append(line(name, [at[begin], at[end]], colour, dash, 2.4))
    dots = line("", at, "#111111", "", 6.0)
    lines.append(Line("", dots.x, dots.y, "#111111", width=6.0, dots=True))
    widest = [x for each in lines for x in each.x]
    room = 0.04 * (max(widest) - min(widest))
    lines.append(Line("", [min(widest) - room, max(widest) + room], [math.nan, math.nan]))
    notes = [Note(h, p, str(point["point"])) for h, p, point in zip(dots.x, dots.y, points, strict=True)]
    guessed = [point for point in points if not point.get("measured", True)]
    told = "; point 2 from an assumed efficiency" if guessed else ""
    title = f"Pressure and enthalpy of the running loop{told}"
    return [Picture(title, f"enthalpy, {enthalpy.text}", f"Pressure, {pressure.text}", lines, notes=notes, log=True)]
