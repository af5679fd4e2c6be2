"""Likely causes, as the table of signatures has them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from baytrace.watches.pressures import causes
from baytrace.watches.pressures.causes import OTHER, SOUND, Day
from baytrace.watches.pressures.pattern import NORMAL
from baytrace.watches.running.figures import Value


@dataclass(frozen=True, slots=True)
class Cause:
    cause: str
    likelihood: float
    alike: tuple[str, ...] = ()
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()

    def _plain(self) -> causes.Cause:
        return causes.Cause(self.cause, self.likelihood, self.speaks_for, self.speaks_against)

    def sentence(self) -> str:
        return self._plain().sentence()

    @property
    def names(self) -> str:
        return " or ".join((self.cause, *self.alike))

    def to_json(self) -> dict[str, Any]:
        return self._plain().to_json() | {"or": list(self.alike)}


@dataclass(frozen=True, slots=True)
class Ranking:
    causes: tuple[Cause, ...] = ()
    suspected: bool = False


def _of(cause: causes.Cause) -> Cause:
    return Cause(cause.cause, cause.likelihood, (), cause.speaks_for, cause.speaks_against)


def ranked(signs: Mapping[str, Value], day: Day, refrigerant: str) -> Ranking:
    found = causes.rank(signs, day, NORMAL, refrigerant)
    shown = tuple(_of(cause) for cause in found if cause.cause != OTHER)
    sound = sum(cause.likelihood for cause in found if cause.cause == SOUND)
    return Ranking(shown, bool(found) and sound < 0.5)


def not_judged(refrigerant: str) -> str:
    missing = causes.not_judged(refrigerant)
    return f"not judged with {refrigerant}: {', '.join(missing)}" if missing else ""


def not_pumping() -> Ranking:
    return Ranking(tuple(_of(cause) for cause in causes.not_pumping() if cause.cause != OTHER), suspected=True)
