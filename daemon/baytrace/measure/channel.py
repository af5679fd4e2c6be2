"""A channel: one measured quantity of one instrument, with its unit, accuracy and calibration."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.checked import OFF, Checked
from baytrace.measure.roles import Role
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, Unit, si_unit_name, unit_for


@dataclass(frozen=True, slots=True)
class Channel:
    """`period_s` is how often a reading is expected; silence beyond a few periods is stale. `checks` are its newest field checks.

    `assumed`: nobody stated the accuracy on this bench, and that of a usual instrument of its kind stands in for it.
    """

    name: str
    role: Role
    unit: Unit
    accuracy: Accuracy
    instrument: str = ""
    calibration: Calibration = field(default_factory=Calibration)
    period_s: float = 1.0
    checks: tuple[Checked, ...] = ()
    assumed: bool = False

    def __post_init__(self) -> None:
        if self.accuracy.pending:
            object.__setattr__(self, "accuracy", self.accuracy.in_unit(self.unit))

    @property
    def si_unit(self) -> str:
        """Unit of the channel's values in SI; its own where that is of no quantity known here."""
        return si_unit_name(self.unit.quantity) or self.unit.text

    def standard_uncertainty(self, value_si: float, atmosphere_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
        """Standard uncertainty (k = 1) in SI at an SI reading (pressures absolute). JCGM 100, 4.3."""
        shown = value_si
        if self.unit.against in (Against.GAUGE, Against.VACUUM):
            shown -= atmosphere_pa
        u = self.accuracy.standard_uncertainty(self.unit.from_si(shown))
        if self.calibration.uncertainty:
            u = math.hypot(u, self.calibration.uncertainty)
        return self.unit.difference_to_si(u)

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {
            "name": self.name,
            "role": str(self.role),
            "unit": self.unit.text,
            "ucum": self.unit.ucum,
            "against": str(self.unit.against),
            "accuracy": self.accuracy.text,
            "instrument": self.instrument,
            "period_s": self.period_s,
            "calibration": self.calibration.to_json(),
        }
        if self.assumed:
            data["assumed"] = True
        if self.checks:
            data["checks"] = [check.to_json() for check in self.checks]
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Channel:
        role = Role(data["role"])
        return cls(
            name=data["name"],
            role=role,
            unit=unit_for(role, data["unit"]),
            accuracy=Accuracy.parse(data["accuracy"], unit=unit_for(role, data["unit"])),
            instrument=data.get("instrument", ""),
            calibration=Calibration.from_json(data.get("calibration", {})),
            period_s=data.get("period_s", 1.0),
            checks=tuple(Checked.from_json(said) for said in data.get("checks", ())),
            assumed=bool(data.get("assumed", False)),
        )


def overdue(channel: Channel, day: date) -> bool:
    """Whether the channel's calibration had run out on `day`; unknown dates are not overdue."""
    return channel.calibration.due is not None and day > channel.calibration.due


def found_off(channel: Channel) -> Checked | None:
    """The field check that found the channel off and that no calibration since has mended; None when there is none."""
    standing = (
        check
        for check in channel.checks
        if check.finding == OFF and not check.mended_by(channel.calibration.calibrated)
    )
    return next(standing, None)
