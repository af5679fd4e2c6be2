"""What a watch says: figures with uncertainty, verdicts, and the live status of a watch."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Outcome(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Figure:
    """One evidence value. Units are SI with temperatures in `degC` and temperature differences in `K`.

    `low` and `high` bound the value at `confidence`; None when no interval is known. Never holds nan.
    """

    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    confidence: float | None = None

    def __post_init__(self) -> None:
        if math.isnan(self.value):
            raise ValueError("a figure that could not be had is left out, never nan")

    @classmethod
    def between(cls, value: float, standard_uncertainty: float, unit: str) -> Figure:
        """95 % interval from a standard uncertainty, k = 1.96 (JCGM 100, G.1)."""
        half = 1.959_964 * standard_uncertainty
        return cls(value, unit, value - half, value + half, 0.95)

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {"value": self.value, "unit": self.unit}
        if self.low is not None and self.high is not None:
            data |= {"low": self.low, "high": self.high}
        if self.confidence is not None:
            data["confidence"] = self.confidence
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Figure:
        return cls(data["value"], data["unit"], data.get("low"), data.get("high"), data.get("confidence"))


TRADE_UNITS = frozenset({"mbar*L/s", "g/a"})
"""Units that the trade reckons in and SI does not have; figures in these stand apart in the document."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """`more` holds what only one watch has, as JSON (the sweep's `coils`)."""

    watch: str
    outcome: Outcome
    finding: str
    reasons: tuple[str, ...] = ()
    evidence: Mapping[str, Figure] = field(default_factory=dict)
    more: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """The document of `judge --json` (contract): `evidence` is in SI; `also` has the same in units of the trade, if any."""
        also = {name: figure.to_json() for name, figure in self.evidence.items() if figure.unit in TRADE_UNITS}
        return {
            "watch": self.watch,
            "verdict": str(self.outcome),
            "finding": self.finding,
            "reasons": list(self.reasons),
            "evidence": {name: figure.to_json() for name, figure in self.evidence.items() if name not in also},
            **({"also": also} if also else {}),
            **self.more,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Verdict:
        known = {"watch", "verdict", "finding", "reasons", "evidence", "also"}
        figures = {**data.get("evidence", {}), **data.get("also", {})}
        return cls(
            data["watch"],
            Outcome(data["verdict"]),
            data["finding"],
            tuple(data.get("reasons", ())),
            {name: Figure.from_json(figure) for name, figure in figures.items()},
            {name: value for name, value in data.items() if name not in known},
        )


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted line to draw over the readings: `times_ns` (UTC ns) against SI values, with a band where known."""

    role: str
    times_ns: Sequence[int]
    values: Sequence[float]
    low: Sequence[float] = ()
    high: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Status:
    """What a watch would say to someone looking now.

    `phase` is a short word, `sentence` one plain sentence, `headline` the deciding figure's evidence name.
    `time_left_s` is how long the watch expects to wait for what it is `waiting_for`; None when it cannot know.
    `caution` is shown while the step can hurt someone. `details` is JSON for the page.
    """

    phase: str
    sentence: str
    headline: str = ""
    waiting_for: str = ""
    time_left_s: float | None = None
    progress: float | None = None
    caution: str = ""
    curve: Curve | None = None
    details: Mapping[str, Any] = field(default_factory=dict)
