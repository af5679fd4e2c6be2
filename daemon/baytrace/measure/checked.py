"""What a field check said of a channel: one instrument held against something known, between calibrations.

Rules of this file:
- The newest check of each kind counts; one that could not decide changes nothing.
- A channel found `off` stays so until a newer check of that kind agrees, or until it was calibrated on a later day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

AGREES, OFF = "agrees", "off"


@dataclass(frozen=True, slots=True)
class Checked:
    """`check` is its kind (saturation, scale, meter, manifold); `difference` and `allowed` are in `unit` (Pa, kg or ohm).

    `known` is what the instrument should have shown, in `unit`, where that was kept.
    """

    check: str
    finding: str
    day: date
    difference: float
    allowed: float
    unit: str
    session: str = ""
    known: float | None = None

    def mended_by(self, calibrated: date | None) -> bool:
        """Whether a calibration on that day came after the check."""
        return calibrated is not None and calibrated > self.day

    def words(self) -> str:
        """`off by +12 Pa (10 Pa allowed), manifold check of 2026-05-04`."""
        return (
            f"{self.finding} by {self.difference:+.3g} {self.unit} ({self.allowed:.3g} {self.unit} allowed), "
            f"{self.check} check of {self.day}"
        )

    def to_json(self) -> dict[str, Any]:
        said = asdict(self) | {"day": self.day.isoformat()}
        return {key: value for key, value in said.items() if value is not None}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Checked:
        return cls(**{**data, "day": date.fromisoformat(data["day"])})
