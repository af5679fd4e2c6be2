"""A transaction of the writer while it is being put together."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import NamedTuple

import apsw

from baytrace.journal.chain import GENESIS, header, link_digest
from baytrace.journal.jobs import Append
from baytrace.journal.store import Link, Receipt
from baytrace.measure.faults import BadInput


class Standing(NamedTuple):
    """What the file holds: its head, the newest version of each channel, and the numbers of names."""

    head: Link | None
    versions: dict[str, int]
    names: dict[str, int]


class Draft:
    """The head and the tables as they will be once the transaction is durable.

    `landed`: appends that are in the file already though their commit failed, by `fingerprint`: their receipts are theirs.
    """

    def __init__(self, standing: Standing, landed: Mapping[bytes, Receipt]) -> None:
        self.head, self.versions, self._names = standing.head, dict(standing.versions), standing.names
        self.new_names: dict[str, int] = {}
        self.written: list[tuple[bytes, Receipt]] = []
        """Payloads and what they were given."""
        self.readings: list[int] = []
        """Of each append written."""
        self._landed = landed

    def write(self, db: apsw.Connection, job: Append, wall_ns: int, boot: str) -> Receipt:
        """Raises BadInput before anything is written, apsw.Error at any time."""
        payload, low_ns, high_ns = job.encoded(self.versions)
        if self._landed and (receipt := self._landed.get(fingerprint(payload))) is not None:
            return receipt
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
        receipt = Receipt(first, last, commit, digest)
        self.written.append((payload, receipt))
        self.readings.append(job.size)
        return receipt

    def standing(self) -> Standing:
        """Once it is durable."""
        return Standing(self.head, self.versions, self._names | self.new_names)

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


class Unsure(NamedTuple):
    """A transaction whose commit failed: it may be in the file all the same."""

    head: Link | None
    landed: dict[bytes, Receipt]

    @classmethod
    def after(cls, draft: Draft) -> Unsure:
        return cls(draft.head, {fingerprint(payload): receipt for payload, receipt in draft.written})


def fingerprint(payload: bytes) -> bytes:
    return hashlib.sha256(payload).digest()
