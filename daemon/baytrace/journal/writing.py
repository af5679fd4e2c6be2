"""What the one writing connection does: commits, sealing, checkpoints. Called by the writer thread only."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import apsw
import numpy as np

from baytrace.journal import sealing
from baytrace.journal.chain import GENESIS, header, link_digest
from baytrace.journal.reader import head
from baytrace.journal.store import Receipt
from baytrace.journal.stretch import Stretch, from_payloads
from baytrace.measure.faults import VerificationFailed

if TYPE_CHECKING:
    from baytrace.journal.sqlite import Pending

SEAL_READINGS = 8_192
"""Staged readings beyond which the oldest are sealed; what is newer stays as it came."""
BLOCK_READINGS = 16_384
BLOCK_COMMITS = 4_096


class Writer:
    """Owns the connection. Raises apsw.Error for what the database says."""

    def __init__(self, db: apsw.Connection, boot: str) -> None:
        self._db = db
        self._boot = boot
        self._names: dict[str, int] = dict(db.execute("SELECT text, id FROM names"))
        newest = head(db)
        self.last_seq = newest.last if newest else 0
        self.last_commit = newest.commit if newest else 0
        self._digest = newest.digest if newest else GENESIS
        self.sealing = True
        self._staged = int(db.execute("SELECT coalesce(sum(readings), 0) FROM commits").get or 0)
        self._sealed = int(db.execute("SELECT coalesce(sum(readings), 0) FROM blocks").get or 0)

    def versions(self) -> dict[str, int]:
        """Each channel's newest declaration."""
        return dict(self._db.execute("SELECT name, version FROM channels ORDER BY seq"))

    def counts(self) -> tuple[int, int]:
        """Readings staged and sealed."""
        return self._staged, self._sealed

    def commit(self, group: Sequence[Pending], wall_ns: int) -> list[Receipt]:
        """Every commit of the group in one transaction; on any error nothing of it is kept."""
        known = dict(self._names)
        seq, commit, digest = self.last_seq, self.last_commit, self._digest
        receipts = []
        try:
            with self._transaction():
                boot = self._name(self._boot)
                for pending in group:
                    first, last = seq + 1, seq + pending.readings + len(pending.events)
                    commit += 1
                    digest = link_digest(digest, header(commit, first, last, wall_ns, self._boot), pending.payload)
                    row = (
                        commit,
                        first,
                        last,
                        wall_ns,
                        boot,
                        pending.readings,
                        pending.low_ns,
                        pending.high_ns,
                        bytes.fromhex(digest),
                        pending.payload,
                    )
                    self._db.execute("INSERT INTO commits VALUES(?,?,?,?,?,?,?,?,?,?)", row)
                    self._index(pending, first + pending.readings)
                    receipts.append(Receipt(first, last, commit, digest))
                    seq = last
        except BaseException:
            self._names = known
            raise
        self.last_seq, self.last_commit, self._digest = seq, commit, digest
        self._staged += sum(pending.readings for pending in group)
        return receipts

    def _index(self, pending: Pending, first: int) -> None:
        for seq, event in enumerate(pending.events, first):
            self._db.execute(
                "INSERT INTO events VALUES(?,?,?)", (self._name(event.kind), self._name(event.session), seq)
            )
            if event.kind == "channel_declared":
                said = event.data
                self._db.execute(
                    "INSERT OR REPLACE INTO channels VALUES(?,?,?)", (said["version"], said["channel"]["name"], seq)
                )

    def _name(self, text: str) -> int:
        if text not in self._names:
            self._db.execute("INSERT INTO names(text) VALUES(?)", (text,))
            self._names[text] = self._db.last_insert_rowid()
        return self._names[text]

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                with contextlib.suppress(apsw.Error):
                    self._db.execute("ROLLBACK")
            raise

    # ------------------------------------------------------------------ sealing

    def can_seal(self) -> bool:
        return self.sealing and self._staged > SEAL_READINGS

    def seal_one(self) -> bool:
        """Seal the oldest stretch when enough is staged; whether it did. Raises VerificationFailed rather than lose a bit."""
        if not self.can_seal():
            return False
        rows = self._oldest()
        if len(rows) < 2:
            self.sealing = len(rows) == 1 and self.sealing
            return False
        stretch = self._stretch(rows)
        sealed = sealing.seal(stretch)
        before = self._db.execute("SELECT digest FROM blocks ORDER BY last DESC LIMIT 1").get
        previous = before or bytes.fromhex(GENESIS)
        if self._chained(previous.hex(), rows) != rows[-1][6].hex():
            raise VerificationFailed(
                f"commits {rows[0][0]} to {rows[-1][0]} do not follow their chain and stay unsealed"
            )
        with self._transaction():
            values = (
                rows[0][0],
                rows[-1][0],
                rows[0][1],
                rows[-1][2],
                rows[0][4],
                stretch.columns.size,
                previous,
                rows[-1][6],
                *sealed,
            )
            self._db.execute("INSERT INTO blocks VALUES(?,?,?,?,?,?,?,?,?,?,?)", values)
            self._db.executemany("INSERT INTO spans VALUES(?,?,?,?)", _spans(stretch))
            self._db.execute("DELETE FROM commits WHERE id <= ?", (rows[-1][0],))
        self._staged -= stretch.columns.size
        self._sealed += stretch.columns.size
        return True

    def _oldest(self) -> list[Any]:
        """The oldest neighbouring commits of one boot that make a block; the newest readings are left as they came."""
        rows: list[Any] = []
        size = 0
        spare = self._staged - SEAL_READINGS // 2
        query = "SELECT id, first, last, wall_ns, boot, readings, digest, payload FROM commits ORDER BY id LIMIT ?"
        for row in self._db.execute(query, (BLOCK_COMMITS,)):
            if rows and (row[4] != rows[0][4] or size + row[5] > min(BLOCK_READINGS, spare)):
                break
            rows.append(row)
            size += row[5]
        return rows

    def _stretch(self, rows: Sequence[Any]) -> Stretch:
        ids, firsts, _, walls, boots, counts, _, payloads = zip(*rows, strict=True)
        text = self._db.execute("SELECT text FROM names WHERE id = ?", (boots[0],)).get
        return from_payloads(ids[0], firsts[0], str(text), walls, counts, payloads)

    def _chained(self, previous: str, rows: Sequence[Any]) -> str:
        boot = str(self._db.execute("SELECT text FROM names WHERE id = ?", (rows[0][4],)).get)
        for commit, first, last, wall_ns, _, _, _, payload in rows:
            previous = link_digest(previous, header(commit, first, last, wall_ns, boot), payload)
        return previous

    # ------------------------------------------------------------------ the log

    def checkpoint(self, beyond: int) -> None:
        """Fold the write-ahead log into the file when it is longer than `beyond` bytes; a busy reader only delays it."""
        size = self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        pages = int(size[1]) if size is not None and size[1] is not None else 0
        if pages * 4096 > beyond:
            with contextlib.suppress(apsw.BusyError):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        with contextlib.suppress(apsw.Error):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._db.close()


def _spans(stretch: Stretch) -> list[tuple[int, int, int, int]]:
    """(version, lowest wall ns, block, highest wall ns) of each channel in a stretch."""
    columns = stretch.columns
    rows = []
    for version in np.unique(columns.version).tolist():
        walls = columns.wall_ns[columns.version == version]
        rows.append((version, int(walls.min()), stretch.commit, int(walls.max())))
    return rows
