"""A bench's journal in one SQLite file: `open_journal` for the daemon, `JournalReader` for everyone beside it."""

from __future__ import annotations

import contextlib
import os
import shutil
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import apsw

from baytrace.journal import schema
from baytrace.journal.jobs import Append, Change, NamedColumns
from baytrace.journal.lock import DirectoryLock
from baytrace.journal.reader import JournalReader
from baytrace.journal.rescue import finish_rescue, make_new, rescue
from baytrace.journal.store import Link, Receipt
from baytrace.journal.writer import Writer, WriterStopped
from baytrace.measure.clock import Clock
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Event, Raw

_CLEAN = "clean_end"


def new_boot() -> str:
    """Names one run of the daemon; monotonic stamps of one boot can be compared. Starts with the machine's own boot id."""
    machine = ""
    with contextlib.suppress(OSError):
        machine = Path("/proc/sys/kernel/random/boot_id").read_text("ascii")[:8] + "-"
    return machine + uuid.uuid4().hex[:12]


def open_journal(directory: Path | str, *, clock: Clock, boot: str | None = None) -> SqliteJournal:
    """The journal in `directory`, made when there is none, for this process alone.

    A damaged file is set aside and what can be read of it is taken over; a `salvaged` event then says what was lost.
    Raises EnvironmentFailed when another process holds it or the disk refuses.
    """
    directory = Path(directory)
    boot = new_boot() if boot is None else boot
    if not boot or not boot.isascii() or not boot.isprintable() or " " in boot:
        raise BadInput(f"the boot id {boot!r} is not one word of ASCII")
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentFailed(f"{directory}: {error.strerror}; name a directory that can be made") from None
    lock = DirectoryLock(directory)
    try:
        db = _opened(directory, clock)
        return SqliteJournal(directory, db, lock, clock, boot)
    except BaseException:
        lock.release()
        raise


def _opened(directory: Path, clock: Clock) -> apsw.Connection:
    path = directory / schema.FILE
    finish_rescue(path)
    try:
        return _prepared(path, clock)
    except schema.Damaged as damage:
        rescue(path, clock.wall_ns(), str(damage))
        return _prepared(path, clock)


def _prepared(path: Path, clock: Clock) -> apsw.Connection:
    """Raises Damaged when the file is no sound database."""
    db = schema.connect_writer(path)
    try:
        if (version := schema.schema_version(db)) == 0:
            make_new(db, clock.wall_ns())
        elif version < schema.VERSION:
            backup_file(db, path.with_name(f"{path.stem}-schema{version}-{clock.wall_ns()}.sqlite"))
            schema.upgrade(db, version)
        elif db.execute("SELECT value FROM state WHERE key = ?", (_CLEAN,)).get is None:
            schema.require_sound(db, path)
        db.execute("DELETE FROM state WHERE key = ?", (_CLEAN,))
    except apsw.Error as error:
        with contextlib.suppress(apsw.Error):
            db.close()
        raise schema.explain(error, path) from None
    except BaseException:
        db.close()
        raise
    return db


class SqliteJournal(JournalReader):
    """The journal of a running bench. See `store.Journal`; built by `open_journal`."""

    def __init__(self, directory: Path, db: apsw.Connection, lock: DirectoryLock, clock: Clock, boot: str) -> None:
        self.boot = boot
        self._lock, self._clock = lock, clock
        self._closed = False
        try:
            super().__init__(directory)
            self._writer = Writer(self._path, db, clock, boot, self.renew)
        except BaseException:
            db.close()
            raise

    def damage_met(self) -> None:
        self._writer.suspect()

    # ------------------------------------------------------------------ writing

    def append(
        self,
        readings: Sequence[Raw],
        events: Sequence[Event] = (),
        *,
        also: Callable[[apsw.Connection], Any] | None = None,
    ) -> Future[Receipt]:
        """One commit, durable when the future is done; neighbours share its fsync.

        The future fails with EnvironmentFailed (not stored: try again), or BadInput (an undeclared channel, a number that
        does not fit, an event that is no JSON). Raises WriterStopped when nothing can be stored any more.
        `also(connection)` is called in the same transaction, for the tables outside the chain only.
        """
        job = Append(readings, events, also=also)
        self._writer.submit(job)
        return job.future

    def append_columns(
        self,
        channel: str | Sequence[str],
        value: Any,
        wall_ns: Any,
        mono_ns: Any,
        *,
        quality: Any = 0,
        place: Any = None,
        events: Sequence[Event] = (),
    ) -> Future[Receipt]:
        """As `append`, from arrays: `channel` is one name for all, or the distinct names with `place[i]` that of reading i.

        `wall_ns`, `mono_ns` and `quality` may be one number for all.
        """
        job = Append((), events, NamedColumns(channel, value, wall_ns, mono_ns, quality=quality, place=place))
        self._writer.submit(job)
        return job.future

    def change(self, act: Callable[[apsw.Connection], Any]) -> Future[Any]:
        """Run `act(connection)` in the writer's transaction: for the tables outside the chain only."""
        job = Change(act)
        self._writer.submit(job)
        return job.future

    # ------------------------------------------------------------------ small mutable state

    def state_get(self, key: str) -> bytes | None:
        with self._reading() as db:
            found: bytes | None = db.execute("SELECT value FROM state WHERE key = ?", (key,)).get
        return found

    def state_set(self, key: str, value: bytes | None) -> Future[None]:
        """Durable when the future is done; None forgets the key."""
        if value is None:
            return self.change(lambda db: db.execute("DELETE FROM state WHERE key = ?", (key,)).get)
        return self.change(lambda db: db.execute("INSERT OR REPLACE INTO state VALUES(?, ?)", (key, value)).get)

    # ------------------------------------------------------------------ keeping it

    def head(self) -> Link | None:
        return self._writer.head

    def backup(self, to: Path) -> None:
        """A copy of the journal as of now into the directory `to`, made while storing goes on. Raises EnvironmentFailed."""
        backup(self.directory, to)

    def health(self) -> dict[str, Any]:
        """Numbers and texts for people and metrics."""
        writer, times = self._writer, self._writer.commit_times_s()
        sealed, staged = writer.sealer.sealed_readings, writer.sealer.readings
        head = writer.head
        return {
            "storing": not writer.failing,
            "damaged": writer.damaged,
            "last_error": writer.last_error,
            "commit_p50_ms": _quantile(times, 0.5) * 1e3,
            "commit_p99_ms": _quantile(times, 0.99) * 1e3,
            "waiting": writer.waiting,
            "commits": head.commit if head else 0,
            "last_seq": head.last if head else 0,
            "file_bytes": _size(self._path),
            "wal_bytes": _size(Path(f"{self._path}-wal")),
            "wal_large": _size(Path(f"{self._path}-wal")) > schema.WAL_LIMIT,
            "free_bytes": schema.free_bytes(self.directory),
            "sealed_fraction": sealed / (sealed + staged) if sealed + staged else 0.0,
            "sealing_due": writer.sealer.due(),
            "sqlite_version": apsw.sqlite_lib_version(),
        }

    def close(self) -> None:
        """Stores what was appended before, and lets go of the directory. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        try:
            with contextlib.suppress(EnvironmentFailed, WriterStopped, TimeoutError):
                self.state_set(_CLEAN, b"1").result(timeout=60.0)
            self._writer.stop()
        finally:
            super().close()
            self._lock.release()


# ---------------------------------------------------------------------- backup and restore


def backup_file(db: apsw.Connection, to: Path) -> None:
    """A consistent, compact copy of the file behind `db`; complete under its name or not there at all."""
    part = to.with_name(to.name + ".part")
    try:
        part.unlink(missing_ok=True)
        db.execute("VACUUM INTO ?", (str(part),))
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.rename(to)
        _sync_directory(to.parent)
    except apsw.Error as error:
        part.unlink(missing_ok=True)
        raise schema.explain(error, to) from None
    except OSError as error:
        raise EnvironmentFailed(f"{to}: {error.strerror}; the backup was not made") from None


def backup(directory: Path, to: Path) -> Path:
    """Copy the journal in `directory` (running or not) into the directory `to`, which must hold none. Raises EnvironmentFailed."""
    target = Path(to) / schema.FILE
    if target.exists():
        raise EnvironmentFailed(f"{target}: exists already; a backup is never written over, name a new directory")
    if not (Path(directory) / schema.FILE).exists():
        raise EnvironmentFailed(f"{directory}: holds no journal")
    try:
        Path(to).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentFailed(f"{to}: {error.strerror}; name a directory that can be made") from None
    db = schema.connect_reader(Path(directory) / schema.FILE)
    try:
        if schema.schema_version(db) == 0:
            raise EnvironmentFailed(f"{directory}: holds no journal")
        db.execute("PRAGMA query_only=0")
        backup_file(db, target)
    except apsw.Error as error:
        raise schema.explain(error, Path(directory) / schema.FILE) from None
    finally:
        db.close()
    return target


def restore(source: Path, to: Path) -> Path:
    """Put a backup (made into the directory `source`) in the place `to`, which must hold no journal. Raises EnvironmentFailed."""
    origin, target = Path(source) / schema.FILE, Path(to) / schema.FILE
    if target.exists():
        raise EnvironmentFailed(f"{target}: exists already; move that journal away first, nothing is written over")
    from baytrace.journal.verify import verify  # noqa: PLC0415 - verifying reads through this package

    report = verify(Path(source))
    if not report.ok:
        raise EnvironmentFailed(f"{origin}: the backup does not verify ({report.faults[0]}); restore another")
    if _size(Path(f"{origin}-wal")):
        return backup(
            source, to
        )  # a journal's folder as it was copied: its newest commits are in the log beside the file
    try:
        Path(to).mkdir(parents=True, exist_ok=True)
        part = target.with_name(target.name + ".part")
        shutil.copyfile(origin, part)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.rename(target)
        _sync_directory(target.parent)
    except OSError as error:
        raise EnvironmentFailed(f"{target}: {error.strerror}; nothing was restored") from None
    return target


def _sync_directory(directory: Path) -> None:
    fd = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _quantile(ordered: Sequence[float], share: float) -> float:
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)] if ordered else 0.0


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
