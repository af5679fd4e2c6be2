"""A journal's chain checked from the first commit to the last, and everything derived from it. Reads only."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import apsw

from baytrace.journal import schema
from baytrace.journal.chain import GENESIS, digest_of, event_from_line
from baytrace.journal.reader import JournalReader, Page, linked
from baytrace.measure.faults import VerificationFailed


class Verified(NamedTuple):
    """What was checked. `head` is the digest to note: with it, a cut tail shows later."""

    commits: int
    readings: int
    events: int
    head: str

    def __str__(self) -> str:
        return (
            f"the chain holds: {self.commits} commits, {self.readings} readings, {self.events} events; head {self.head}"
        )


def verify(directory: Path) -> Verified:
    """Raises VerificationFailed naming the first fault, EnvironmentFailed when there is no journal to read."""
    try:
        with JournalReader(directory) as reader:
            return _Check(reader).run()
    except schema.Damaged as error:
        raise VerificationFailed(str(error)) from None
    except apsw.Error as error:
        raise VerificationFailed(f"{directory}: {error}") from None


class _Check:
    def __init__(self, reader: JournalReader) -> None:
        self._reader = reader
        self._digest = GENESIS
        self._commit = self._seq = self._readings = self._events = 0
        self._index = reader.index()

    def run(self) -> Verified:
        for page in self._reader.pages():
            self._page(page)
        head = self._reader.head()
        if head is not None and head.commit < self._commit:
            raise VerificationFailed("the newest commit is not the last of the chain")
        if self._index.events != self._index.seen:
            raise VerificationFailed("the index of events names others than the chain holds")
        return Verified(self._commit, self._readings, self._events, self._digest)

    def _page(self, page: Page) -> None:
        stretch = page.stretch
        if page.previous != self._digest:
            raise VerificationFailed(f"commit {stretch.commit} does not follow commit {self._commit}")
        for link, payload in linked(page):
            if (link.commit, link.first) != (self._commit + 1, self._seq + 1):
                raise VerificationFailed(
                    f"commit {self._commit} is followed by {link.commit}, number {self._seq} by {link.first}"
                )
            self._digest = digest_of(self._digest, link, payload)
            if self._digest != link.digest:
                raise VerificationFailed(f"commit {link.commit} (numbers {link.first} to {link.last}) was changed")
            self._commit, self._seq = link.commit, link.last
        kept = self._index.blocks.get(stretch.commit)
        if not page.digests and kept != self._digest:
            raise VerificationFailed(f"the sealed commits {stretch.commit} to {stretch.last_commit} were changed")
        self._readings += stretch.columns.size
        self._events += len(stretch.lines)
        for seq, line in zip(stretch.event_seqs().tolist(), stretch.lines, strict=True):
            event = event_from_line(line, seq)
            self._index.seen.add((event.kind, event.session, seq))
