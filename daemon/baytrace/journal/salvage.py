"""What can be read of a damaged file, taken over into a new one as it was; `rescue` puts that in its place.

Rows are read one by one; one that cannot be read, or whose payload is not what its digest says, is a hole. Commit and
sequence numbers stay, so a hole shows as missing numbers. Behind the first hole the digests are worked out anew, for what
they were built on is lost; the old ones stand in the file set aside. As nobody can know how many commits were lost at the
end, `LEAP` numbers are left out before storing goes on: no number is ever given twice. The account returned here becomes a
`salvaged` event, and `verify` accepts exactly the holes such an event names.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw

from baytrace.journal import sealing
from baytrace.journal.chain import GENESIS, Columns, digest_of, event_from_line, split_payload
from baytrace.journal.jobs import CHANNEL_DECLARED
from baytrace.journal.sealer import spans
from baytrace.journal.store import Link
from baytrace.journal.stretch import Stretch, from_payloads
from baytrace.measure.faults import VerificationFailed

LEAP = 1_000_000
SEQ_LEAP = 1_000 * LEAP
_BEYOND = 1 << 40
_PAGE = 4096


def salvage(damaged: Path, db: apsw.Connection) -> dict[str, Any]:
    """Take over what can be read of `damaged` into the new file `db`; says how much, and the holes as [first, last] commits."""
    taken = _Taken(db)
    try:
        source = _source(damaged, db)
    except apsw.Error:
        return taken.account()
    try:
        boots = _texts(source)
        with db:
            # under the numbers they had: whoever read the damaged file goes on with what it knows
            db.executemany("INSERT OR IGNORE INTO names VALUES(?, ?)", list(boots.items()))
            for row in _rows(source, "SELECT * FROM blocks WHERE id >= ? ORDER BY id LIMIT 1"):
                taken.block(row, boots)
            for row in _rows(source, "SELECT * FROM commits WHERE id >= ? ORDER BY id LIMIT 1"):
                taken.commit(row, boots)
            taken.names_of_channels(_readable(source, "SELECT version, name, seq FROM channels"))
            for row in _readable(source, "SELECT key, value FROM state WHERE key != 'clean_end'"):
                db.execute("INSERT OR REPLACE INTO state VALUES(?, ?)", row)
            for row in _readable(source, "SELECT * FROM outbox"):
                db.execute("INSERT OR REPLACE INTO outbox VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
    finally:
        with contextlib.suppress(apsw.Error):
            source.close()
        _repaired(db).unlink(missing_ok=True)
    return taken.account()


def _repaired(fresh: apsw.Connection) -> Path:
    return Path(fresh.filename).with_name("repaired.sqlite")


def _source(damaged: Path, fresh: apsw.Connection) -> apsw.Connection:
    """The damaged file to read from. Where its table of contents is lost, a copy that is given a new file's.

    Tables of a file never compacted stand where a new file has them; where they do not, digests refuse what is found.
    """
    source = apsw.Connection(str(damaged), flags=apsw.SQLITE_OPEN_READWRITE)
    try:
        source.execute("SELECT count(*) FROM sqlite_schema").fetchall()
        source.execute("SELECT max(id) FROM commits").fetchall()
    except apsw.Error:
        with contextlib.suppress(apsw.Error):
            source.close()
    else:
        return source
    fresh.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    page = Path(fresh.filename).read_bytes()[:_PAGE]
    repaired = _repaired(fresh)
    with damaged.open("rb") as original, repaired.open("wb") as copy:
        # The log of the damaged file has no part in this; 2 zero counters make the reader take the size from the file.
        copy.write(page[:24] + bytes(4) + page[28:92] + bytes([0, 0, 0, 1]) + page[96:])
        original.seek(_PAGE)
        shutil.copyfileobj(original, copy)
    return apsw.Connection(str(repaired), flags=apsw.SQLITE_OPEN_READWRITE)


class _Taken:
    """What has been taken over so far."""

    def __init__(self, db: apsw.Connection) -> None:
        self._db = db
        self._commit = self._seq = self._readings = self._events = 0
        self._digest = self._original = GENESIS
        self._rechained = 0
        self._holes: list[list[int]] = []
        self._channels: dict[str, str] = {}

    def account(self) -> dict[str, Any]:
        return {
            "readings": self._readings,
            "events": self._events,
            "last_commit": self._commit,
            "last_seq": self._seq,
            "holes": [*self._holes, [self._commit + 1, self._commit + LEAP]],
            "rechained_from": self._rechained,
            "channels": self._channels,
        }

    def block(self, row: Any, boots: dict[int, str]) -> None:
        """A sealed block whose payloads lead from its own first digest to its last; else it stays a hole."""
        try:
            commit, _, first, _, boot, _, previous, digest, *parts = row
            stretch = sealing.unseal(commit, first, boots[boot], sealing.Sealed(*parts))
            sound = _reached(stretch, previous.hex()) == digest.hex()
        except (VerificationFailed, KeyError, TypeError, ValueError, AttributeError):
            return
        if not sound or commit <= self._commit:
            return
        before = self._digest
        self._enter(stretch, digest.hex(), _reached(stretch, before))
        values = (*row[:4], self._name(boots[boot]), row[5], bytes.fromhex(before), bytes.fromhex(self._digest), *parts)
        self._db.execute(f"INSERT INTO blocks VALUES({', '.join('?' * len(values))})", values)
        self._db.executemany("INSERT INTO spans VALUES(?, ?, ?, ?)", spans(stretch))

    def commit(self, row: Any, boots: dict[int, str]) -> None:
        """A commit whose payload is well formed, and what its digest says where the digest before it is known."""
        try:
            commit, first, last, wall_ns, boot, _, _, _, digest, payload = row
            link = Link(commit, first, last, wall_ns, boots[boot], digest.hex())
            columns, _ = split_payload(payload)
            stretch = from_payloads(commit, first, boots[boot], [wall_ns], [columns.size], [payload])
        except (VerificationFailed, KeyError, TypeError, ValueError, AttributeError):
            return
        if commit <= self._commit or first <= self._seq or stretch.last != last:
            return
        if commit == self._commit + 1 and digest_of(self._original, link, payload) != link.digest:
            return
        self._enter(stretch, link.digest, digest_of(self._digest, link, payload))
        low_ns, high_ns = _range(columns)
        values = (commit, first, last, wall_ns, self._name(boots[boot]), columns.size, low_ns, high_ns)
        self._db.execute(
            "INSERT INTO commits VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", (*values, bytes.fromhex(self._digest), payload)
        )

    def names_of_channels(self, rows: Iterator[Any]) -> None:
        """Names whose declarations were lost: taken on the damaged file's word, and said so in the account."""
        for version, name, seq in rows:
            if not self._db.execute("SELECT count(*) FROM channels WHERE version = ?", (version,)).get:
                self._db.execute("INSERT INTO channels VALUES(?, ?, ?)", (version, name, seq))
                self._channels[str(version)] = name

    def _enter(self, stretch: Stretch, original: str, digest: str) -> None:
        """Goes on from here; `original` is the digest it had, `digest` the one it has behind what was taken over."""
        if stretch.commit != self._commit + 1:
            self._holes.append([self._commit + 1, stretch.commit - 1])
        if original != digest and not self._rechained:
            self._rechained = stretch.commit
        for seq, line in zip(stretch.event_seqs().tolist(), stretch.lines, strict=True):
            event = event_from_line(line, seq)
            self._db.execute(
                "INSERT OR REPLACE INTO events VALUES(?, ?, ?)",
                (self._name(event.kind), self._name(event.session), seq),
            )
            if event.kind == CHANNEL_DECLARED:
                self._db.execute(
                    "INSERT OR REPLACE INTO channels VALUES(?, ?, ?)",
                    (event.data["version"], event.data["channel"]["name"], stretch.first),
                )
        self._commit, self._seq = stretch.last_commit, stretch.last
        self._digest, self._original = digest, original
        self._readings += stretch.columns.size
        self._events += len(stretch.lines)

    def _name(self, text: str) -> int:
        self._db.execute("INSERT OR IGNORE INTO names(text) VALUES(?)", (text,))
        return int(self._db.execute("SELECT id FROM names WHERE text = ?", (text,)).get)


def _reached(stretch: Stretch, digest: str) -> str:
    firsts, sizes = stretch.firsts().tolist(), (stretch.readings + stretch.events).tolist()
    for index, (payload, wall_ns) in enumerate(zip(stretch.payloads(), stretch.wall_ns.tolist(), strict=True)):
        link = Link(stretch.commit + index, firsts[index], firsts[index] + sizes[index] - 1, wall_ns, stretch.boot, "")
        digest = digest_of(digest, link, payload)
    return digest


def _range(columns: Columns) -> tuple[int | None, int | None]:
    return (int(columns.wall_ns.min()), int(columns.wall_ns.max())) if columns.size else (None, None)


def _rows(db: apsw.Connection, query: str) -> Iterator[Any]:
    """Rows by id; where one cannot be read, the next that can, found by doubling steps and then halving them."""
    place, step = 0, 0
    while place < _BEYOND:
        try:
            row = db.execute(query, (place,)).fetchone()
        except apsw.Error:
            step = step * 2 or 1
            place += step
            continue
        if row is None:
            return
        if step > 1:
            row = _nearest(db, query, place - step + 1, row)
        yield row
        place, step = row[0] + 1, 0


def _nearest(db: apsw.Connection, query: str, low: int, found: Any) -> Any:
    """The first readable row from `low` on, `found` being one behind it."""
    high = found[0]
    while low < high:
        middle = (low + high) // 2
        try:
            found = db.execute(query, (middle,)).fetchone() or found
            high = min(middle, found[0])
        except apsw.Error:
            low = middle + 1
    return found


def _texts(db: apsw.Connection) -> dict[int, str]:
    return dict(_readable(db, "SELECT id, text FROM names"))


def _readable(db: apsw.Connection, query: str) -> Iterator[Any]:
    """Rows up to the first that cannot be read."""
    with contextlib.suppress(apsw.Error):
        yield from db.execute(query)
