"""Which commits are sealed and when; used by the writer's thread alone.

A stretch is closed when it is long enough, or when another boot has begun behind it. One step seals one block in one
transaction: the block and its time spans in, its commits out; every payload has been rebuilt and compared before.
"""

from __future__ import annotations

import time
from typing import Any

import apsw
import numpy as np

from baytrace.journal import sealing
from baytrace.journal.stretch import Stretch, from_payloads

READINGS = 8_192
COMMITS = 4_096
_PRESSING_BLOCKS = 4
_PRESSING_EVERY_S = 1.0
_PUT_OFF_S = 30.0


class Sealer:
    def __init__(self) -> None:
        self.readings = self.commits = 0
        """Not yet sealed."""
        self.sealed_readings = 0
        self._older = False
        self._not_before = 0.0
        self._last_step = 0.0

    def adopt(self, db: apsw.Connection) -> None:
        """Count what the file holds."""
        self.readings, self.commits = db.execute("SELECT coalesce(sum(readings), 0), count(*) FROM commits").get
        self.sealed_readings = db.execute("SELECT coalesce(sum(readings), 0) FROM blocks").get
        self._older = db.execute("SELECT count(DISTINCT boot) FROM commits").get > 0

    def grew(self, readings: int) -> None:
        self.readings += readings
        self.commits += 1

    def due(self) -> bool:
        if time.monotonic() < self._not_before:
            return False
        return self.readings >= READINGS or self.commits >= COMMITS or self._older

    def pressing(self) -> bool:
        """Whether so much has gathered that a busy writer should seal now and then, too."""
        many = self.readings >= _PRESSING_BLOCKS * READINGS or self.commits >= _PRESSING_BLOCKS * COMMITS
        return many and self.due() and time.monotonic() - self._last_step >= _PRESSING_EVERY_S

    def put_off(self) -> None:
        self._not_before = time.monotonic() + _PUT_OFF_S

    def step(self, db: apsw.Connection) -> None:
        """Seal one block. Raises apsw.Error, or VerificationFailed when a payload is not what it was."""
        self._last_step = time.monotonic()
        rows, closed = _oldest(db)
        if not closed:
            self._older = False
            return
        ids, firsts, walls, boots, counts, digests, payloads = zip(*rows, strict=True)
        stretch = from_payloads(ids[0], firsts[0], str(boots[0]), walls, counts, payloads)
        sealed = sealing.seal(stretch)
        before = db.execute("SELECT digest FROM blocks ORDER BY id DESC LIMIT 1").get
        with db:
            db.execute(
                "INSERT INTO blocks VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    ids[0],
                    ids[-1],
                    stretch.first,
                    stretch.last,
                    boots[0],
                    sum(counts),
                    before or bytes(32),
                    digests[-1],
                    *sealed,
                ),
            )
            db.executemany("INSERT INTO spans VALUES(?, ?, ?, ?)", spans(stretch))
            db.execute("DELETE FROM commits WHERE id <= ?", (ids[-1],))
        self.readings -= sum(counts)
        self.commits -= len(ids)
        self.sealed_readings += sum(counts)


def spans(stretch: Stretch) -> list[tuple[int, int, int, int]]:
    """(version, lowest stamp, block, highest stamp) of each channel in the stretch."""
    columns, found = stretch.columns, []
    for version in np.unique(columns.version).tolist():
        stamps = columns.wall_ns[columns.version == version]
        found.append((version, int(stamps.min()), stretch.commit, int(stamps.max())))
    return found


def _oldest(db: apsw.Connection) -> tuple[list[Any], bool]:
    """The oldest commits not sealed, neighbours of one boot, and whether they are a closed stretch."""
    rows: list[Any] = []
    size = 0
    for row in db.execute(
        "SELECT id, first, wall_ns, boot, readings, digest, payload FROM commits ORDER BY id LIMIT ?", (COMMITS + 1,)
    ):
        if rows and (size >= READINGS or len(rows) == COMMITS or row[3] != rows[0][3] or row[0] != rows[-1][0] + 1):
            return rows, True
        rows.append(row)
        size += row[4]
    return rows, size >= READINGS or len(rows) == COMMITS
