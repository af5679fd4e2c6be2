"""The journal as the rest of the house knows it. Everything durable goes through `append`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import NamedTuple, Protocol

from baytrace.measure.reading import Event, Raw


class Stored(NamedTuple):
    """A raw reading as kept: its sequence number, the version of its channel's declaration, and the boot it came in."""

    seq: int
    raw: Raw
    version: int
    boot: str


class Receipt(NamedTuple):
    """What a commit was given: sequence numbers `first` to `last`, readings before events, each in the order appended."""

    first: int
    last: int
    commit: int
    digest: str


class Link(NamedTuple):
    """One link of the chain: `digest = SHA-256(previous digest + canonical header + SHA-256(payload))`."""

    commit: int
    first: int
    last: int
    wall_ns: int
    boot: str
    digest: str


class JournalView(Protocol):
    """A journal to look at, beside a running daemon or without one. Thread-safe."""

    directory: Path

    def items(self, after: int = 0, until: int | None = None) -> Iterator[Stored | Event]:
        """Readings and events by sequence number, `after < seq <= until`, read in short transactions."""
        ...

    def readings(self, channel: str, start_ns: int, end_ns: int) -> Iterator[Stored]:
        """One channel's readings with `start_ns <= wall_ns < end_ns`, in order; cheap for a short range of a long journal."""
        ...

    def events(self, kinds: Sequence[str] = (), session: str = "", after: int = 0) -> Iterator[Event]:
        """Events in order, of the kinds and session asked for (all when empty)."""
        ...

    def links(self, first_commit: int = 1, last_commit: int | None = None) -> Iterator[Link]: ...

    def head(self) -> Link | None: ...

    def close(self) -> None: ...


class Journal(JournalView, Protocol):
    """One writer owns all writes; readers never block it. `boot` identifies this run of the daemon."""

    boot: str

    def append(self, readings: Sequence[Raw], events: Sequence[Event]) -> Future[Receipt]:
        """Durable (fsynced) when the future is done; group commit joins neighbours. Fails with EnvironmentFailed."""
        ...
