"""A session's record as the pages want it: flat entries with their time, the steps and the sheet worked out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from baytrace.bench.daemon import Bench
from baytrace.bench.focus import job_order
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.records.session import Entry, SessionRecord, session_record
from baytrace.records.sheet import entries, sheet_document
from baytrace.records.steps import steps_document


def _flat(listed: Sequence[Entry]) -> list[dict[str, Any]]:
    return [{"time": entry.time, "seq": entry.seq, **entry.data} for entry in listed]


def _instrument(said: dict[str, Any], day: str) -> dict[str, Any]:
    """A channel as declared; `overdue` when its calibration had run out on `day` (ISO date). Unknown dates are not overdue."""
    due = (said.get("calibration") or {}).get("due")
    return said | {"overdue": bool(due) and str(due) < day}


def document(record: SessionRecord, events: Sequence[Event], bench: Bench) -> dict[str, Any]:
    """What `GET /api/sessions/{id}` answers. While the session runs, its verdicts are those of this moment.

    Reading the journal is the caller's, off the event loop; asking a running watch belongs on it.
    """
    running = bench.session if bench.session is not None and bench.session.id == record.session else None
    verdicts = {said.verdict["watch"]: said.verdict for said in record.verdicts}
    if running is not None:
        verdicts = {name: running.verdict(name).to_json() for name in running.plan}
    closed = record.closed
    last = closed.time if closed else format_instant(bench.now_ns())
    return {
        "id": record.session,
        "title": record.title,
        "bench": record.bench,
        "vehicle": record.vehicle,
        "refrigerant": record.refrigerant,
        "label_g": record.label_g,
        "people": record.people,
        "fields": record.fields,
        "plan": record.plan,
        "started": record.started,
        "closed": closed.time if closed else None,
        "closed_by": closed.data.get("who", "") if closed else "",
        "comment": closed.data.get("comment", "") if closed else "",
        "outcome": record.outcome,
        "verdicts": {name: verdicts[name] for name in sorted(verdicts, key=job_order)},
        "marks": _flat(record.marks),
        "notes": _flat(record.notes),
        "ledger": _flat(record.ledger),
        "alarms": _flat(record.alarms),
        "gaps": [row | {"seconds": (row["to_ns"] - row["from_ns"]) / 1e9} for row in _flat(record.gaps)],
        "silences": _flat(record.silences),
        "clock_steps": [row | {"step_s": row["step_ns"] / 1e9} for row in _flat(record.clock_steps)],
        "sign_offs": _flat(record.sign_offs),
        "instruments": [_instrument(dict(said), last[:10]) for said in record.channels.values()],
        "devices": [{"name": each.name, "facts": each.facts} for each in record.instruments],
        "steps": steps_document(events),
        "sheet": sheet_document(events),
        "entries": entries(),
    }


def summary(bench: Bench, session: str, line: dict[str, Any]) -> dict[str, Any]:
    """One line of the list, with the findings."""
    record = session_record(bench.journal, session)
    findings = {said.verdict["watch"]: said.verdict["finding"] for said in record.verdicts}
    return {
        "id": session,
        **line,
        "findings": dict(sorted(findings.items(), key=lambda pair: job_order(pair[0]))),
    }
