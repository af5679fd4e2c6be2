"""Does a journal hold what was chained? Reads only; beside a running daemon, or on a copy."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from baytrace.journal import schema
from baytrace.journal.chain import GENESIS, digest_of, event_from_line
from baytrace.journal.jobs import CHANNEL_DECLARED
from baytrace.journal.lock import in_use
from baytrace.journal.reader import JournalReader, Page, linked
from baytrace.journal.sealer import spans
from baytrace.journal.store import Link
from baytrace.journal.stretch import Stretch
from baytrace.measure.faults import VerificationFailed

_MOST_FAULTS = 20


@dataclass
class Report:
    """What was found. `ok` means every payload is what was chained; `holes` are those a `salvaged` event owns up to."""

    head: Link | None = None
    commits: int = 0
    readings: int = 0
    events: int = 0
    holes: list[tuple[int, int]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        return not self.faults

    def fault(self, text: str) -> None:
        if len(self.faults) < _MOST_FAULTS:
            self.faults.append(text)


def verify(directory: Path) -> Report:
    """Raises EnvironmentFailed when there is no journal or it cannot be read; damage is a fault in the report."""
    wal = Path(f"{directory / schema.FILE}-wal")
    quiet = not in_use(directory) and not (wal.exists() and wal.stat().st_size)
    report = Report()
    try:
        with JournalReader(directory, immutable=quiet) as journal:
            _Check(journal, report).run()
    except (schema.Damaged, VerificationFailed) as error:
        report.fault(str(error))
    return report


class _Check:
    def __init__(self, journal: JournalReader, report: Report) -> None:
        self._journal, self._report = journal, report
        self._digest, self._commit, self._seq = GENESIS, 0, 0
        self._breaks: list[tuple[int, int]] = []
        self._owned: set[tuple[int, int]] = set()
        self._channels: dict[int, str] = {}
        self._used: set[int] = set()

    def run(self) -> None:
        report = self._report
        with self._journal._reading() as db:  # noqa: SLF001 - one package
            problems = schema.faults_of(db)
            blocks = {
                row[0]: row
                for row in db.execute("SELECT id, last_commit, first, last, readings, previous, digest FROM blocks")
            }
        if problems:
            report.fault(f"the database file is damaged ({problems[0]})")
        after = 0
        for page in self._journal.pages():
            stretch = page.stretch
            block = blocks.get(stretch.commit) if not page.digests else None
            if page.previous != self._digest:
                report.fault(f"commit {stretch.commit} does not follow from commit {self._commit}")
            if hole := stretch.commit != self._commit + 1:
                self._breaks.append((self._commit + 1, stretch.commit - 1))
            self._links(page, self._seq if not hole else stretch.first - 1)
            if block is not None and (
                block[1:5] != (stretch.last_commit, stretch.first, stretch.last, stretch.columns.size)
                or block[6].hex() != self._digest
            ):
                report.fault(f"the sealed commits {stretch.commit} to {stretch.last_commit} were changed")
            self._count(stretch)
            after = stretch.last
        self._derived(after)
        self._weigh_breaks()

    def _links(self, page: Page, before: int) -> None:
        """Each link of a page; `before` is the sequence number it must follow."""
        for link, payload in linked(page):
            if digest_of(self._digest, link, payload) != link.digest:
                self._report.fault(f"commit {link.commit} (sequence numbers {link.first} to {link.last}) was changed")
            if link.first != before + 1:
                self._report.fault(f"commit {link.commit} starts at {link.first}, but the one before ended at {before}")
            before, self._digest = link.last, link.digest
            self._report.head = link
        self._commit, self._seq = page.stretch.last_commit, page.stretch.last
        self._report.commits += len(page.stretch.readings)

    def _count(self, stretch: Stretch) -> None:
        self._report.readings += stretch.columns.size
        self._report.events += len(stretch.lines)
        for seq, line in zip(stretch.event_seqs().tolist(), stretch.lines, strict=True):
            event = event_from_line(line, seq)
            if event.kind == CHANNEL_DECLARED:
                self._channels[event.data["version"]] = event.data["channel"]["name"]
            elif event.kind == "salvaged":
                self._owned.update((first, last) for first, last in event.data["holes"])
                self._channels.update({int(version): name for version, name in event.data["channels"].items()})
        self._used.update(np.unique(stretch.columns.version).tolist())

    def _derived(self, until: int) -> None:
        """The tables made for quick reading say the same as the payloads."""
        told = dict(self._event_keys(until))
        found = {}
        for chunk in self._journal.columns(0, until):
            found.update({event.seq: (event.kind, event.session) for event in chunk.events})
        if told != found:
            self._report.fault("the index of events does not say what the payloads say")
        with self._journal._reading() as db:  # noqa: SLF001
            names = dict(db.execute("SELECT version, name FROM channels WHERE seq <= ?", (until,)))
            listed = set(db.execute("SELECT version, low_ns, block, high_ns FROM spans"))
            blocks = [row[0] for row in db.execute("SELECT id FROM blocks ORDER BY id")]
        if unknown := self._used - set(self._channels):
            self._report.fault(f"there are readings of channel versions never declared: {sorted(unknown)}")
        if names != self._channels:
            self._report.fault("the table of channels does not say what their declarations say")
        true = {span for block in blocks for span in spans(self._journal._block(block))}  # noqa: SLF001
        if true != listed:
            self._report.fault("the index of time does not say what the payloads say")

    def _event_keys(self, until: int) -> Iterator[tuple[int, tuple[str, str]]]:
        with self._journal._reading() as db:  # noqa: SLF001
            rows: list[Any] = db.execute(
                "SELECT seq, k.text, s.text FROM events LEFT JOIN names k ON k.id = kind LEFT JOIN names s ON s.id = session WHERE seq <= ?",
                (until,),
            ).fetchall()
        return ((seq, (kind, session)) for seq, kind, session in rows)

    def _weigh_breaks(self) -> None:
        for hole in self._breaks:
            if hole in self._owned:
                self._report.holes.append(hole)
            else:
                first, last = hole
                self._report.fault(f"commits {first} to {last} are missing")
