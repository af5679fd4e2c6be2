"""`session.json` of a pack, read before everything else: what it claims bounds all other files.

Only what is needed while the session is told again is kept; the document is read once more, as a whole, when it is compared.
"""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from baytrace.measure.faults import VerificationFailed
from baytrace.records.bag import PROGRAM
from baytrace.records.limits import (
    MB,
    MOST_CHANNELS,
    MOST_COUNT,
    MOST_SESSION_WEIGHT,
    MOST_TOLD_WEIGHT,
    Claims,
    weight,
)
from baytrace.records.pack_reading import DATA_FAULTS
from baytrace.records.plain_json import read_json
from baytrace.records.session import ChainStretch, SessionRecord

SESSION = "data/session.json"
_SEQ = 1 << 62


class SessionFile:
    """Raises VerificationFailed for anything that is not a session as Baytrace writes it."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        record, self.program = read_session(content)
        self.session, self.chain, self.open = record.session, record.chain, record.closed is None
        self.claims = _claims(record, len(content))
        self.most_weight = min(MOST_TOLD_WEIGHT, 4 * weight(content) + MB)
        """Of the events the record is made of: a line has a longer frame than an entry of the record, and longer escapes."""

    def record(self) -> SessionRecord:
        """The whole of it, read afresh."""
        return read_session(self._content)[0]


def read_session(content: bytes) -> tuple[SessionRecord, str]:
    """The record and the program that wrote it. Raises VerificationFailed."""
    program = ""
    try:
        document = read_json(content, MOST_SESSION_WEIGHT)
        program = str(document.pop("program"))[:60]
        return SessionRecord.model_validate(document, strict=True), program
    except (*DATA_FAULTS, ValidationError) as error:
        by = f"; it was made by {program}, and this is {PROGRAM}" if program and program != PROGRAM else ""
        why = f" ({error})" if type(error) is ValueError and len(str(error)) < 100 else ""
        raise VerificationFailed(f"{SESSION} is not a session as Baytrace writes it{why}{by}") from None


def _claims(record: SessionRecord, size: int) -> Claims:
    chain, items, links = record.chain, None, 0
    if chain is not None:
        items, links = chain.last_seq - chain.first_seq + 1, chain.last_commit - chain.first_commit + 1
        if not _follows(chain) or not max(record.readings, links) <= items:
            raise VerificationFailed(f"{SESSION}: the chain it tells of cannot hold {record.readings} readings")
    if not 0 <= record.readings < MOST_COUNT or len(record.channels) > MOST_CHANNELS:
        raise VerificationFailed(
            f"{SESSION} tells of {record.readings} readings of {len(record.channels)} channels, which is beyond any session"
        )
    return Claims(record.readings, items, links, len(record.channels) + 1, size)


def _follows(chain: ChainStretch) -> bool:
    return 0 < chain.first_seq <= chain.last_seq < _SEQ and 0 < chain.first_commit <= chain.last_commit < _SEQ


def part_of(record: SessionRecord, key: str) -> Any:
    """One part of the document, without what instruments said before the session, which its events do not hold."""
    said = record.model_dump(mode="json", include={key})[key]
    for instrument in said if key == "instruments" else ():
        instrument.pop("facts")
    return said


def facts_left_out(record: SessionRecord) -> dict[str, Any]:
    """Every part of the document, as `part_of` gives it."""
    return {key: part_of(record, key) for key in SessionRecord.model_fields}
