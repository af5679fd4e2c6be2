"""The contract of a watch, and how watches are found.

A watch is a state machine over readings and marks in time order. It never asks the wall clock, reads no file and knows no
asyncio: fed the same items it says the same thing, to the bit. A late reading (older than what was seen) must not crash it.

A module (or package) under an entry point of the group `baytrace.watches` is a watch when it defines `WATCH`, a class as
`Watch` describes. Its settings are a pydantic model; every default that is a limit comes from `watches.limits_table`.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import entry_points
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict, ValidationError, field_validator

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.verdict import Status, Verdict

ASK: dict[str, Any] = {"ask": True}
"""On a setting's field: it differs from vehicle to vehicle, so a form asks for it first."""


MOST = 1e12
"""No setting is larger; beyond it lies a slip of the keyboard, and arithmetic that overflows."""


class WatchSettings(BaseModel):
    """Base of every watch's settings: unknown keys are refused, values may come as text (`--set key=value`).

    Numbers are finite and within `MOST` of zero.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _in_reach(cls, value: Any) -> Any:
        if isinstance(value, int | float) and abs(value) > MOST:
            raise ValueError(f"{value:g} is out of reach, give a number up to {MOST:g}")
        return value


@dataclass(frozen=True, slots=True)
class View:
    """What a watch may know of its surroundings: the channels it can hear, by name."""

    channels: Mapping[str, Channel] = field(default_factory=dict)


class Watch(Protocol):
    """Built as `WATCH(settings, view)`. `roles` are the roles whose readings it wants; others are not sent.

    It may also have `marks`, the texts it understands, for buttons; and say in `Status.details["mark"]` which it waits for. And
    `readings`, which takes many at once and leads to the same state: between two marks it is then told readings first, and how late
    it is afterwards.
    """

    name: ClassVar[str]
    roles: ClassVar[frozenset[str]]
    Settings: ClassVar[type[WatchSettings]]
    summary: ClassVar[str]

    def __init__(self, settings: Any, view: View) -> None: ...

    def reading(self, reading: Reading) -> None:
        """Take one reading (SI, absolute). Constant cost."""
        ...

    def mark(self, mark: Mark) -> None:
        """Take one mark."""
        ...

    def advance(self, time_ns: int) -> None:
        """Time passed without a reading (from the journal's heartbeat, so a replay sees the same)."""
        ...

    def status(self) -> Status: ...

    def verdict(self) -> Verdict:
        """The verdict on all that was seen so far; calling it changes nothing."""
        ...


@cache
def watches() -> Mapping[str, type[Watch]]:
    """Every watch that can be found, by name."""
    found: dict[str, type[Watch]] = {}
    for point in entry_points(group="baytrace.watches"):
        package = point.load()
        for info in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
            if not info.name.rpartition(".")[2].startswith("_"):
                watch = getattr(importlib.import_module(info.name), "WATCH", None)
                if watch is not None:
                    found[watch.name] = watch
    return dict(sorted(found.items()))


def watch_named(name: str) -> type[Watch]:
    try:
        return watches()[name]
    except KeyError:
        raise BadInput(f"no watch is called {name!r}", right=f"there are: {', '.join(watches())}") from None


def build(name: str, settings: Mapping[str, Any], view: View) -> Watch:
    """A watch ready to follow. Raises BadInput naming each setting that does not fit."""
    kind = watch_named(name)
    try:
        checked = kind.Settings.model_validate(dict(settings))
    except ValidationError as error:
        faults = []
        for fault in error.errors():
            key = ".".join(str(part) for part in fault["loc"]) or "settings"
            if fault["type"] == "extra_forbidden":
                faults.append(f"{key}: {name} has no such setting (it has: {', '.join(kind.Settings.model_fields)})")
            else:
                faults.append(f"{key}: {fault['msg']}")
        raise BadInput("; ".join(faults), where=f"settings of {name}") from None
    return kind(checked, view)
