"""The links of `chain.csv` beside the items they chain, one link of them in memory."""

from __future__ import annotations

import csv
from array import array
from collections.abc import Callable, Iterator
from pathlib import Path

from baytrace.journal.chain import digest_of, encode_rows, event_line, payload_from
from baytrace.journal.store import Link
from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.measure.reading import Event, Raw
from baytrace.records.event_lines import lines_of
from baytrace.records.limits import MOST_A_LINK, MOST_LINK_LINE
from baytrace.records.readings_file import Row
from baytrace.records.session import ChainStretch


class FollowedChain:
    """`fault` is told a kind and a text. Raises VerificationFailed for links no journal writes."""

    def __init__(self, path: Path, said: ChainStretch, fault: Callable[[str, str], None]) -> None:
        self._said, self._fault = said, fault
        self._links = _links(path)
        self._digest = said.previous
        self._link = next(self._links, None)
        self._columns = _Columns()
        self._lines: list[bytes] = []
        self.count = 0
        if self._link is None or self._link.commit != said.first_commit or self._link.first != said.first_seq:
            raise VerificationFailed("data/chain.csv does not begin where session.json says")

    def take(self, item: Row | Event) -> None:
        link = self._link
        if link is None:
            seq = item.stored.seq if isinstance(item, Row) else item.seq
            self._fault("chain", f"number {seq} lies beyond the end of the chain")
            return
        if isinstance(item, Row):
            seq, raw, version, boot = item.stored
            self._columns.append(version, raw)
            if boot != link.boot:
                self._fault("chain", f"reading {seq} names another start of the clock than its link")
        else:
            self._lines.append(event_line(item))
            seq = item.seq
        if self._columns.size + len(self._lines) > MOST_A_LINK:
            raise VerificationFailed(f"data/chain.csv: link {link.commit} holds more than any commit: refused")
        if seq >= link.last:
            self._close(link)

    def _close(self, link: Link) -> None:
        try:
            rows = self._columns.encoded()
            digest = digest_of(self._digest, link, payload_from(self._columns.size, rows, self._lines))
        except (BadInput, ValueError) as error:
            raise VerificationFailed(f"data/chain.csv: link {link.commit} cannot be worked out ({error})") from None
        if digest != link.digest:
            self._fault(
                "chain",
                f"link {link.commit} (numbers {link.first} to {link.last}) does not hold: something in it was changed",
            )
        self._columns, self._lines = _Columns(), []
        self._digest = link.digest
        self.count += 1
        after = next(self._links, None)
        if after is not None and (after.commit, after.first) != (link.commit + 1, link.last + 1):
            self._fault("chain", f"link {link.commit} is not followed by its neighbour but by {after.commit}")
        if after is None and (link.commit, link.last, link.digest) != (
            self._said.last_commit,
            self._said.last_seq,
            self._said.head,
        ):
            self._fault("chain", f"the chain ends at link {link.commit}, not where session.json says")
        self._link = after

    def finish(self) -> None:
        if self._link is not None:
            self._fault("chain", f"link {self._link.commit} has no items: the end of the session is missing")


class _Columns:
    """What a commit chains of its readings, in few bytes each."""

    def __init__(self) -> None:
        self._version, self._wall_ns, self._mono_ns = array("I"), array("q"), array("q")
        self._value, self._quality = array("d"), array("H")

    @property
    def size(self) -> int:
        return len(self._version)

    def append(self, version: int, raw: Raw) -> None:
        self._version.append(version)
        self._wall_ns.append(raw.wall_ns)
        self._mono_ns.append(raw.mono_ns)
        self._value.append(raw.value)
        self._quality.append(raw.quality)

    def encoded(self) -> bytes:
        return encode_rows(self._version, self._wall_ns, self._mono_ns, self._value, self._quality)


def _links(path: Path) -> Iterator[Link]:
    try:
        with path.open("rb") as file:
            lines = (line.decode("ascii") for line in lines_of(file, MOST_LINK_LINE))
            for row in csv.DictReader(lines, strict=True):
                bytes.fromhex(row["digest"])
                commit, first, last, wall_ns = (int(row[name]) for name in ("commit", "first", "last", "wall_ns"))
                yield Link(commit, first, last, wall_ns, row["boot"], row["digest"])
    except (OSError, ValueError, KeyError, TypeError, csv.Error):
        raise VerificationFailed("data/chain.csv is missing or not as Baytrace writes it") from None
