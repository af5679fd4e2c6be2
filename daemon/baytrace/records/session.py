"""A session as a record: a fold over its events, pure and the same from a journal and from a pack.

Rules of this file:
- A session is the items from its `session_started` to its `session_closed`; what people add later (sign-off, notes) carries
  the session's id and is folded in, but lies outside the stretch of the chain that a pack holds.
- The verdicts of a session are the last final ones; without any, the last that were noted while it ran.
- `model_json_schema()` of `SessionRecord` is published as `session.schema.json` beside this file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from baytrace.journal.store import JournalView
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.records.vocabulary import Kind

FORMAT: Literal["baytrace-session-1"] = "baytrace-session-1"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)


class Entry(_Part):
    """One event of the session in people's terms."""

    time: str
    """RFC 3339, UTC, to the nanosecond."""
    seq: int
    """Sequence number in the journal."""
    data: dict[str, Any]
    """What the event says; its keys are those of the journal's vocabulary."""


class SaidVerdict(_Part):
    time: str
    """RFC 3339, UTC."""
    seq: int
    """Sequence number of the event that keeps the verdict."""
    after_seq: int
    """The verdict rests on every item of the session up to this one."""
    final: bool
    """Given at the close of the session."""
    verdict: dict[str, Any]
    """The document of `judge --json`."""


class InstrumentFacts(_Part):
    name: str
    """As the bench calls it."""
    facts: dict[str, Any]
    """What the instrument said of itself (maker's identity line, serial number, ...)."""
    channels: list[dict[str, Any]]
    """Its channels as declared, with unit, accuracy and calibration."""


class ChainStretch(_Part):
    """The stretch of the journal's chain that holds the session."""

    first_seq: int
    last_seq: int
    first_commit: int
    last_commit: int
    previous: str
    """Digest of the link before the first (SHA-256, hexadecimal)."""
    head: str
    """Digest of the last link: whoever noted it can tell later whether anything before it was changed."""


class SessionRecord(_Part):
    """A session as `session.json` keeps it."""

    format: Literal["baytrace-session-1"] = FORMAT
    session: str
    """The session's id."""
    title: str
    bench: str
    vehicle: dict[str, Any]
    refrigerant: str
    label_g: float | None = None
    """Refrigerant charge on the vehicle's label, in grams."""
    people: list[Any]
    fields: dict[str, Any]
    """What the shop adds of its own."""
    plan: dict[str, dict[str, Any]]
    """Settings by watch, as they were set; what is left out is the default."""
    job: dict[str, Any] = Field(default_factory=dict)
    """The lists of steps and of the sheet the session goes by, where it carries its own."""
    started: str
    """RFC 3339, UTC."""
    started_seq: int
    closed: Entry | None = None
    outcome: str = ""
    """pass, fail, undecided, or empty while the session is open."""
    verdicts: list[SaidVerdict] = Field(default_factory=list)
    """The verdicts that count, one a watch."""
    changes: list[SaidVerdict] = Field(default_factory=list)
    """Every verdict noted on the way, in order."""
    marks: list[Entry] = Field(default_factory=list)
    notes: list[Entry] = Field(default_factory=list)
    ledger: list[Entry] = Field(default_factory=list)
    """Refrigerant and oil, in and out, and parts."""
    steps: list[Entry] = Field(default_factory=list)
    alarms: list[Entry] = Field(default_factory=list)
    gaps: list[Entry] = Field(default_factory=list)
    silences: list[Entry] = Field(default_factory=list)
    """Channels that went stale and came back."""
    clock_steps: list[Entry] = Field(default_factory=list)
    restarts: list[Entry] = Field(default_factory=list)
    """Starts of the daemon while the session ran."""
    links: list[Entry] = Field(default_factory=list)
    """Instruments that came and went."""
    rejected: int = 0
    """Frames from the wire that could not be understood."""
    sign_offs: list[Entry] = Field(default_factory=list)
    channels: dict[str, dict[str, Any]] = Field(default_factory=dict)
    """Channels by declaration number."""
    instruments: list[InstrumentFacts] = Field(default_factory=list)
    atmosphere_pa: float | None = None
    """Atmosphere known at the start (Pa), from a barometer or the site's elevation; null when none was known."""
    readings: int = 0
    """Readings kept between start and end; 0 in a listing that did not count them."""
    chain: ChainStretch | None = None


_LISTS: Mapping[str, str] = {
    Kind.MARK: "marks",
    Kind.NOTE: "notes",
    Kind.LEDGER: "ledger",
    Kind.STEP: "steps",
    Kind.ALARM: "alarms",
    Kind.GAP: "gaps",
    Kind.STALE: "silences",
    Kind.CLOCK_STEP: "clock_steps",
    Kind.BENCH_STARTED: "restarts",
    Kind.INSTRUMENT: "links",
    Kind.SIGNED_OFF: "sign_offs",
}


class SessionFold:
    """Fed `session_started` first, then the session's events in order."""

    def __init__(self, started: Event) -> None:
        data = started.data
        state = data.get("interpreter", {})
        self._record = SessionRecord(
            session=started.session,
            title=data.get("title", ""),
            bench=data.get("bench", ""),
            vehicle=dict(data.get("vehicle", {})),
            refrigerant=data.get("refrigerant", ""),
            label_g=data.get("label_g"),
            people=list(data.get("people", [])),
            fields=dict(data.get("fields", {})),
            plan={name: dict(settings) for name, settings in data.get("plan", {}).items()},
            job=dict(data.get("job") or {}),
            started=format_instant(started.time_ns),
            started_seq=started.seq,
            channels={str(version): dict(channel) for version, channel in data.get("channels", {}).items()},
            atmosphere_pa=state.get("atmosphere_pa") if state.get("atmosphere_known") else None,
        )
        self._facts: dict[str, dict[str, Any]] = {}

    def event(self, event: Event) -> None:
        record = self._record
        entry = Entry(time=format_instant(event.time_ns), seq=event.seq, data=dict(event.data))
        if event.kind in _LISTS:
            getattr(record, _LISTS[event.kind]).append(entry)
        elif event.kind == Kind.VERDICT:
            record.changes.append(
                SaidVerdict(
                    time=entry.time,
                    seq=event.seq,
                    after_seq=event.data["after_seq"],
                    final=event.data["final"],
                    verdict=dict(event.data["verdict"]),
                )
            )
        elif event.kind == Kind.SESSION_CLOSED:
            record.closed, record.outcome = entry, event.data.get("outcome", "")
        elif event.kind == Kind.CHANNEL_DECLARED:
            record.channels[str(event.data["version"])] = dict(event.data["channel"])
        elif event.kind == Kind.IDENTITY:
            self._facts[event.data["instrument"]] = dict(event.data.get("facts", {}))
        elif event.kind == Kind.REJECTED:
            record.rejected += 1

    def identity(self, event: Event) -> None:
        """What an instrument said of itself before the session began."""
        self._facts.setdefault(event.data["instrument"], dict(event.data.get("facts", {})))

    def record(self) -> SessionRecord:
        record = self._record.model_copy(deep=True)
        final: dict[str, SaidVerdict] = {}
        for said in record.changes:
            watch = said.verdict["watch"]
            if said.final or watch not in final or not final[watch].final:
                final[watch] = said
        record.verdicts = [final[name] for name in record.plan if name in final]
        record.verdicts += [said for name, said in final.items() if name not in record.plan]
        record.instruments = _instruments(record.channels, self._facts)
        return record


def _instruments(
    channels: Mapping[str, Mapping[str, Any]], facts: Mapping[str, dict[str, Any]]
) -> list[InstrumentFacts]:
    found: dict[str, InstrumentFacts] = {}
    for version in sorted(channels, key=int):
        name = channels[version].get("instrument", "")
        kept = found.setdefault(name, InstrumentFacts(name=name, facts=facts.get(name, {}), channels=[]))
        kept.channels.append(dict(channels[version]))
    return list(found.values())


def fold(events: Iterable[Event]) -> SessionRecord:
    """The record of one session from its events in order, `session_started` first. Raises BadInput without one."""
    each = iter(events)
    started = next(each, None)
    if started is None or started.kind != Kind.SESSION_STARTED:
        raise BadInput("the events do not begin with the start of a session", where="session")
    folding = SessionFold(started)
    for event in each:
        folding.event(event)
    return folding.record()


def started_event(journal: JournalView, session: str) -> Event:
    """Raises BadInput naming the sessions there are."""
    for event in journal.events(kinds=(Kind.SESSION_STARTED,), session=session):
        return event
    known = [event.session for event in journal.events(kinds=(Kind.SESSION_STARTED,))]
    right = f"the newest are: {', '.join(known[:-6:-1])}" if known else "the journal holds no session"
    raise BadInput(f"there is no session {session!r}", right=right)


def session_record(journal: JournalView, session: str) -> SessionRecord:
    """The record of a session of the journal, without counting its readings. Raises BadInput for an unknown id."""
    started = started_event(journal, session)
    folding = SessionFold(started)
    for event in journal.events(session=session, after=started.seq):
        folding.event(event)
    for event in journal.events(kinds=(Kind.IDENTITY,)):
        if event.seq < started.seq:
            folding.identity(event)
    return folding.record()


class SessionLine(_Part):
    """One line of a list of sessions."""

    session: str
    title: str
    vehicle: dict[str, Any]
    refrigerant: str
    started: str
    closed: str | None = None
    outcome: str = ""
    signed_off: bool = False


def list_sessions(journal: JournalView) -> list[SessionLine]:
    """Every session of the journal, newest first."""
    lines: dict[str, SessionLine] = {}
    for event in journal.events(kinds=(Kind.SESSION_STARTED, Kind.SESSION_CLOSED, Kind.SIGNED_OFF)):
        if event.kind == Kind.SESSION_STARTED:
            lines[event.session] = SessionLine(
                session=event.session,
                title=event.data.get("title", ""),
                vehicle=dict(event.data.get("vehicle", {})),
                refrigerant=event.data.get("refrigerant", ""),
                started=format_instant(event.time_ns),
            )
        elif line := lines.get(event.session):
            if event.kind == Kind.SESSION_CLOSED:
                line.closed, line.outcome = format_instant(event.time_ns), event.data.get("outcome", "")
            else:
                line.signed_off = True
    return list(reversed(lines.values()))
