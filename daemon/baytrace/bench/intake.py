"""From the adapters to the journal, and only then to everyone else.

Rules of this file:
- Durable first, then visible: `deliver` is called with what a commit holds, after that commit is on disk.
- One append is in flight; what arrives meanwhile joins the next, so a quiet bench commits at once and a busy one in groups.
- A failed append is kept and tried again; nothing is acknowledged, shown or judged until it is stored. Meanwhile writers
  wait (`put`) once `MOST_WAITING` readings are pending: memory is bounded, and adapters see the back-pressure.
- Within a commit readings come before events, as the journal numbers them; live order is the order of a replay.
- An event that tells how the bench stands, for a replay to go on from, is made when its turn comes (`event_made`): what was taken
  before it may still be on its way, and changes that standing.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from baytrace.bench.delivered import DeliveredKeys, Write, is_lasting
from baytrace.journal.sqlite import SqliteJournal
from baytrace.journal.store import Receipt
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.reading import Event, Raw

log = logging.getLogger(__name__)

MOST_WAITING = 50_000
MOST_A_COMMIT = 20_000
_RETRY_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)


@dataclass
class Batch:
    """What one commit holds."""

    readings: list[Raw] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    committed: list[Callable[[], None]] = field(default_factory=list)
    waiters: list[tuple[int, asyncio.Future[int]]] = field(default_factory=list)
    """(index among the events, future of its sequence number)"""
    making: Callable[[], Event] | None = None
    """Asked for the only thing in the batch when all before it is delivered."""
    keys: dict[str, list[bytes]] = field(default_factory=dict)
    """Of the messages that brought the readings, by instrument."""
    forget: set[str] = field(default_factory=set)
    """Instruments whose broker began a new session before these readings."""
    also: Write | None = None
    """What is written in the transaction of the commit, beside it."""


class Deliver(Protocol):
    async def __call__(self, batch: Batch, receipt: Receipt) -> None: ...


class Intake:
    """All calls on the event loop's thread."""

    def __init__(
        self,
        journal: SqliteJournal,
        deliver: Deliver,
        failing: Callable[[str], None],
        delivered: DeliveredKeys,
        letters: Callable[[Sequence[Event]], Write | None] = lambda _: None,
    ) -> None:
        self._journal, self._deliver, self._failing, self._delivered = journal, deliver, failing, delivered
        self._letters = letters
        self._queue: list[Batch] = [Batch()]
        self._arrived = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()
        self._waiting = 0
        self._finishing = False
        self.readings_stored = 0
        self.retries = 0
        self.failing = ""

    @property
    def waiting(self) -> int:
        """Readings taken and not yet durable."""
        return self._waiting

    async def put(
        self,
        readings: Sequence[Raw],
        committed: Callable[[], None] | None = None,
        instrument: str = "",
        keys: Sequence[bytes] = (),
    ) -> None:
        """Take readings; waits while too many are pending. `keys` of their messages become durable with them."""
        if not readings:
            if committed is not None:
                committed()
            return
        while self._waiting >= MOST_WAITING:
            self._room.clear()
            await self._room.wait()
        batch = self._open_batch(len(readings))
        batch.readings.extend(readings)
        if committed is not None:
            batch.committed.append(committed)
        if keys:
            batch.keys.setdefault(instrument, []).extend(keys)
        self._waiting += len(readings)
        self._arrived.set()

    def event(self, event: Event, *, committed: Callable[[], None] | None = None) -> asyncio.Future[int]:
        """Take an event; the future holds its sequence number once durable."""
        batch = self._open_batch(0)
        future: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        batch.waiters.append((len(batch.events), future))
        batch.events.append(event)
        if committed is not None:
            batch.committed.append(committed)
        self._arrived.set()
        return future

    def event_made(self, make: Callable[[], Event]) -> asyncio.Future[int]:
        """Take an event with a commit of its own: `make` is asked for it when all that was taken before is delivered, and nothing
        after. The future holds its sequence number once durable.
        """
        future: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self._queue.append(Batch(making=make, waiters=[(0, future)]))
        self._arrived.set()
        return future

    def forget(self, instrument: str, event: Event) -> asyncio.Future[int]:
        """Take the event that says the instrument's broker began a new session; durable with it, no key of the old one counts.

        Keys that do not outlive a session are dropped from what is still pending, too; those of a commit in flight are
        stored before this event, and go with it.
        """
        for batch in self._queue:
            if instrument in batch.keys:
                batch.keys[instrument] = [key for key in batch.keys[instrument] if is_lasting(key)]
        future = self.event(event)
        self._queue[-1].forget.add(instrument)
        return future

    async def settled(self) -> None:
        """Returns once all that was taken before is stored."""
        stored = asyncio.Event()
        self._open_batch(0).committed.append(stored.set)
        self._arrived.set()
        await stored.wait()

    async def run(self) -> None:
        """Store until `finish` is called and nothing is pending."""
        while True:
            await self._arrived.wait()
            self._arrived.clear()
            await self.drain()
            if self._finishing:
                return

    def finish(self) -> None:
        """Let `run` end once everything taken so far is stored."""
        self._finishing = True
        self._arrived.set()

    async def drain(self) -> None:
        """Store everything pending now."""
        while (batch := self._take()) is not None:
            if batch.making is not None:
                batch.events.append(batch.making())
            receipt = await self._append(batch) if batch.readings or batch.events else None
            self._waiting -= len(batch.readings)
            self.readings_stored += len(batch.readings)
            if self._waiting < MOST_WAITING:
                self._room.set()
            for call in batch.committed:
                call()
            if receipt is None:
                continue
            await self._deliver(batch, receipt)
            base = receipt.first + len(batch.readings)
            for index, future in batch.waiters:
                if not future.done():
                    future.set_result(base + index)

    def _open_batch(self, size: int) -> Batch:
        last = self._queue[-1] if self._queue else None
        if last is None or last.making is not None or len(last.readings) + size > MOST_A_COMMIT:
            last = Batch()
            self._queue.append(last)
        return last

    def _take(self) -> Batch | None:
        while self._queue:
            batch = self._queue.pop(0)
            if batch.readings or batch.events or batch.committed or batch.making is not None:
                return batch
        return None

    def _beside(self, batch: Batch) -> Write | None:
        writes = [self._delivered.keep(batch.keys, batch.forget)] if batch.keys or batch.forget else []
        if (letters := self._letters(batch.events)) is not None:
            writes.append(letters)

        def act(db: Any) -> None:
            for write in writes:
                write(db)

        return act if writes else None

    async def _append(self, batch: Batch) -> Receipt:
        batch.also = self._beside(batch)
        attempt = 0
        while True:
            try:
                receipt = await asyncio.wrap_future(self._journal.append(batch.readings, batch.events, also=batch.also))
            except EnvironmentFailed as error:
                self.retries += 1
                if str(error) != self.failing:
                    self.failing = str(error)
                    log.error("the journal cannot store: %s", error)  # noqa: TRY400 - one line, no traceback
                    self._failing(self.failing)
                await asyncio.sleep(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
                attempt += 1
            else:
                if self.failing:
                    self.failing = ""
                    self._failing("")
                return receipt
