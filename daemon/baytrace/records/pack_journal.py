"""The contents of a trace pack as a journal to look at, so that what is made from a journal can be made from a pack too.

Rules of this file:
- It holds one session: its items, its links, and what people added after its close. `identity` events from before the
  session are told again from `session.json`, with the sequence number 0.
- Links before the session's first are unknown but for the digest that the first one builds on; they hold no item.
"""

from __future__ import annotations

import csv
from array import array
from collections.abc import Iterator, Sequence
from pathlib import Path

from baytrace.journal.store import Link, Stored
from baytrace.measure.faults import VerificationFailed
from baytrace.measure.reading import Event
from baytrace.records.event_lines import lines_of, read_events
from baytrace.records.limits import MOST_LINK_LINE
from baytrace.records.readings_file import read_rows
from baytrace.records.retelling import merged
from baytrace.records.session_file import SessionFile
from baytrace.records.vocabulary import Kind


class PackJournal:
    """Over the payload's directory (`data/`). Raises VerificationFailed for contents that Baytrace does not write."""

    def __init__(self, data: Path) -> None:
        for name in ("session.json", "readings.parquet", "events.jsonl"):
            if not (data / name).is_file():
                raise VerificationFailed(f"data/{name} is missing")
        self.directory = data
        session = SessionFile((data / "session.json").read_bytes())
        self.record, self._claims = session.record(), session.claims
        self._lines: array[int] | None = None

    def items(self, after: int = 0, until: int | None = None) -> Iterator[Stored | Event]:
        rows, events = (
            read_rows(self.directory / "readings.parquet", self._claims),
            read_events(self.directory / "events.jsonl"),
        )
        for each in merged(rows, events):
            item = each if isinstance(each, Event) else each.stored
            if until is not None and item.seq > until:
                return
            if item.seq > after:
                yield item

    def readings(self, channel: str, start_ns: int, end_ns: int) -> Iterator[Stored]:
        for row in read_rows(self.directory / "readings.parquet", self._claims):
            raw = row.stored.raw
            if raw.channel == channel and start_ns <= raw.wall_ns < end_ns:
                yield row.stored

    def events(self, kinds: Sequence[str] = (), session: str = "", after: int = 0) -> Iterator[Event]:
        if not session and (not kinds or Kind.IDENTITY in kinds):
            for each in self.record.instruments:
                if each.facts and after <= 0:
                    yield Event(0, 0, Kind.IDENTITY, "", {"instrument": each.name, "facts": each.facts}, 0)
        for event in read_events(self.directory / "events.jsonl"):
            if event.seq > after and (not kinds or event.kind in kinds) and (not session or event.session == session):
                yield event

    def links(self, first_commit: int = 1, last_commit: int | None = None) -> Iterator[Link]:
        said = self.record.chain
        if said is None:
            return
        for commit in range(first_commit, min(said.first_commit, (last_commit or said.first_commit) + 1)):
            yield Link(commit, 0, 0, 0, "", said.previous)
        yield from self._kept(max(first_commit, said.first_commit), last_commit or said.last_commit)

    def _kept(self, first: int, last: int) -> Iterator[Link]:
        assert self.record.chain is not None
        with (self.directory / "chain.csv").open("rb") as file:
            if self._lines is None:
                self._lines = array("q", [0])
                for line in lines_of(file, MOST_LINK_LINE):
                    self._lines.append(self._lines[-1] + len(line))
            place = first - self.record.chain.first_commit + 1  # after the heading
            if place >= len(self._lines) - 1:
                return
            file.seek(self._lines[place])
            for row in csv.reader(line.decode("ascii") for line in lines_of(file, MOST_LINK_LINE)):
                commit, first_seq, last_seq, wall_ns, boot, digest = row
                if int(commit) > last:
                    return
                yield Link(int(commit), int(first_seq), int(last_seq), int(wall_ns), boot, digest)

    def head(self) -> Link | None:
        said = self.record.chain
        if said is not None:
            return Link(said.last_commit, 0, said.last_seq, 0, "", said.head)
        last = self.record.started_seq
        for item in self.items():
            last = max(last, item.seq)
        return Link(0, 0, last, 0, "", "")

    def close(self) -> None:
        """Nothing is held open."""
