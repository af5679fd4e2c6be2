"""A damaged database: set aside as it is, and what can still be read carried over commit by commit, as long as the chain holds."""

from __future__ import annotations

import logging
from pathlib import Path

import apsw

from baytrace.journal import schema
from baytrace.journal.chain import GENESIS, digest_of, split_payload
from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Link
from baytrace.measure.faults import BaytraceError

log = logging.getLogger(__name__)


def salvage(directory: Path, why: str, wall_ns: int) -> str:
    """Make a new database from what the damaged one still says; a sentence for people. The damaged file is kept.

    Commits are carried over with their digests from the first on, until one cannot be read or does not follow the chain.
    """
    aside = directory / f"damaged-{wall_ns}"
    aside.mkdir()
    for suffix in ("", "-wal", "-shm"):
        part = directory / f"{schema.FILE}{suffix}"
        if part.exists():
            part.rename(aside / part.name)
    db = schema.connect_writer(directory / schema.FILE)
    try:
        schema.create(db, {"made": str(wall_ns), "salvaged_from": aside.name})
        commits, items, stopped = _carry_over(aside, db)
    finally:
        db.close()
    said = f"the journal was damaged ({why}); {commits} commits ({items} readings and events) were carried over; the damaged file is kept in {aside.name}"
    said += f"; reading stopped at: {stopped}" if stopped else ""
    log.error(said)
    return said


def _carry_over(aside: Path, db: apsw.Connection) -> tuple[int, int, str]:
    commits = items = 0
    previous = GENESIS
    try:
        with JournalReader(aside) as reader:
            for link, payload in reader.linked_payloads():
                if digest_of(previous, link, payload) != link.digest:
                    return commits, items, f"commit {link.commit} does not follow the chain"
                _store(db, link, payload)
                previous = link.digest
                commits, items = commits + 1, link.last
    except (BaytraceError, apsw.Error, ValueError) as error:
        return commits, items, str(error)
    return commits, items, ""


def _store(db: apsw.Connection, link: Link, payload: bytes) -> None:
    from baytrace.journal.chain import event_from_line  # noqa: PLC0415 - beside its only use

    columns, lines = split_payload(payload)
    with db:
        boot = _name(db, link.boot)
        low = int(columns.wall_ns.min()) if columns.size else None
        high = int(columns.wall_ns.max()) if columns.size else None
        row = (
            link.commit,
            link.first,
            link.last,
            link.wall_ns,
            boot,
            columns.size,
            low,
            high,
            bytes.fromhex(link.digest),
            payload,
        )
        db.execute("INSERT INTO commits VALUES(?,?,?,?,?,?,?,?,?,?)", row)
        for seq, line in enumerate(lines, link.first + columns.size):
            event = event_from_line(line, seq)
            db.execute("INSERT INTO events VALUES(?,?,?)", (_name(db, event.kind), _name(db, event.session), seq))
            if event.kind == "channel_declared":
                db.execute(
                    "INSERT OR REPLACE INTO channels VALUES(?,?,?)",
                    (event.data["version"], event.data["channel"]["name"], seq),
                )


def _name(db: apsw.Connection, text: str) -> int:
    db.execute("INSERT OR IGNORE INTO names(text) VALUES(?)", (text,))
    return int(db.execute("SELECT id FROM names WHERE text = ?", (text,)).get)
