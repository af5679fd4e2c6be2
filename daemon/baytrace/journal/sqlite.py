"""The journal opened by its daemon: one writer thread that owns all writes, readers beside it.

Rules of this file:
- `append` hands a commit to the writer thread and returns at once; the future is done when the commit is fsynced.
- The writer takes whatever waits (a group) into one transaction: a quiet bench commits at once, a busy one shares its fsyncs.
- A transaction that fails fails every commit in it, leaves nothing behind, and the next one is tried afresh: storing goes on
  by itself when the disk does.
- When nothing waits, the writer seals old commits and keeps the write-ahead log short.
"""

from __future__ import annotations

import logging
import queue
import shutil
import threading
import time
import uuid
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from baytrace.journal import schema
from baytrace.journal.chain import BYTES_A_READING, Columns, encode_rows, event_line, payload_from, rows_of
from baytrace.journal.lock import DirectoryLock
from baytrace.journal.reader import JournalReader
from baytrace.journal.salvage import salvage
from baytrace.journal.store import Link, Receipt, Stored
from baytrace.journal.writing import Writer
from baytrace.measure.clock import Clock
from baytrace.measure.faults import BadInput, BaytraceError, EnvironmentFailed
from baytrace.measure.reading import Event, Raw

log = logging.getLogger(__name__)

MOST_A_GROUP = 256
"""Commits that share a transaction at most."""
WAL_TIDY = 4 * 1024 * 1024
IDLE_S = 0.25
LATENCIES_KEPT = 512


class Pending(NamedTuple):
    """A commit on its way: encoded already, so that the writer thread only writes."""

    readings: int
    low_ns: int | None
    high_ns: int | None
    payload: bytes
    events: Sequence[Event]
    future: Future[Receipt]


class SqliteJournal:
    """See `journal.store.Journal`. Use `open_journal`."""

    def __init__(self, directory: Path, clock: Clock, boot: str | None = None) -> None:
        self.directory = directory
        self.boot = boot or uuid.uuid4().hex
        self._clock = clock
        self._lock = DirectoryLock(directory)
        try:
            self.salvaged = self._prepare()
            self._writer = Writer(schema.connect_writer(self._path), self.boot)
            self._reader = JournalReader(directory)
        except BaseException:
            self._lock.release()
            raise
        self._versions: dict[str, int] = self._writer.versions()
        self._queue: queue.SimpleQueue[Pending | None] = queue.SimpleQueue()
        self._spans: deque[float] = deque(maxlen=LATENCIES_KEPT)
        self._error = ""
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="journal writer", daemon=True)
        self._thread.start()

    @property
    def _path(self) -> Path:
        return self.directory / schema.FILE

    def _prepare(self) -> str:
        """A database ready to write; what was salvaged from a damaged one, else ''."""
        try:
            db = schema.connect_writer(self._path)
            try:
                if schema.schema_version(db) == 0:
                    schema.create(db, {"made": str(self._clock.wall_ns())})
                elif (said := db.execute("PRAGMA quick_check(1)").get) != "ok":
                    raise schema.Damaged(f"{self._path}: {said}")
            finally:
                db.close()
        except schema.Damaged as error:
            return salvage(self.directory, str(error), self._clock.wall_ns())
        except apsw.Error as error:
            known = schema.explain(error, self._path)
            if isinstance(known, schema.Damaged):
                return salvage(self.directory, str(known), self._clock.wall_ns())
            raise known from None
        return ""

    # ------------------------------------------------------------------ writing

    def append(self, readings: Sequence[Raw], events: Sequence[Event] = ()) -> Future[Receipt]:
        """Raises BadInput for a channel that was never declared or an event that is no JSON."""
        lines = [event_line(event) for event in events]
        if readings:
            try:
                versions = [self._versions[raw.channel] for raw in readings]
            except KeyError as error:
                raise BadInput(
                    f"channel {error.args[0]!r} was never declared", right="append its channel_declared event first"
                ) from None
            names, values, walls, monos, qualities = zip(*readings, strict=True)
            del names
            rows = encode_rows(versions, walls, monos, values, qualities)
            low_ns, high_ns = min(walls), max(walls)
        else:
            rows, low_ns, high_ns = b"", None, None
        return self._hand_over(len(readings), low_ns, high_ns, payload_from(len(readings), rows, lines), events)

    def append_columns(self, columns: Columns) -> Future[Receipt]:
        """A burst of readings already in columns of declared channel versions; the quick way for large packs."""
        payload = payload_from(columns.size, rows_of(columns), ())
        low, high = int(columns.wall_ns.min()), int(columns.wall_ns.max())
        return self._hand_over(columns.size, low, high, payload, ())

    def version_of(self, channel: str) -> int:
        """The channel's declaration in force. Raises KeyError for an undeclared one."""
        return self._versions[channel]

    def _hand_over(
        self, readings: int, low_ns: int | None, high_ns: int | None, payload: bytes, events: Sequence[Event]
    ) -> Future[Receipt]:
        if self._closing:
            raise EnvironmentFailed(f"{self.directory}: the journal is closed")
        if not readings and not events:
            raise BadInput("a commit needs a reading or an event")
        for event in events:
            if event.kind == "channel_declared":
                self._versions[event.data["channel"]["name"]] = event.data["version"]
        future: Future[Receipt] = Future()
        self._queue.put(Pending(readings, low_ns, high_ns, payload, events, future))
        return future

    def _run(self) -> None:
        while True:
            group = self._group()
            if group:
                self._commit(group)
            elif self._closing:
                return
            else:
                self._tidy()

    def _group(self) -> list[Pending]:
        group: list[Pending] = []
        try:
            first = self._queue.get(timeout=IDLE_S)
            while first is not None:
                group.append(first)
                if len(group) >= MOST_A_GROUP:
                    break
                first = self._queue.get_nowait()
        except queue.Empty:
            pass
        return group

    def _commit(self, group: Sequence[Pending]) -> None:
        start = time.perf_counter()
        try:
            receipts = self._writer.commit(group, self._clock.wall_ns())
        except apsw.Error as error:
            known = schema.explain(error, self._path)
            self._fail(group, known if isinstance(known, EnvironmentFailed) else EnvironmentFailed(str(known)))
            return
        except BaytraceError as error:
            self._fail(group, error)
            return
        self._error = ""
        self._spans.append((time.perf_counter() - start) * 1000.0)
        for pending, receipt in zip(group, receipts, strict=True):
            pending.future.set_result(receipt)

    def _fail(self, group: Sequence[Pending], error: BaytraceError) -> None:
        self._error = str(error)
        for pending in group:
            pending.future.set_exception(error)

    def _tidy(self) -> None:
        """One small piece of housekeeping while nothing waits."""
        try:
            if not self._writer.seal_one():
                self._writer.checkpoint(WAL_TIDY)
        except apsw.Error as error:
            self._error = str(schema.explain(error, self._path))
            time.sleep(IDLE_S)
        except BaytraceError as error:
            log.error("sealing: %s", error)  # noqa: TRY400 - one line
            self._error = str(error)
            self._writer.sealing = False

    def seal_all(self) -> None:
        """Ask for every closed stretch to be sealed now (a benchmark's and a test's need); returns when the queue is idle."""
        while self._writer.can_seal():
            time.sleep(0.02)

    def close(self) -> None:
        """Store what waits, then end. Safe to call twice."""
        if self._closing:
            return
        self._closing = True
        self._queue.put(None)
        self._thread.join()
        self._reader.close()
        self._writer.close()
        self._lock.release()

    # ------------------------------------------------------------------ looking

    def items(self, after: int = 0, until: int | None = None) -> Iterator[Stored | Event]:
        return self._reader.items(after, until)

    def readings(self, channel: str, start_ns: int, end_ns: int) -> Iterator[Stored]:
        return self._reader.readings(channel, start_ns, end_ns)

    def events(self, kinds: Sequence[str] = (), session: str = "", after: int = 0) -> Iterator[Event]:
        return self._reader.events(kinds, session, after)

    def links(self, first_commit: int = 1, last_commit: int | None = None) -> Iterator[Link]:
        return self._reader.links(first_commit, last_commit)

    def head(self) -> Link | None:
        return self._reader.head()

    @property
    def reader(self) -> JournalReader:
        """Everything else there is to read."""
        return self._reader

    def health(self) -> dict[str, Any]:
        """Numbers for the page, the metrics and `doctor`: commit times in ms, sizes in bytes, what failed last."""
        spans = sorted(self._spans)
        sizes = {
            name: _size(self.directory / f"{schema.FILE}{suffix}")
            for name, suffix in (("file_bytes", ""), ("wal_bytes", "-wal"))
        }
        staged, sealed = self._writer.counts()
        return {
            "commit_p50_ms": round(spans[len(spans) // 2], 3) if spans else 0.0,
            "commit_p99_ms": round(spans[min(len(spans) - 1, len(spans) * 99 // 100)], 3) if spans else 0.0,
            **sizes,
            "free_bytes": shutil.disk_usage(self.directory).free,
            "readings_staged": staged,
            "readings_sealed": sealed,
            "seq": self._writer.last_seq,
            "commits": self._writer.last_commit,
            "sqlite": apsw.sqlite_lib_version(),
            "error": self._error,
            "salvaged": self.salvaged,
        }


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def open_journal(directory: Path, *, clock: Clock, boot: str | None = None) -> SqliteJournal:
    """The journal in `directory`, made there if need be. Raises EnvironmentFailed (in use, not writable, another program's).

    A damaged file is set aside, never deleted; what is readable of it is carried over and `salvaged` says so.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentFailed(f"{directory}: cannot be made ({error.strerror})") from None
    return SqliteJournal(directory, clock, boot)


__all__ = ["BYTES_A_READING", "SqliteJournal", "open_journal"]
