"""Field checks of the session's instruments between their calibrations, as they stood when it began."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from baytrace.measure.calibration import Calibration
from baytrace.measure.checked import AGREES, OFF, Checked
from baytrace.measure.roles import Role, called
from baytrace.records.report.texts import Row
from baytrace.records.report.units_shown import System, number, shown_unit
from baytrace.records.session import SessionRecord

HELD_AGAINST = {
    "saturation": "Saturation pressure at the temperature beside it",
    "scale": "A known mass",
    "meter": "A known resistor",
    "manifold": "Both sides joined, at rest",
}
SAYS = {AGREES: "Agrees", OFF: "Off: passes are held back"}


def field_checks(record: SessionRecord, system: System) -> list[Row]:
    """Instrument, channel, day, held against, known, found error, allowed, what it says; the newest of each kind a channel."""
    rows: dict[tuple[str, str], Row] = {}
    for instrument in record.instruments:
        for channel in instrument.channels:
            for said in channel.get("checks", ()):
                check = Checked.from_json(said)
                rows[channel["name"], check.check] = _row(instrument.name, channel, check, system)
    return list(rows.values())


def _row(instrument: str, channel: Mapping[str, Any], check: Checked, system: System) -> Row:
    role = Role(channel["role"])
    calibrated = Calibration.from_json(channel.get("calibration", {})).calibrated
    says = SAYS[check.finding]
    if check.finding == OFF and check.mended_by(calibrated):
        says = f"Off; calibrated since, on {calibrated}"
    unit, factor = ("g", 1e3) if check.unit == "kg" else (check.unit, 1.0)
    return [
        instrument or "unnamed",
        called(role, channel["name"]),
        check.day.isoformat(),
        HELD_AGAINST.get(check.check, check.check),
        _amount(check.known * factor, unit, role, system) if check.known is not None else "not kept",
        _error(check.difference * factor, unit, role, system),
        _error(check.allowed * factor, unit, role, system, sign="±"),
        says,
    ]


def _amount(value: float, unit: str, role: Role, system: System) -> str:
    shown = shown_unit(unit, system, str(role))
    return f"{number(shown.of(value))} {shown.text}"


def _error(value: float, unit: str, role: Role, system: System, sign: str = "") -> str:
    """A difference: against no zero and no atmosphere."""
    shown = shown_unit(unit, system, str(role))
    text = {"kPa abs": "kPa", "psia": "psi"}.get(shown.text, shown.text)
    return f"{sign or ('+' if value > 0 else '')}{number(shown.of(value))} {text}"
