"""Under what conditions a loop ran, as marks say it: engine speed, doors, air and blower.

A mark may say several at once (`idle, doors shut, recirculation, blower high`). What was said holds until something else is
said; starting and stopping the engine forgets its speed. `table conditions` says that all stand as the maker's table asks.
What nobody said stays unknown: a comparison then names the mark that is missing, and takes nothing for granted.
"""

from __future__ import annotations

import bisect
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

_RPM = re.compile(r"\b(\d{3,5})\s*(?:rpm|r/min)\b")
_WORDS: tuple[tuple[str, str, re.Pattern[str]], ...] = (
    ("speed", "idle", re.compile(r"\b(idle|idling)\b")),
    ("speed", "fast", re.compile(r"\b(fast|raised speed|revs? up|raised)\b")),
    ("doors", "open", re.compile(r"\bdoors?\s+open(ed)?\b")),
    ("doors", "shut", re.compile(r"\bdoors?\s+(shut|closed)\b")),
    ("air", "recirculation", re.compile(r"\brecirculat(ion|ed|ing)\b")),
    ("air", "fresh air", re.compile(r"\bfresh air\b")),
    ("blower", "high", re.compile(r"\bblower\s+(high|fastest|full)\b")),
    ("blower", "medium", re.compile(r"\bblower\s+(medium|half)\b")),
    ("blower", "low", re.compile(r"\bblower\s+(low|slow|slowest)\b")),
)
_AS_TABLE = re.compile(r"\btable conditions\b")
_STARTS_OR_ENDS = re.compile(r"\b(engine|compressor|system)\s+(on|off|started|stopped)\b")
_WORK = re.compile(
    r"\b(charg(e|ing)|recover(y|ed|ing)?|pump\s+on|evacuat\w*|isolated?|repair(ed)?|replaced?|part\s+fitted|hold\s+start)\b"
)
_IDLE_RPM = 1100.0
"""Above it an engine no longer idles (common practice, no source)."""
_SAME_SPEED = 0.1
"""Share by which two engine speeds may differ and be the same (common practice, no source)."""
NAMES: Mapping[str, str] = {"speed": "engine speed", "doors": "doors", "air": "air", "blower": "blower"}
MARK_FOR: Mapping[str, str] = {
    "speed": "'engine idle' or 'engine fast'",
    "doors": "'doors shut' or 'doors open'",
    "air": "'recirculation' or 'fresh air'",
    "blower": "'blower high' or 'blower low'",
}


@dataclass(frozen=True, slots=True)
class Conditions:
    """Empty where nobody said it. `speed` is `idle`, `fast` or a number with `rpm`; `as_table`: the rest is as the table asks."""

    speed: str = ""
    doors: str = ""
    air: str = ""
    blower: str = ""
    as_table: bool = False

    def told(self, text: str) -> Conditions:
        """With what a mark's text (lower case) says."""
        now = replace(self, speed="") if _STARTS_OR_ENDS.search(text) else self
        if _AS_TABLE.search(text):
            now = Conditions(as_table=True)
        said = {name: value for name, value, pattern in _WORDS if pattern.search(text)}
        if rpm := _RPM.search(text):
            said["speed"] = f"{int(rpm[1])} rpm"
        return now.with_said(said)

    def under(self, table: Mapping[str, str]) -> Conditions:
        """With what was said to be as the table asks filled in from the table's own conditions."""
        if not self.as_table:
            return self
        return Conditions().with_said({**table, **self.to_json()})

    def with_said(self, said: Mapping[str, str]) -> Conditions:
        """With these in place of what stood; other names are left out."""
        stood = self.to_json() | {name: value for name, value in said.items() if name in NAMES}
        speed, doors, air, blower = (stood.get(name, "") for name in NAMES)
        return Conditions(speed, doors, air, blower, self.as_table)

    def to_json(self) -> dict[str, str]:
        """What was said, and nothing else."""
        return {name: value for name in NAMES if (value := getattr(self, name))}


def same(name: str, one: str, other: str) -> bool:
    """Whether two words for one condition mean the same; speeds by their number where both have one."""
    if name != "speed" or one == other:
        return one == other
    numbers = [float(found[1]) if (found := _RPM.search(word)) else None for word in (one, other)]
    if numbers[0] is not None and numbers[1] is not None:
        return abs(numbers[0] - numbers[1]) <= _SAME_SPEED * max(numbers[0], numbers[1])
    number = next((each for each in numbers if each is not None), None)
    if number is None:
        return False
    word = one if numbers[0] is None else other
    return word == ("idle" if number <= _IDLE_RPM else "fast")


def is_work(text: str) -> bool:
    """Whether a mark's text (lower case) says that the loop was worked on: what runs afterwards is another state of the car."""
    return _WORK.search(text) is not None


_MOST = 200
"""Marks that are remembered one by one; what older ones said is kept as it stood."""


class History:
    """What marks said and when; marks may come late, and count from the instant they give."""

    def __init__(self) -> None:
        self._marks: list[tuple[float, str]] = []
        self._stood: list[tuple[float, Conditions, int]] = [(-math.inf, Conditions(), 0)]

    def mark(self, time_s: float, text: str) -> None:
        if not (Conditions(speed="?").told(text) != Conditions(speed="?") or is_work(text)):
            return
        bisect.insort(self._marks, (time_s, text), key=lambda mark: mark[0])
        stood = self._stood[:1]
        for at_s, said in self._marks:
            _, conditions, works = stood[-1]
            stood.append((at_s, conditions.told(said), works + is_work(said)))
        if len(self._marks) > _MOST:
            del self._marks[0], stood[0]
        self._stood = stood

    def at(self, time_s: float) -> tuple[Conditions, int]:
        """The conditions at an instant, and how often the loop had been worked on by then."""
        _, conditions, works = next((each for each in reversed(self._stood) if each[0] <= time_s), self._stood[0])
        return conditions, works
