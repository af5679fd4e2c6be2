"""Reading a journal, beside its writer or without one.

Every page is one short read transaction, then decoded outside it, so that a slow consumer never keeps the write-ahead log
from being reset. The place in the journal is a sequence number; that a stretch is sealed between two pages changes nothing.
"""

from __future__ import annotations

import contextlib
import threading
from collections import OrderedDict, deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple, Self

import apsw
import numpy as np
from numpy.typing import NDArray

from baytrace.journal import schema, sealing
from baytrace.journal.chain import GENESIS, digest_of, event_from_line
from baytrace.journal.store import Link, Stored
from baytrace.journal.stretch import Chunk, Stretch, as_chunk, from_payloads, in_order, stored
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Event

PAGE_READINGS = 32_768
PAGE_COMMITS = 4_096
_KEPT_BLOCKS = 4
_FURTHEST_NS = 1 << 63
"""What SQLite keeps of a number."""
_FROM_BLOCKS = "SELECT id, first, boot, previous, heads, lines, body FROM blocks"
_FROM_COMMITS = "SELECT id, first, last, wall_ns, boot, readings, digest, payload FROM commits"


class Page(NamedTuple):
    """Neighbouring commits and the digest before the first; `digests` are known for commits not yet sealed."""

    stretch: Stretch
    previous: str
    digests: list[str]


class JournalReader:
    """Thread-safe; use `with`, or call `close`. Opening raises EnvironmentFailed when there is no journal to read."""

    def __init__(self, directory: Path, *, immutable: bool = False) -> None:
        self.directory = directory
        self._path = directory / schema.FILE
        self._immutable = immutable
        self._idle: deque[apsw.Connection] = deque()
        self._names: dict[int, str] = {}
        self._texts: dict[int, str] = {}
        self._blocks: OrderedDict[int, Stretch] = OrderedDict()
        self._glanced: deque[int] = deque(maxlen=_KEPT_BLOCKS)
        self._guard = threading.Lock()
        self._shut = False
        self._file = 0
        with self._reading() as db:
            if schema.schema_version(db) == 0:
                raise EnvironmentFailed(f"{directory}: holds no journal")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Connections in use by iterators are closed when these end."""
        self._shut = True
        while self._idle:
            self._idle.pop().close()

    def renew(self) -> None:
        """Another file stands in the journal's place: read from that."""
        self._file += 1
        while self._idle:
            self._idle.pop().close()

    def damage_met(self) -> None:
        """Called when the file could not be read because it is damaged."""

    # ------------------------------------------------------------------ what it holds

    def items(self, after: int = 0, until: int | None = None) -> Iterator[Stored | Event]:
        for chunk in self.columns(after, until):
            yield from in_order(chunk, self.channel_name)

    def columns(self, after: int = 0, until: int | None = None) -> Iterator[Chunk]:
        """As `items`, a page at a time as columns; the quick way to read much."""
        for page in self._pages(after, until):
            yield as_chunk(page.stretch, after, until)

    def readings(self, channel: str, start_ns: int, end_ns: int) -> Iterator[Stored]:
        for chunk in self.channel_columns(channel, start_ns, end_ns):
            yield from stored(chunk.seq, chunk.columns, chunk.boot, lambda _: channel)

    def channel_columns(self, channel: str, start_ns: int, end_ns: int) -> Iterator[Chunk]:
        """As `readings`, a page at a time as columns."""
        start_ns, end_ns = max(start_ns, -_FURTHEST_NS), min(end_ns, _FURTHEST_NS - 1)
        with self._reading() as db:
            versions = [row[0] for row in db.execute("SELECT version FROM channels WHERE name = ?", (channel,))]
            blocks = _spanning(db, versions, start_ns, end_ns, 0)
        after, searched = 0, 0
        while True:
            for block in blocks:
                stretch = self._block(block, versions)
                yield from _chosen(stretch, versions, start_ns, end_ns, after)
                after = max(after, stretch.last)
                searched = max(searched, block)
            with self._reading() as db:
                if blocks := _spanning(db, versions, start_ns, end_ns, searched):
                    continue
                page = self._staged(db, after, "readings > 0 AND high_ns >= ? AND low_ns < ?", (start_ns, end_ns))
            if page is None:
                return
            yield from _chosen(page.stretch, versions, start_ns, end_ns, after)
            after = page.stretch.last

    def events(self, kinds: Sequence[str] = (), session: str = "", after: int = 0) -> Iterator[Event]:
        while True:
            with self._reading() as db:
                seqs = _event_seqs(db, kinds, session, after)
            yield from self._events_at(seqs)
            if not seqs:
                return
            after = seqs[-1]

    def event(self, seq: int) -> Event:
        """The event of that number. Raises BadInput when there is none."""
        return next(self._events_at((seq,)))

    def _events_at(self, seqs: Sequence[int]) -> Iterator[Event]:
        """The events of these numbers, ascending; each page is read once. Raises BadInput when one is not there."""
        last, numbers, lines = 0, np.zeros(0, np.int64), list[bytes]()
        for seq in seqs:
            if seq > last:
                last, numbers, lines = self._lines_at(seq)
            place = int(np.searchsorted(numbers, seq))
            if place >= len(numbers) or numbers[place] != seq:
                raise BadInput(f"the journal holds no event {seq}")
            yield event_from_line(lines[place], seq)

    def _lines_at(self, seq: int) -> tuple[int, NDArray[np.int64], list[bytes]]:
        """The last number of the page that holds `seq`, and the numbers and lines of its events. Readings stay packed."""
        with self._reading() as db:
            row = db.execute(
                "SELECT last, first, heads, lines FROM blocks WHERE last >= ? ORDER BY last LIMIT 1", (seq,)
            ).fetchone()
            page = None if row else self._staged(db, seq - 1)
        if row:
            last, first, heads, lines = row
            return int(last), *sealing.lines_of(first, heads, lines)
        if page is None:
            return seq, np.zeros(0, np.int64), []
        return page.stretch.last, page.stretch.event_seqs(), page.stretch.lines

    def last_event(self, kinds: Sequence[str], session: str = "") -> Event | None:
        """The newest event of these kinds (of the session, when named); None when there is none."""
        with self._reading() as db:
            seqs = _event_seqs(db, kinds, session, 0, most=1, newest=True)
        return next(self._events_at(seqs), None)

    def links(self, first_commit: int = 1, last_commit: int | None = None) -> Iterator[Link]:
        """Links of sealed commits are worked out again from their payloads."""
        for link, _ in self.linked_payloads(first_commit, last_commit):
            yield link

    def linked_payloads(self, first_commit: int = 1, last_commit: int | None = None) -> Iterator[tuple[Link, bytes]]:
        """Links with their canonical payloads, as `chain.verify_links` takes them."""
        with self._reading() as db:
            after = _seq_before(db, first_commit)
        for page in self._pages(after, None):
            for link, payload in linked(page):
                if last_commit is not None and link.commit > last_commit:
                    return
                if link.commit >= first_commit:
                    yield link, payload

    def payload_of(self, commit: int) -> bytes:
        """The canonical payload of a commit. Raises BadInput when there is none."""
        for _, payload in self.linked_payloads(commit, commit):
            return payload
        raise BadInput(f"the journal holds no commit {commit}")

    def digest_before(self, commit: int) -> str:
        """What the digest of `commit` was built on: the digest of its predecessor, `GENESIS` for the first."""
        return next((link.digest for link in self.links(commit - 1, commit - 1)), GENESIS) if commit > 1 else GENESIS

    def head(self) -> Link | None:
        with self._reading() as db:
            return head(db)

    def channel_name(self, version: int) -> str:
        """Raises BadInput for a version never declared."""
        if version not in self._names:
            with self._reading() as db:
                self._names.update(db.execute("SELECT version, name FROM channels"))
        try:
            return self._names[version]
        except KeyError:
            raise BadInput(
                f"the journal holds readings of channel version {version}, which was never declared"
            ) from None

    def pages(self) -> Iterator[Page]:
        """The whole journal, a stretch at a time, for whoever checks it."""
        return self._pages(0, None)

    def meta(self) -> dict[str, str]:
        with self._reading() as db:
            return dict(db.execute("SELECT key, value FROM meta"))

    def letters(self) -> list[tuple[str, str, int, str]]:
        """What the outbox holds: target, state, how many, and the newest error among them."""
        with self._reading() as db:
            rows: list[Any] = db.execute(
                "SELECT target, state, count(*), coalesce((SELECT error FROM outbox AS newest WHERE newest.target = outbox.target"
                " AND newest.state = outbox.state AND error != '' ORDER BY id DESC LIMIT 1), '')"
                " FROM outbox GROUP BY target, state ORDER BY target, state"
            ).fetchall()
        return rows

    # ------------------------------------------------------------------ pages

    @contextlib.contextmanager
    def _reading(self) -> Iterator[apsw.Connection]:
        """A connection inside one read transaction."""
        file = self._file
        try:
            db = self._idle.pop()
        except IndexError:
            db = schema.connect_reader(self._path, immutable=self._immutable)
        try:
            db.execute("BEGIN")
            try:
                yield db
            finally:
                db.execute("COMMIT" if db.in_transaction else "SELECT 1")
        except apsw.Error as error:
            db.close()
            meant = schema.explain(error, self._path)
            if isinstance(meant, schema.Damaged):
                self.damage_met()
            raise meant from None
        if self._shut or file != self._file:
            db.close()
        else:
            self._idle.append(db)

    def _pages(self, after: int, until: int | None) -> Iterator[Page]:
        """Pages that follow one another; the first may begin before `after`."""
        digests: list[str] = []
        while until is None or after < until:
            with self._reading() as db:
                row = db.execute(f"{_FROM_BLOCKS} WHERE last > ? ORDER BY last LIMIT 1", (after,)).fetchone()
                page = None if row else self._staged(db, after)
                if row:
                    row = (*row[:2], self._text(db, row[2]), *row[3:])
            if row:
                page = Page(self._opened(row), row[3].hex(), [])
            if page is None or (until is not None and page.stretch.first > until):
                return
            if digests and page.stretch.first <= after:
                # what the last page held was sealed meanwhile, together with more
                page = Page(page.stretch.behind(after), digests[-1], [])
            yield page
            after, digests = page.stretch.last, page.digests

    def _staged(self, db: apsw.Connection, after: int, where: str = "1", bindings: tuple[Any, ...] = ()) -> Page | None:
        """A page of commits not yet sealed behind `after`: neighbours of one boot."""
        rows: list[Any] = []
        size = 0
        for row in db.execute(
            f"{_FROM_COMMITS} WHERE last > ? AND {where} ORDER BY id LIMIT ?", (after, *bindings, PAGE_COMMITS)
        ):
            if rows and (row[4] != rows[0][4] or row[0] != rows[-1][0] + 1 or size + row[5] > PAGE_READINGS):
                break
            rows.append(row)
            size += row[5]
        if not rows:
            return None
        ids, firsts, _, walls, boots, counts, digests, payloads = zip(*rows, strict=True)
        before = db.execute("SELECT digest FROM commits WHERE id < ? ORDER BY id DESC LIMIT 1", (ids[0],)).get
        before = before or db.execute("SELECT digest FROM blocks WHERE id < ? ORDER BY id DESC LIMIT 1", (ids[0],)).get
        stretch = from_payloads(ids[0], firsts[0], self._text(db, boots[0]), walls, counts, payloads)
        return Page(stretch, before.hex() if before else GENESIS, [digest.hex() for digest in digests])

    def _block(self, block: int, only: Sequence[int] = ()) -> Stretch:
        """A sealed stretch; the first time without the values of channels other than `only`, afterwards whole and remembered."""
        if (known := self._blocks.get(block)) is not None:
            return known
        with self._reading() as db:
            row = db.execute(f"{_FROM_BLOCKS} WHERE id = ?", (block,)).fetchone()
            if row is None:
                raise EnvironmentFailed(f"{self._path}: the journal was rescued while it was read; read again")
            row = (*row[:2], self._text(db, row[2]), *row[3:])
        if only and block not in self._glanced:
            self._glanced.append(block)
            return sealing.unseal(block, row[1], row[2], sealing.Sealed(*row[4:]), only)
        return self._opened(row)

    def _opened(self, row: Any) -> Stretch:
        """A sealed stretch from its row, remembered for the next reader of the same place."""
        block, first, boot, _, heads, lines, body = row
        with self._guard:
            if (known := self._blocks.get(block)) is not None:
                self._blocks.move_to_end(block)
                return known
        stretch = sealing.unseal(block, first, boot, sealing.Sealed(heads, lines, body))
        with self._guard:
            self._blocks[block] = stretch
            while len(self._blocks) > _KEPT_BLOCKS:
                self._blocks.popitem(last=False)
        return stretch

    def _text(self, db: apsw.Connection, name: int) -> str:
        if name not in self._texts:
            self._texts.update(db.execute("SELECT id, text FROM names"))
        return self._texts[name]


def linked(page: Page) -> Iterator[tuple[Link, bytes]]:
    """Each link of a page with its payload."""
    stretch, previous = page.stretch, page.previous
    firsts = stretch.firsts().tolist()
    sizes = (stretch.readings + stretch.events).tolist()
    walls = stretch.wall_ns.tolist()
    for index, payload in enumerate(stretch.payloads()):
        first = firsts[index]
        link = Link(stretch.commit + index, first, first + sizes[index] - 1, walls[index], stretch.boot, "")
        previous = page.digests[index] if page.digests else digest_of(previous, link, payload)
        yield link._replace(digest=previous), payload


def head(db: apsw.Connection) -> Link | None:
    """The newest link."""
    row = db.execute(
        "SELECT commits.id, first, last, wall_ns, text, digest FROM commits, names WHERE names.id = boot ORDER BY commits.id DESC LIMIT 1"
    ).fetchone()
    if row is not None:
        commit, first, last, wall_ns, boot, digest = row
        return Link(commit, first, last, wall_ns, boot, digest.hex())
    row = db.execute(
        "SELECT last_commit, first, last, text, digest, blocks.id, heads FROM blocks, names WHERE names.id = boot ORDER BY blocks.id DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    readings, events, wall_ns = sealing.heads_of(row[6])
    return Link(row[0], row[2] - (readings + events) + 1, row[2], wall_ns, row[3], row[4].hex())


def _seq_before(db: apsw.Connection, commit: int) -> int:
    """A sequence number before the first of `commit`, as near as the rows tell."""
    row = db.execute("SELECT first FROM blocks WHERE id <= ? AND last_commit >= ?", (commit, commit)).get
    row = row or db.execute("SELECT first FROM commits WHERE id >= ? ORDER BY id LIMIT 1", (commit,)).get
    if row is None:
        return int(
            db.execute(
                "SELECT max(coalesce((SELECT max(last) FROM commits), 0), coalesce((SELECT max(last) FROM blocks), 0))"
            ).get
        )
    return int(row) - 1


def _spanning(db: apsw.Connection, versions: Sequence[int], start_ns: int, end_ns: int, after: int) -> list[int]:
    """Sealed blocks that hold readings of these channels in the range, in order."""
    found: set[int] = set()
    for version in versions:
        rows = db.execute(
            "SELECT block FROM spans WHERE version = ? AND low_ns < ? AND high_ns >= ? AND block > ?",
            (version, end_ns, start_ns, after),
        )
        found.update(row[0] for row in rows)
    return sorted(found)


def _chosen(stretch: Stretch, versions: Sequence[int], start_ns: int, end_ns: int, after: int) -> Iterator[Chunk]:
    columns = stretch.columns
    wall = columns.wall_ns
    wanted = (wall >= start_ns) & (wall < end_ns) & np.isin(columns.version, versions)
    seq = stretch.reading_seqs()
    if after >= stretch.first:
        wanted &= seq > after
    chosen = np.flatnonzero(wanted)
    if len(chosen):
        yield Chunk(seq[chosen], columns.take(chosen), stretch.boot, [])


def _event_seqs(
    db: apsw.Connection, kinds: Sequence[str], session: str, after: int, most: int = 20_000, *, newest: bool = False
) -> list[int]:
    def ids(texts: Sequence[str]) -> list[int]:
        marks = ",".join("?" * len(texts))
        query = f"SELECT id FROM names WHERE text IN ({marks})"  # noqa: S608 - question marks only
        return [row[0] for row in db.execute(query, tuple(texts))]

    kind_ids = ids(kinds) if kinds else [row[0] for row in db.execute("SELECT id FROM names")]
    listed = ",".join(str(kind) for kind in kind_ids)
    where = f"kind IN ({listed}) AND seq > ?"
    if session:
        found = ids([session])
        where += f" AND session IN ({','.join(map(str, found))})"
    query = f"SELECT seq FROM events WHERE {where} ORDER BY seq{' DESC' if newest else ''} LIMIT ?"  # noqa: S608 - numbers from this file only
    return [row[0] for row in db.execute(query, (after, most))]
