"""What is known of a channel's calibration: dates, certificate and correction.

Rules of this file:
- Raw readings are never rewritten; a correction is applied once, on the way to SI: `corrected = raw gain + offset + table`.
- The table holds corrections to add at the instrument's own readings, straight lines between them, held beyond the ends.
- A new calibration is a new declaration of the channel (the journal numbers them), so old readings keep the old correction.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from baytrace.measure.faults import BadInput


@dataclass(frozen=True, slots=True)
class Calibration:
    """`gain`, `offset`, `table` (reading, correction) and `uncertainty` (k = 1, of the correction) are in the channel's own unit.

    Raises BadInput for a correction that cannot be applied or dates the wrong way round.
    """

    calibrated: date | None = None
    due: date | None = None
    certificate: str = ""
    gain: float = 1.0
    offset: float = 0.0
    table: tuple[tuple[float, float], ...] = ()
    uncertainty: float = 0.0
    by: str = ""

    def __post_init__(self) -> None:
        numbers = [self.gain, self.offset, self.uncertainty, *(number for row in self.table for number in row)]
        if not all(math.isfinite(number) for number in numbers):
            raise BadInput("a correction holds a number that is not finite", where="calibration")
        if self.gain <= 0.0:
            raise BadInput(f"gain {self.gain} would turn readings round", where="calibration", right="a gain is near 1")
        if self.uncertainty < 0.0:
            raise BadInput(f"uncertainty {self.uncertainty} is negative", where="calibration", right="give it as k = 1")
        if any(after[0] <= before[0] for before, after in zip(self.table, self.table[1:], strict=False)):
            raise BadInput(
                "table is not in rising order of readings", where="calibration", right="sort it, each reading once"
            )
        if self.calibrated is not None and self.due is not None and self.due < self.calibrated:
            raise BadInput(f"due {self.due} is before calibrated {self.calibrated}", where="calibration")

    def corrected(self, raw: float) -> float:
        linear = raw * self.gain + self.offset
        return linear + self._from_table(raw) if self.table else linear

    def _from_table(self, raw: float) -> float:
        rows = self.table
        if not rows[0][0] < raw < rows[-1][0]:
            return rows[0][1] if raw <= rows[0][0] else rows[-1][1]
        above = bisect_right(rows, (raw, math.inf))
        (x0, y0), (x1, y1) = rows[above - 1], rows[above]
        return y0 + (y1 - y0) * (raw - x0) / (x1 - x0)

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {"certificate": self.certificate, "gain": self.gain, "offset": self.offset}
        for name, day in (("calibrated", self.calibrated), ("due", self.due)):
            if day is not None:
                data[name] = day.isoformat()
        if self.table:
            data["table"] = [list(row) for row in self.table]
        if self.uncertainty:
            data["uncertainty"] = self.uncertainty
        if self.by:
            data["by"] = self.by
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Calibration:
        def day(name: str) -> date | None:
            return date.fromisoformat(data[name]) if data.get(name) else None

        return cls(
            day("calibrated"),
            day("due"),
            data.get("certificate", ""),
            data.get("gain", 1.0),
            data.get("offset", 0.0),
            tuple((float(reading), float(correction)) for reading, correction in data.get("table", ())),
            data.get("uncertainty", 0.0),
            data.get("by", ""),
        )
