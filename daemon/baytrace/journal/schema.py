"""The database file: its tables, how it is opened, and what an error of it means.

`commits` holds what was written lately, a row a commit; `blocks` holds sealed stretches of commits. Everything else is
derived from their payloads (and checked against them by `verify`), but `state` and `outbox`, which are small, mutable and
outside the chain. Exactly one connection writes and checkpoints; readers are `mode=ro` and `query_only`, so the race
between two checkpointing connections (sqlite.org/wal.html#walresetbug) cannot arise.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from urllib.parse import quote

import apsw

from baytrace.measure.faults import BaytraceError, EnvironmentFailed

FILE = "journal.sqlite"
APPLICATION_ID = 0x42415954  # "BAYT"
VERSION = 1
BUSY_MS = 10_000
WAL_LIMIT = 64 * 1024 * 1024

_TABLES = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE names(id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);
CREATE TABLE commits(
    id INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL, wall_ns INTEGER NOT NULL, boot INTEGER NOT NULL,
    readings INTEGER NOT NULL, low_ns INTEGER, high_ns INTEGER, digest BLOB NOT NULL, payload BLOB NOT NULL);
CREATE TABLE blocks(
    id INTEGER PRIMARY KEY, last_commit INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    boot INTEGER NOT NULL, readings INTEGER NOT NULL, previous BLOB NOT NULL, digest BLOB NOT NULL,
    heads BLOB NOT NULL, lines BLOB NOT NULL, body BLOB NOT NULL);
CREATE UNIQUE INDEX blocks_by_last ON blocks(last);
CREATE TABLE spans(
    version INTEGER NOT NULL, low_ns INTEGER NOT NULL, block INTEGER NOT NULL, high_ns INTEGER NOT NULL,
    PRIMARY KEY(version, low_ns, block)) WITHOUT ROWID;
CREATE TABLE channels(version INTEGER PRIMARY KEY, name TEXT NOT NULL, seq INTEGER NOT NULL);
CREATE TABLE events(
    kind INTEGER NOT NULL, session INTEGER NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY(kind, session, seq)) WITHOUT ROWID;
CREATE TABLE state(key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE outbox(
    id INTEGER PRIMARY KEY AUTOINCREMENT, target TEXT NOT NULL, key TEXT NOT NULL, body BLOB NOT NULL,
    made_ns INTEGER NOT NULL, due_ns INTEGER NOT NULL, tries INTEGER NOT NULL DEFAULT 0, error TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL DEFAULT 'waiting', UNIQUE(target, key));
"""


class Damaged(EnvironmentFailed):
    """The database file is damaged, or is none."""


def explain(error: apsw.Error, where: Path) -> BaytraceError:
    """What a database error means to a person: EnvironmentFailed, or Damaged."""
    match error:
        case apsw.FullError():
            return EnvironmentFailed(f"{where}: the disk is full; free some space, storing goes on by itself")
        case apsw.ReadOnlyError():
            return EnvironmentFailed(f"{where}: cannot be written to; make the disk and its files writable")
        case apsw.CantOpenError():
            return EnvironmentFailed(f"{where}: cannot be opened; check that it exists and may be read and written")
        case apsw.CorruptError() | apsw.NotADBError():
            return Damaged(f"{where}: the file is damaged ({error})")
        case apsw.BusyError() | apsw.LockedError():
            return EnvironmentFailed(f"{where}: another program holds the file; close it")
        case apsw.NoMemError():
            return EnvironmentFailed(f"{where}: not enough memory")
        case _:
            return EnvironmentFailed(f"{where}: the disk fails ({error}); check it and its cable")


def free_bytes(directory: Path) -> int:
    """Room on the disk; 0 when that cannot be told."""
    try:
        return shutil.disk_usage(directory).free
    except OSError:
        return 0


def _uri(path: Path, mode: str) -> str:
    return f"file:{quote(str(path.resolve()))}?{mode}"


def connect_writer(path: Path, *, make: bool = True) -> apsw.Connection:
    """The one connection that writes; `make` a file where there is none. Raises EnvironmentFailed or Damaged."""
    try:
        db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READWRITE | (apsw.SQLITE_OPEN_CREATE if make else 0))
        try:
            db.set_busy_timeout(BUSY_MS)
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            db.execute("PRAGMA wal_autocheckpoint=0")
            db.execute(f"PRAGMA journal_size_limit={WAL_LIMIT}")
            db.execute("PRAGMA cache_size=-4096")
            db.execute("PRAGMA mmap_size=0")
        except BaseException:
            db.close()
            raise
    except apsw.Error as error:
        raise explain(error, path) from None
    return db


def connect_reader(path: Path, *, immutable: bool = False) -> apsw.Connection:
    """A connection that only reads. Raises EnvironmentFailed or Damaged. `immutable` only where nothing else has it open."""
    flags = apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI
    try:
        db = apsw.Connection(_uri(path, "immutable=1" if immutable else "mode=ro"), flags=flags)
        try:
            db.set_busy_timeout(BUSY_MS)
            db.execute("PRAGMA query_only=1")
            db.execute("PRAGMA cache_size=-2048")
            db.execute("PRAGMA mmap_size=0")
        except BaseException:
            db.close()
            raise
    except apsw.Error as error:
        raise explain(error, path) from None
    return db


def schema_version(db: apsw.Connection) -> int:
    """0 for a new file. Raises EnvironmentFailed when the file belongs to something else or to a newer program."""
    application, version = db.pragma("application_id"), db.pragma("user_version")
    if application == 0 and version == 0 and not db.execute("SELECT count(*) FROM sqlite_schema").get:
        return 0
    if application != APPLICATION_ID:
        raise EnvironmentFailed(f"{db.filename}: is a database of another program; name another directory")
    if version > VERSION:
        raise EnvironmentFailed(f"{db.filename}: was written by a newer Baytrace (schema {version}); install that one")
    return int(version)


def create(db: apsw.Connection, facts: dict[str, str]) -> None:
    """Lay out a new file in one transaction."""
    with db:
        db.execute(_TABLES)
        db.executemany("INSERT INTO meta VALUES(?, ?)", list(facts.items()))
        db.execute(f"PRAGMA application_id={APPLICATION_ID}")
        db.execute(f"PRAGMA user_version={VERSION}")


_UPGRADES: dict[int, str] = {}
"""From each earlier version to the next: SQL that changes no payload and no digest."""


def upgrade(db: apsw.Connection, version: int) -> None:
    """Bring a file of an earlier version up to this one, each step in its own transaction. Back the file up first."""
    while version < VERSION:
        with db:
            db.execute(_UPGRADES[version])
            version += 1
            db.execute(f"PRAGMA user_version={version}")


def empty_log(db: apsw.Connection, path: Path) -> None:
    """Move the whole log into the file, durably. Raises EnvironmentFailed when a reader keeps it from that, or apsw.Error."""
    ((busy, _, _),) = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    if busy:
        raise EnvironmentFailed(f"{path}: another program keeps the log open; close it")


def faults_of(db: apsw.Connection) -> list[str]:
    """What the database's own check of its structure finds; empty when sound."""
    found = [str(row[0]).splitlines()[-1] for row in db.execute("PRAGMA quick_check(3)")]
    return [] if found == ["ok"] else found


def require_sound(db: apsw.Connection, path: Path) -> None:
    """Raises Damaged."""
    if faults := faults_of(db):
        raise Damaged(f"{path}: the file is damaged ({faults[0]})")
