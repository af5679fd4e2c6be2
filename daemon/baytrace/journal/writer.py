"""The one thread that writes: group commit, checkpoints, sealing.

- An append becomes a commit, a link of its own; appends that wait together share one transaction and one fsync.
- A quiet writer commits at once. After a commit of d seconds it rests 3 d (at most 50 ms) to let neighbours gather, unless
  1,000 readings wait: a slow disk is spared, a fast one hardly adds latency. All in the machine's time, never the bench's.
- What cannot be stored fails its future with EnvironmentFailed, and the connection is opened anew for the next attempt: when
  space or the disk returns, so does storing. An error that is none of the disk's ends the writer: pending and later appends
  fail with `WriterStopped`, which nobody is meant to wait out.
- When idle it seals closed stretches, a block a step, and empties the write-ahead log.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import apsw

from baytrace.journal import schema
from baytrace.journal.chain import GENESIS, header, link_digest
from baytrace.journal.jobs import Append, Change
from baytrace.journal.reader import head
from baytrace.journal.sealer import Sealer
from baytrace.journal.store import Link, Receipt
from baytrace.measure.clock import Clock
from baytrace.measure.faults import BadInput, BaytraceError, EnvironmentFailed

log = logging.getLogger(__name__)

LONGEST_REST_S = 0.05
ENOUGH = 1_000
MOST_A_GROUP = 50_000
_REST = 3.0
_WAL_WHEN_IDLE = 4 * 1024 * 1024
_AGAIN_S = 1.0
"""A reader in the way is not gone by the next commit."""
_WAL_WHEN_BUSY = schema.WAL_LIMIT * 3 // 4
"""Below the limit by more than the largest commit, so that a busy log stays within it."""
_IDLE_S = 0.25
_LONG_IDLE_S = 5.0
_MS = 1_000_000


class WriterStopped(BaytraceError):
    """The writer's thread has ended, by `close` or by a fault of our own."""

    exit_code = 5


class Writer:
    """Owns the writing connection `db`; `submit` and `stop` may be called from any thread."""

    def __init__(self, path: Path, db: apsw.Connection, clock: Clock, boot: str) -> None:
        self._path, self._clock, self._boot = path, clock, boot
        self._db: apsw.Connection | None = db
        self._waiting: deque[Append | Change] = deque()
        self._in_hand: Sequence[Append | Change] = ()
        self._size = 0
        self._arrived = threading.Condition()
        self._stopping = False
        self._ended: BaseException | None = None
        self._durations: deque[float] = deque(maxlen=512)
        self._group_ended = 0.0
        self._rest_s = 0.0
        self.last_error = ""
        self.failing = False
        self.damaged = False
        self._head: Link | None = None
        self._versions: dict[str, int] = {}
        self._names: dict[str, int] = {}
        self.sealer = Sealer()
        self._adopt(db)
        self._thread = threading.Thread(target=self._run, name="journal writer", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------------ for every thread

    def submit(self, job: Append | Change) -> None:
        """Raises WriterStopped when nothing can be stored any more."""
        with self._arrived:
            if self._ended is not None or self._stopping:
                raise WriterStopped(
                    f"{self._path}: the journal is closed"
                    if self._ended is None
                    else f"{self._path}: the journal's writer failed: {self._ended!r}"
                )
            self._waiting.append(job)
            self._size += job.size
            self._arrived.notify()

    def stop(self) -> None:
        """Stores what was handed over, then ends the thread and closes the connection."""
        with self._arrived:
            self._stopping = True
            self._arrived.notify()
        self._thread.join()

    def leap(self, numbers: int) -> None:
        """Leave out so many commit and sequence numbers: before the first append, when some may have been given and lost."""
        now = self._head or Link(0, 0, 0, 0, "", GENESIS)
        self._head = now._replace(commit=now.commit + numbers, last=now.last + numbers)

    @property
    def head(self) -> Link | None:
        return self._head

    @property
    def waiting(self) -> int:
        return self._size

    def commit_times_s(self) -> list[float]:
        """Of the last commits, sorted."""
        return sorted(self._durations)

    # ------------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            while group := self._next_group():
                self._in_hand = group
                self._store(group)
            self._leave()
        except BaseException as error:
            log.exception("the journal's writer failed")
            with self._arrived:
                self._ended = error
                left, self._waiting = [*self._in_hand, *self._waiting], deque()
            stopped = WriterStopped(f"{self._path}: the journal's writer failed: {error!r}")
            for job in left:
                _fail(job, stopped)

    def _next_group(self) -> list[Append | Change]:
        """What is to be stored next; does the chores while there is nothing; empty at the end."""
        while True:
            with self._arrived:
                while self._waiting:
                    rest = self._group_ended + self._rest_s - time.monotonic()
                    if rest <= 0.0 or self._size >= ENOUGH or self._stopping:
                        return self._take()
                    self._arrived.wait(rest)
                if self._stopping:
                    return []
                wait = self._chore_due_s()
                if wait is None or wait > 0.0:
                    self._arrived.wait(wait)
            if not self._waiting and not self._stopping and self._chore_due_s() == 0.0:
                self._chores()

    def _take(self) -> list[Append | Change]:
        group: list[Append | Change] = []
        size = 0
        while self._waiting and (not group or size + self._waiting[0].size <= MOST_A_GROUP):
            job = self._waiting.popleft()
            self._size -= job.size
            size += job.size
            if job.future.set_running_or_notify_cancel():
                group.append(job)
        return group or self._take() if self._waiting else group or [Change(lambda _: None)]

    def _store(self, group: Sequence[Append | Change]) -> None:
        started = time.monotonic()
        try:
            results = self._transaction(group)
        except (apsw.Error, BaytraceError) as error:
            self._failed(group, error)
            return
        ended = time.monotonic()
        self._durations.append(ended - started)
        self._group_ended, self._rest_s = ended, min(LONGEST_REST_S, _REST * (ended - started))
        if self.failing:
            log.warning("%s: storing again", self._path)
        self.failing = False
        for job, result in zip(group, results, strict=True):
            if isinstance(result, BaseException):
                job.future.set_exception(result)
            else:
                job.future.set_result(result)
        if self._wal_size() > _WAL_WHEN_BUSY and ended - self._checkpointed >= _AGAIN_S:
            self._checkpoint("TRUNCATE")
        if self.sealer.pressing():
            self._seal()

    def _failed(self, group: Sequence[Append | Change], error: apsw.Error | BaytraceError) -> None:
        meant = schema.explain(error, self._path) if isinstance(error, apsw.Error) else error
        self.last_error, self.failing = str(meant), True
        self.damaged = self.damaged or isinstance(meant, schema.Damaged)
        self._drop_connection()
        self._group_ended, self._rest_s = time.monotonic(), LONGEST_REST_S
        for job in group:
            _fail(job, EnvironmentFailed(str(meant)))

    def _transaction(self, group: Sequence[Append | Change]) -> list[Any]:
        """Everything of `group` durable, or nothing: raises apsw.Error or EnvironmentFailed."""
        db = self._connection()
        results: list[Any] = []
        draft = _Draft(self._head, dict(self._versions), self._names)
        db.execute("BEGIN IMMEDIATE")
        try:
            wall_ns = self._clock.wall_ns() // _MS * _MS
            for job in group:
                try:
                    results.append(
                        draft.write(db, job, wall_ns, self._boot) if isinstance(job, Append) else job.act(db)
                    )
                except BadInput as error:
                    results.append(error)
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        self._head, self._versions = draft.head, draft.versions
        self._names.update(draft.new_names)
        for job, result in zip(group, results, strict=True):
            if isinstance(job, Append) and not isinstance(result, BadInput):
                self.sealer.grew(job.size)
        return results

    # ------------------------------------------------------------------ the connection

    def _connection(self) -> apsw.Connection:
        if self._db is None:
            db = schema.connect_writer(self._path)
            try:
                self._adopt(db)
            except BaseException:
                db.close()
                raise
            self._db = db
        return self._db

    def _drop_connection(self) -> None:
        if self._db is not None:
            try:
                self._db.close()
            except apsw.Error as error:
                log.warning("%s: %s", self._path, error)
            self._db = None

    def _adopt(self, db: apsw.Connection) -> None:
        """Take over what the file holds. Raises EnvironmentFailed when it is not where this writer left it."""
        found = head(db)
        if self._head is not None and (
            found is None
            or found.commit < self._head.commit
            or (found.commit == self._head.commit and found != self._head)
        ):
            raise EnvironmentFailed(
                f"{self._path}: is no longer the file that was written to; put it back, or start again"
            )
        self._head = found
        self._versions = dict(db.execute("SELECT name, version FROM channels ORDER BY seq"))
        self._names = dict(db.execute("SELECT text, id FROM names"))
        self.sealer.adopt(db)

    def _leave(self) -> None:
        if self._db is not None:
            self._checkpoint("TRUNCATE")
        self._drop_connection()

    # ------------------------------------------------------------------ chores

    def _wal_size(self) -> int:
        try:
            return Path(f"{self._path}-wal").stat().st_size
        except OSError:
            return 0

    def _chore_due_s(self) -> float | None:
        """Seconds until a chore is to be done: 0 for now, None for none."""
        if self._db is None:
            return None
        idle = time.monotonic() - self._group_ended
        if self.sealer.due():
            return 0.0 if idle >= _IDLE_S else _IDLE_S - idle
        wal = self._wal_size()
        if wal == 0:
            return None
        patience = _IDLE_S if wal > _WAL_WHEN_IDLE else _LONG_IDLE_S
        since = min(idle, time.monotonic() - self._checkpointed)
        return max(0.0, patience - since)

    _checkpointed = 0.0

    def _chores(self) -> None:
        if self.sealer.due():
            self._seal()
        else:
            self._checkpoint("TRUNCATE")

    def _seal(self) -> None:
        assert self._db is not None
        try:
            self.sealer.step(self._db)
        except (apsw.Error, BaytraceError) as error:
            self.last_error = str(schema.explain(error, self._path) if isinstance(error, apsw.Error) else error)
            log.error("sealing put off: %s", self.last_error)  # noqa: TRY400 - one line, no traceback
            self.sealer.put_off()

    def _checkpoint(self, mode: str) -> None:
        """Move the log into the file. A reader in the way only makes it less complete."""
        assert self._db is not None
        self._checkpointed = time.monotonic()
        try:
            self._db.set_busy_timeout(0)
            self._db.execute(f"PRAGMA wal_checkpoint({mode})").fetchall()
        except apsw.BusyError:
            pass
        except apsw.Error as error:
            self.last_error = str(schema.explain(error, self._path))
            log.error("checkpoint put off: %s", self.last_error)  # noqa: TRY400 - one line, no traceback
        finally:
            self._db.set_busy_timeout(schema.BUSY_MS)


class _Draft:
    """The head and the tables as they will be once the transaction is durable."""

    def __init__(self, head: Link | None, versions: dict[str, int], names: dict[str, int]) -> None:
        self.head, self.versions, self._names = head, versions, names
        self.new_names: dict[str, int] = {}

    def write(self, db: apsw.Connection, job: Append, wall_ns: int, boot: str) -> Receipt:
        """Raises BadInput before anything is written, apsw.Error at any time."""
        payload, low_ns, high_ns = job.encoded(self.versions)
        declared = job.declarations()
        self._refuse_reuse(db, declared)
        commit, first, previous = (
            (self.head.commit + 1, self.head.last + 1, self.head.digest) if self.head else (1, 1, GENESIS)
        )
        last = first + job.size + len(job.events) - 1
        digest = link_digest(previous, header(commit, first, last, wall_ns, boot), payload)
        db.execute(
            "INSERT INTO commits VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                commit,
                first,
                last,
                wall_ns,
                self._name(db, boot),
                job.size,
                low_ns,
                high_ns,
                bytes.fromhex(digest),
                payload,
            ),
        )
        for seq, event in enumerate(job.events, first + job.size):
            db.execute(
                "INSERT INTO events VALUES(?, ?, ?)", (self._name(db, event.kind), self._name(db, event.session), seq)
            )
        for name, version in declared.items():
            db.execute("INSERT OR REPLACE INTO channels VALUES(?, ?, ?)", (version, name, first))
        if job.also is not None:
            job.also(db)
        self.versions.update(declared)
        self.head = Link(commit, first, last, wall_ns, boot, digest)
        return Receipt(first, last, commit, digest)

    def _refuse_reuse(self, db: apsw.Connection, declared: dict[str, int]) -> None:
        for name, version in declared.items():
            known = db.execute("SELECT name FROM channels WHERE version = ?", (version,)).get
            if known is not None and known != name:
                raise BadInput(
                    f"version {version} is channel {known!r}; {name!r} cannot have it",
                    right="give every declaration a number of its own",
                )

    def _name(self, db: apsw.Connection, text: str) -> int:
        number = self._names.get(text) or self.new_names.get(text)
        if number is None:
            number = db.execute("INSERT INTO names(text) VALUES(?) RETURNING id", (text,)).get
            self.new_names[text] = number
        return number


def _fail(job: Append | Change, error: BaseException) -> None:
    if not job.future.done():
        job.future.set_exception(error)
