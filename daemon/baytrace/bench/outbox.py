"""What must be told outside, kept until it was: every alarm and verdict, once for each target.

Rules of this file:
- A letter is written in the transaction of its event: neither can be on disk without the other, so `kill -9` loses none.
- It leaves the table only after its target took it. Killed in between, the daemon sends it again, under the same key:
  at least once. The key is the boot and the event's sequence number, so it is never given to another event.
- Letters that will never be taken are dead: kept, counted, told by an `undelivered` event, and sent again when a person asks.
- What waits is in memory too, and bounded: beyond `MOST_WAITING` the oldest is dead (the journal has its event in any case).

The table lies outside the chain (`journal.schema`). All calls on the event loop's thread, but the `Write`s.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from baytrace.bench.outbox_rules import Letter
from baytrace.journal.sqlite import SqliteJournal
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.records.vocabulary import Kind

log = logging.getLogger(__name__)

TOLD = (Kind.ALARM, Kind.VERDICT)
MOST_WAITING = 10_000
MOST_DEAD = 1_000

Write = Callable[[Any], None]


class Recorder(Protocol):
    def record(self, kind: str, data: Mapping[str, Any], committed: Callable[[], None] | None = None) -> None: ...


class Box:
    """One target's letters."""

    def __init__(self) -> None:
        self.waiting: OrderedDict[str, Letter] = OrderedDict()
        self.dead: OrderedDict[str, Letter] = OrderedDict()
        self.arrived = asyncio.Event()
        self.delivered = 0
        """Since the start of the daemon."""


class Outbox:
    """`rows` is what `read_rows` found at the start. Targets no longer configured keep their letters, and are not served."""

    def __init__(
        self, journal: SqliteJournal, bench: str, targets: Sequence[str], rows: Sequence[tuple[Any, ...]]
    ) -> None:
        self._journal, self._bench = journal, bench
        self.boxes = {target: Box() for target in targets}
        self._unwritten: list[Write] = []
        for target, key, body, state in rows:
            if (box := self.boxes.get(target)) is not None:
                letter = Letter(key, bytes(body), json.loads(body)["kind"])
                (box.dead if state == "dead" else box.waiting)[key] = letter
        for box in self.boxes.values():
            if box.waiting:
                box.arrived.set()

    # ------------------------------------------------------------------ writing letters

    def letter(self, event: Event) -> Letter:
        """What is said of an event that has its sequence number."""
        key = f"{self._journal.boot}.{event.seq}"
        said = {
            "kind": event.kind,
            "key": key,
            "seq": event.seq,
            "time": format_instant(event.time_ns, 3),
            "bench": self._bench,
            "session": event.session,
        }
        return Letter(key, json.dumps({**event.data, **said}).encode(), event.kind)

    def write(self, events: Sequence[Event]) -> Write | None:
        """What writes the letters of a commit's events inside its transaction; None when there are none."""
        told = [(index, event) for index, event in enumerate(events) if event.kind in TOLD]
        if not told or not self.boxes:
            return None

        def act(db: Any) -> None:
            first, readings = db.execute("SELECT first, readings FROM commits ORDER BY id DESC LIMIT 1").fetchone()
            for index, event in told:
                letter = self.letter(event._replace(seq=first + readings + index))
                rows = [(target, letter.key, letter.body, event.time_ns) for target in self.boxes]
                db.executemany(
                    "INSERT OR IGNORE INTO outbox(target, key, body, made_ns, due_ns) VALUES(?, ?, ?, ?, 0)", rows
                )

        return act

    def posted(self, event: Event, recorder: Recorder) -> None:
        """An event became durable, and its letters with it."""
        if event.kind not in TOLD:
            return
        letter = self.letter(event)
        for target, box in self.boxes.items():
            box.waiting[letter.key] = letter
            box.arrived.set()
            if len(box.waiting) > MOST_WAITING:
                oldest = next(iter(box.waiting.values()))
                self._bury(target, oldest, f"more than {MOST_WAITING} letters wait", recorder)

    # ------------------------------------------------------------------ what became of them

    async def delivered(self, target: str, letters: Sequence[Letter]) -> None:
        """Forget what was taken. When the disk refuses, later: the price is a letter that comes twice after a crash."""
        box = self.boxes[target]
        for letter in letters:
            box.waiting.pop(letter.key, None)
        box.delivered += len(letters)
        self._unwritten.append(_deleting([(target, letter.key) for letter in letters]))
        await self._settle()

    async def failed(self, target: str, letter: Letter, why: str) -> None:
        row = (why[:500], target, letter.key)
        self._unwritten.append(
            lambda db: db.execute("UPDATE outbox SET tries = tries + 1, error = ? WHERE target = ? AND key = ?", row)
        )
        await self._settle()

    async def dead(self, target: str, letter: Letter, why: str, recorder: Recorder) -> None:
        """Never to be taken as it is."""
        self._bury(target, letter, why, recorder)
        await self._settle()

    def _bury(self, target: str, letter: Letter, why: str, recorder: Recorder) -> None:
        box = self.boxes[target]
        box.waiting.pop(letter.key, None)
        box.dead[letter.key] = letter
        row = (why[:500], target, letter.key)
        self._unwritten.append(
            lambda db: db.execute(
                "UPDATE outbox SET state = 'dead', tries = tries + 1, error = ? WHERE target = ? AND key = ?", row
            )
        )
        while len(box.dead) > MOST_DEAD:
            oldest = (target, box.dead.popitem(last=False)[0])
            self._unwritten.append(_deleting([oldest]))
        log.error("%s will not be delivered to %s: %s", letter.key, target, why)
        recorder.record(
            Kind.UNDELIVERED,
            {"target": target, "key": letter.key, "of": _order(letter), "why": why[:500]},
        )

    async def retry(self) -> int:
        """Let the dead wait for delivery again; how many. A person asked."""
        count = sum(len(box.dead) for box in self.boxes.values())
        for box in self.boxes.values():
            box.waiting = OrderedDict(sorted((box.waiting | box.dead).items(), key=lambda each: _order(each[1])))
            box.dead = OrderedDict()
            if box.waiting:
                box.arrived.set()
        self._unwritten.append(lambda db: db.execute("UPDATE outbox SET state = 'waiting' WHERE state = 'dead'"))
        await self._settle()
        return count

    async def forget(self) -> int:
        """Let the dead go for good; how many. A person asked."""
        count = sum(len(box.dead) for box in self.boxes.values())
        for box in self.boxes.values():
            box.dead.clear()
        self._unwritten.append(lambda db: db.execute("DELETE FROM outbox WHERE state = 'dead'"))
        await self._settle()
        return count

    async def _settle(self) -> None:
        acts, self._unwritten = self._unwritten, []
        try:
            await asyncio.wrap_future(self._journal.change(lambda db: [act(db) for act in acts]))
        except EnvironmentFailed:
            self._unwritten = acts + self._unwritten
        except asyncio.CancelledError:
            self._unwritten = acts + self._unwritten
            raise


def _deleting(rows: Sequence[tuple[str, str]]) -> Write:
    def act(db: Any) -> None:
        db.executemany("DELETE FROM outbox WHERE target = ? AND key = ?", rows)

    return act


def _order(letter: Letter) -> int:
    return int(letter.key.rpartition(".")[2])


def read_rows(db: Any) -> list[tuple[Any, ...]]:
    """Every letter behind the connection, in the order written: target, key, body, state."""
    return db.execute("SELECT target, key, body, state FROM outbox ORDER BY id").fetchall()  # type: ignore[no-any-return]
