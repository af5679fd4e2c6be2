"""Blind spots: none are known to the table of signatures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from baytrace.watches.pressures.causes import Day
from baytrace.watches.running.figures import Value


@dataclass(frozen=True, slots=True)
class Blind:
    cause: str
    smallest: float | None
    most: float

    def to_json(self) -> dict[str, Any]:
        name, value = ("most", self.most) if self.smallest is None else ("smallest", self.smallest)
        return {"cause": self.cause, name: {"value": value, "unit": "%"}}

    def sentence(self) -> str:
        return f"would have shown {self.cause}"


def blind_spots(signs: Mapping[str, Value], day: Day, refrigerant: str) -> tuple[Blind, ...]:
    return ()
