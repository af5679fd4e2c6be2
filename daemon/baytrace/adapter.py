"""The contract between the bench and its adapters, and how adapters are found.

An adapter module (in a package under an entry point of the group `baytrace.adapters`) defines `ADAPTER`, a class as
`Adapter` describes. Building an adapter checks its settings and touches no hardware. `run` then reads until it is
cancelled: it opens, reads, reports what goes wrong through its `Sink`, backs off and returns by itself; it raises only for
a fault of our own. An adapter stamps on arrival and never converts units, corrects, or judges.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib.metadata import entry_points
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict

from baytrace.measure.clock import Clock
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Raw


class LinkState(StrEnum):
    """What an adapter knows of its wire. Staleness of a channel is the bench's to find."""

    OPENING = "opening"
    UP = "up"
    SILENT = "silent"
    LOST = "lost"


class AdapterSettings(BaseModel):
    """Base of an adapter's settings: the keys of an `[[instrument]]` table that are the adapter's own."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)


class ChannelSettings(BaseModel):
    """Base of the adapter's own keys in an `[[instrument.channel]]` table."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class ChannelRequest:
    """A channel to read: its unique name, its unit as written (a SenML unit may be checked against it), its own keys."""

    name: str
    unit: str
    settings: Any
    period_s: float = 1.0


class Sink(Protocol):
    """Where an adapter hands things over. All calls are made on the event loop's thread."""

    clock: Clock

    async def samples(self, samples: Sequence[Raw], committed: Callable[[], None] | None = None) -> None:
        """Take readings, in order. Waits when the bench is behind (back-pressure).

        `committed` is called once on the loop after the batch is durable; never, when it could not be stored.
        """
        ...

    async def reject(self, frame: bytes, why: str, committed: Callable[[], None] | None = None) -> None:
        """Keep a frame that could not be understood: it is journalled raw (at most 4 kB of it) and counted."""
        ...

    def count(self, what: str, times: int = 1) -> None:
        """Count something that is no reading: `retry`, `bad checksum`, `resync`, `duplicate`, `dropped`."""
        ...

    def link(self, state: LinkState, detail: str = "") -> None:
        """Say how the wire is; each change becomes an event."""
        ...

    def identity(self, facts: Mapping[str, str]) -> None:
        """Tell what is known of the device (`*IDN?`, USB serial number); kept with the session."""
        ...


class Adapter(Protocol):
    """Built as `ADAPTER(instrument_name, settings, channels, sink)`."""

    name: ClassVar[str]
    summary: ClassVar[str]
    Settings: ClassVar[type[AdapterSettings]]
    ChannelKeys: ClassVar[type[ChannelSettings]]
    sample: ClassVar[str]
    """A complete `[[instrument]]` table in TOML that `check` accepts.

    What a second instrument of the bench cannot use beside this one may stand in an attribute `exclusive` of the instance, in words.
    """

    def __init__(self, instrument: str, settings: Any, channels: Sequence[ChannelRequest], sink: Sink) -> None: ...

    async def run(self) -> None: ...


@cache
def adapters() -> Mapping[str, type[Adapter]]:
    """Every adapter that can be found, by name."""
    found: dict[str, type[Adapter]] = {}
    for point in entry_points(group="baytrace.adapters"):
        package = point.load()
        for info in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
            if not info.name.rpartition(".")[2].startswith("_"):
                adapter = getattr(importlib.import_module(info.name), "ADAPTER", None)
                if adapter is not None:
                    found[adapter.name] = adapter
    return dict(sorted(found.items()))


def adapter_named(name: str) -> type[Adapter]:
    try:
        return adapters()[name]
    except KeyError:
        raise BadInput(f"no adapter is called {name!r}", right=f"there are: {', '.join(adapters())}") from None


@dataclass
class Collector:
    """A sink for tests and tools: keeps everything it is handed."""

    clock: Clock
    raws: list[Raw] = field(default_factory=list)
    rejects: list[tuple[bytes, str]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    links: list[tuple[LinkState, str]] = field(default_factory=list)
    facts: dict[str, str] = field(default_factory=dict)

    async def samples(self, samples: Sequence[Raw], committed: Callable[[], None] | None = None) -> None:
        self.raws.extend(samples)
        if committed:
            committed()

    async def reject(self, frame: bytes, why: str, committed: Callable[[], None] | None = None) -> None:
        self.rejects.append((frame, why))
        if committed:
            committed()

    def count(self, what: str, times: int = 1) -> None:
        self.counts[what] = self.counts.get(what, 0) + times

    def link(self, state: LinkState, detail: str = "") -> None:
        self.links.append((state, detail))

    def identity(self, facts: Mapping[str, str]) -> None:
        self.facts.update(facts)
