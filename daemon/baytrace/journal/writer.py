"""The one thread that writes: group commit, checkpoints, sealing.

- An append becomes a commit, a link of its own; appends that wait together share one transaction and one fsync.
- A quiet writer commits at once. After a commit of d seconds it rests 3 d (at most 50 ms) to let neighbours gather, unless
  1,000 readings wait: a slow disk is spared, a fast one hardly adds latency. All in the machine's time, never the bench's.
- What cannot be stored fails its future with EnvironmentFailed, and the connection is opened anew for the next attempt: when
  space or the disk returns, so does storing. An error that is none of the disk's ends the writer: pending and later appends
  fail with `WriterStopped`, which nobody is meant to wait out.
- A commit that failed at its last step, the fsync, may be in the file all the same. It is then made durable, and an append of the
  same payload afterwards is given its receipt: nothing is stored twice.
- A file that is moved or deleted under its connection could still be written to, for nobody to find: before each transaction the
  name is looked at, and what stands there must be the file that was opened.
- A damaged file is rescued at once (`rescue`), not more often than every `RESCUE_EVERY_S`: a disk that damages whatever it holds
  must not be filled with copies.
- When idle it seals closed stretches, a block a step, and empties the write-ahead log.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import apsw

from baytrace.journal import schema
from baytrace.journal.chain import GENESIS
from baytrace.journal.draft import Draft, Standing, Unsure
from baytrace.journal.jobs import Append, Change
from baytrace.journal.reader import head
from baytrace.journal.rescue import UNTOLD, rescue
from baytrace.journal.salvage import SEQ_LEAP
from baytrace.journal.sealer import Sealer
from baytrace.journal.store import Link, Receipt
from baytrace.measure.clock import Clock
from baytrace.measure.faults import BadInput, BaytraceError, EnvironmentFailed, VerificationFailed
from baytrace.measure.reading import Event

log = logging.getLogger(__name__)

LONGEST_REST_S = 0.05
RESCUE_EVERY_S = 600.0
RESCUE_AGAIN_S = 30.0
"""After one that failed, for want of room."""
RESCUE_TOLD_S = 60.0
"""So long after a rescue the journal still calls itself damaged, that an alarm is seen."""
ENOUGH = 1_000
MOST_A_GROUP = 50_000
_REST = 3.0
_WAL_WHEN_IDLE = 4 * 1024 * 1024
_AGAIN_S = 1.0
"""A reader in the way is not gone by the next commit."""
_WAL_WHEN_BUSY = schema.WAL_LIMIT // 4
"""So far below the limit that a log found this full by a reader who stays for an hour remains within it at 20 channels."""
_WAL_ON_A_FULL_DISK = 512 * 1024
_IDLE_S = 0.25
_LONG_IDLE_S = 5.0
_MS = 1_000_000


class WriterStopped(BaytraceError):
    """The writer's thread has ended, by `close` or by a fault of our own."""

    exit_code = 5


class Writer:
    """Owns the writing connection `db`; `submit`, `suspect` and `stop` may be called from any thread.

    `replaced` is called when another file stands in the place of the one there was. Raises EnvironmentFailed at construction.
    """

    def __init__(
        self, path: Path, db: apsw.Connection, clock: Clock, boot: str, replaced: Callable[[], None] = lambda: None
    ) -> None:
        self._path, self._clock, self._boot, self._replaced = path, clock, boot, replaced
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
        self._suspected = self._unrescued = False
        self._rescue_after, self._rescued_at = 0.0, -RESCUE_TOLD_S
        self._standing = Standing(None, {}, {})
        self._unsure: Unsure | None = None
        self._landed: dict[bytes, Receipt] = {}
        self.sealer = Sealer()
        try:
            self._adopt(db)
        except apsw.Error as error:
            raise schema.explain(error, path) from None
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

    def suspect(self) -> None:
        """Someone met damage while reading: look at the file, and rescue it."""
        with self._arrived:
            self._suspected = True
            self._arrived.notify()

    @property
    def head(self) -> Link | None:
        return self._standing.head

    @property
    def damaged(self) -> bool:
        """Whether the file is damaged, or was until a moment ago."""
        return self._unrescued or time.monotonic() - self._rescued_at < RESCUE_TOLD_S

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
        if ended - self._checkpointed >= _AGAIN_S and self._wal_size() > self._longest_log():
            self._checkpoint("TRUNCATE")
        if self._db is not None and self.sealer.pressing():
            self._seal()
        if self._suspected:
            self._look()

    def _failed(self, group: Sequence[Append | Change], error: apsw.Error | BaytraceError) -> None:
        meant = schema.explain(error, self._path) if isinstance(error, apsw.Error) else error
        self.last_error, self.failing = str(meant), True
        self._drop_connection()
        if isinstance(meant, schema.Damaged):
            self._rescue(str(meant))
        self._group_ended, self._rest_s = time.monotonic(), LONGEST_REST_S
        for job in group:
            _fail(job, EnvironmentFailed(str(meant)))

    def _transaction(self, group: Sequence[Append | Change]) -> list[Any]:
        """Everything of `group` durable, or nothing: raises apsw.Error or EnvironmentFailed."""
        db = self._connection()
        results: list[Any] = []
        draft = Draft(self._standing, self._landed)
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
            self._commit(db, draft)
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        return results

    def _commit(self, db: apsw.Connection, draft: Draft) -> None:
        try:
            db.execute("COMMIT")
        except BaseException:
            self._unsure = Unsure.after(draft)
            raise
        self._landed = {}
        self._standing = draft.standing()
        for readings in draft.readings:
            self.sealer.grew(readings)

    # ------------------------------------------------------------------ the connection

    def _connection(self) -> apsw.Connection:
        """Raises EnvironmentFailed when there is no way to the file; a deleted one could be written to, and all of it would be lost."""
        if self._db is not None and _identity(self._path) != self._file:
            raise EnvironmentFailed(f"{self._path}: was moved or deleted; put it back, storing goes on by itself")
        if self._db is None:
            db = schema.connect_writer(self._path, make=False)
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
        self._file = _identity(self._path)
        found, known = head(db), self._standing.head
        if self._unsure is not None and found is not None and found == self._unsure.head:
            # only what is moved into the file now is known to be durable: a disk forgets what it once failed to write
            schema.empty_log(db, self._path)
            self._landed = self._unsure.landed
        elif known is not None and found != known:
            raise EnvironmentFailed(
                f"{self._path}: is no longer the file that was written to; put it back, or start again"
            )
        self._unsure = None
        versions = dict(db.execute("SELECT name, version FROM channels ORDER BY seq"))
        self._standing = self._own_up(db, Standing(found, versions, dict(db.execute("SELECT text, id FROM names"))))
        self.sealer.adopt(db)

    # ------------------------------------------------------------------ damage

    def _own_up(self, db: apsw.Connection, found: Standing) -> Standing:
        """Write the `salvaged` event of a rescue nobody was told of yet, under numbers that were never given."""
        untold = db.execute("SELECT value FROM state WHERE key = ?", (UNTOLD,)).get
        if untold is None:
            return found
        told = json.loads(untold)
        now = found.head or Link(0, 0, 0, 0, "", GENESIS)
        beyond = now._replace(commit=told["holes"][-1][1], last=now.last + SEQ_LEAP)
        draft = Draft(found._replace(head=beyond), {})
        event = Event(self._clock.wall_ns(), self._clock.mono_ns(), "salvaged", "", told)
        db.execute("BEGIN IMMEDIATE")
        try:
            draft.write(db, Append((), (event,)), self._clock.wall_ns() // _MS * _MS, self._boot)
            db.execute("DELETE FROM state WHERE key = ?", (UNTOLD,))
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        return draft.standing()

    def _rescue(self, why: str) -> None:
        """Go on in a new file that holds what can be read of this one, which is kept beside it."""
        self.last_error, self._unrescued = why, True
        if time.monotonic() < self._rescue_after:
            return
        self._rescue_after = time.monotonic() + RESCUE_AGAIN_S
        self._drop_connection()
        try:
            rescue(self._path, self._clock.wall_ns(), why)
        except BaytraceError as error:
            self.last_error = str(error)
            log.error("the damaged journal could not be rescued: %s", error)  # noqa: TRY400 - one line, no traceback
            return
        log.error("%s: what could be read is kept, storing goes on; look at the disk", why)
        self._standing, self._unsure, self._landed = Standing(None, {}, {}), None, {}
        self._unrescued, self._rescued_at = False, time.monotonic()
        self._rescue_after = self._rescued_at + RESCUE_EVERY_S
        self._replaced()

    def _look(self) -> None:
        """Rescue the file if it is damaged. Read anew: what this writer remembers of it may be sound."""
        self._suspected = False
        try:
            db = schema.connect_reader(self._path)
            try:
                faults = schema.faults_of(db)
            finally:
                db.close()
        except apsw.Error as error:
            faults = [str(error)] if isinstance(schema.explain(error, self._path), schema.Damaged) else []
        except BaytraceError as error:
            faults = [str(error)] if isinstance(error, schema.Damaged) else []
        if faults:
            self._rescue(f"{self._path}: the file is damaged ({faults[0]})")

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

    def _longest_log(self) -> int:
        """Bytes. On a disk with little room the log, which holds many pages twice, must not take what is left."""
        return min(_WAL_WHEN_BUSY, max(_WAL_ON_A_FULL_DISK, schema.free_bytes(self._path.parent) // 2))

    def _chore_due_s(self) -> float | None:
        """Seconds until a chore is to be done: 0 for now, None for none."""
        if self._suspected:
            return 0.0
        if self._unrescued:
            return max(0.0, self._rescue_after - time.monotonic())
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
        if self._suspected:
            self._look()
        elif self._unrescued:
            self._rescue(self.last_error)
        elif self.sealer.due():
            self._seal()
        else:
            self._checkpoint("TRUNCATE")

    def _seal(self) -> None:
        assert self._db is not None
        try:
            self.sealer.step(self._db)
        except (apsw.Error, BaytraceError) as error:
            meant = schema.explain(error, self._path) if isinstance(error, apsw.Error) else error
            self.last_error = str(meant)
            log.error("sealing put off: %s", self.last_error)  # noqa: TRY400 - one line, no traceback
            self.sealer.put_off()
            if isinstance(meant, schema.Damaged | VerificationFailed):
                self._rescue(self.last_error)

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
            meant = schema.explain(error, self._path)
            self.last_error = str(meant)
            log.error("checkpoint put off: %s", self.last_error)  # noqa: TRY400 - one line, no traceback
            if isinstance(meant, schema.Damaged):
                self._rescue(self.last_error)
        finally:
            if self._db is not None:
                self._db.set_busy_timeout(schema.BUSY_MS)


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file stands under the name; None for none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _fail(job: Append | Change, error: BaseException) -> None:
    if not job.future.done():
        job.future.set_exception(error)
