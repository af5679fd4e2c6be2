"""What is known of a channel's calibration: dates, certificate and correction. Raw readings are never rewritten."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class Calibration:
    """`gain` and `offset` (channel's own unit) are applied on the way to SI: `corrected = raw * gain + offset`."""

    calibrated: date | None = None
    due: date | None = None
    certificate: str = ""
    gain: float = 1.0
    offset: float = 0.0

    def corrected(self, raw: float) -> float:
        return raw * self.gain + self.offset

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {"certificate": self.certificate, "gain": self.gain, "offset": self.offset}
        for name, day in (("calibrated", self.calibrated), ("due", self.due)):
            if day is not None:
                data[name] = day.isoformat()
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Calibration:
        def day(name: str) -> date | None:
            return date.fromisoformat(data[name]) if data.get(name) else None

        return cls(
            day("calibrated"), day("due"), data.get("certificate", ""), data.get("gain", 1.0), data.get("offset", 0.0)
        )
