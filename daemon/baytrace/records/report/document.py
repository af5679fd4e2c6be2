"""A report as data: every text formatted, every table filled, ready for a template that only lays it out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Any

from baytrace import __version__
from baytrace.measure.instant import NS, parse_instant
from baytrace.records.report.completeness import Heard, completeness
from baytrace.records.report.field_checks import field_checks
from baytrace.records.report.figures import coil_row, figure_rows
from baytrace.records.report.quality_tables import alarm, chain, events, gap, instruments, settings
from baytrace.records.report.runs import runs_table
from baytrace.records.report.sheet_tables import sheet_tables
from baytrace.records.report.texts import Row, place, quantity, span, told, when
from baytrace.records.report.units_shown import System, restated
from baytrace.records.report.wording import (
    FINDINGS,
    KEY_FIGURES,
    OUTCOMES,
    OVERALL,
    OWN,
    VERIFY,
    WATCHES,
    plain,
    sentence,
)
from baytrace.records.session import SaidVerdict, SessionRecord

_FIRST = ("make", "model", "name", "year", "plate", "registration", "vin", "odometer")


def document(record: SessionRecord, system: System, heard: Mapping[str, Heard]) -> dict[str, Any]:
    """Everything a template shows but the pictures. `heard` by channel."""
    sheet = sheet_tables(record, system)
    return {
        "title": record.title or record.session,
        "session": record.session,
        "bench": record.bench,
        "started": when(record.started),
        "closed": when(record.closed.time) if record.closed else "still open",
        "outcome": record.outcome or "open",
        "outcome_word": OUTCOMES.get(record.outcome, sentence(record.outcome)),
        "outcome_text": OVERALL.get(record.outcome, ""),
        "units": "SI units" if system is System.SI else "US customary units",
        "job": _job(record, system),
        "verdicts": [_verdict(said, system) for said in _in_job_order(record.verdicts)],
        "runs": runs_table([said.verdict for said in record.verdicts], system),
        "done": _done(record, sheet),
        "work": sheet,
        "sign_offs": [[when(e.time), told(e, "who"), told(e, "role"), told(e, "comment")] for e in record.sign_offs],
        "steps": [
            [when(e.time), sentence(told(e, "step")), told(e, "state"), told(e, "who"), told(e, "note")]
            for e in record.steps
        ],
        "notes": [[when(e.time), told(e, "who"), restated(told(e, "text"), system)] for e in record.notes],
        "marks": [
            [str(n), when(e.time), restated(told(e, "text"), system), told(e, "who")]
            for n, e in enumerate(record.marks, 1)
        ],
        "instruments": instruments(record, system),
        "checks": field_checks(record, system),
        "settings": settings(record, system),
        "alarms": [alarm(entry, system) for entry in record.alarms],
        "heard": completeness(record, heard),
        "gaps": [gap(record, entry) for entry in record.gaps],
        "events": events(record),
        "readings": str(record.readings),
        "chain": chain(record),
        "verify": list(VERIFY),
        "program": f"Baytrace {__version__}",
    }


def _job(record: SessionRecord, system: System) -> list[Row]:
    rows = _said(record.vehicle)
    if record.refrigerant:
        rows.append(["Refrigerant", record.refrigerant])
    if record.label_g is not None:
        rows.append(["Charge on the label", quantity(record.label_g, "g", system)])
    people = [str(p.get("name", p)) if isinstance(p, dict) else str(p) for p in record.people]
    if people:
        rows.append(["People", ", ".join(people)])
    return rows + _said(record.fields)


def _done(record: SessionRecord, sheet: Mapping[str, Any]) -> list[Row]:
    """What was done, for someone who was not there; amounts are in the sheet."""
    rows = []
    if record.closed is not None:
        seconds = (parse_instant(record.closed.time) - parse_instant(record.started)) / NS
        rows.append(["Time it took", span(float(round(seconds)))])
    if sheet["replaced"]:
        rows.append(["Replaced", sheet["replaced"]])
    rows += sheet["figures"]
    rows += sheet["balances"]
    done, skipped = (sum(1 for e in record.steps if e.data.get("state") == state) for state in ("done", "skipped"))
    if done or skipped:
        rows.append(["Steps of the job", f"{done} done" + (f", {skipped} skipped" if skipped else "")])
    return rows


def _said(data: Mapping[str, Any]) -> list[Row]:
    """What people filled in, in one order whatever kept it."""
    given = {key: value for key, value in data.items() if value not in ("", None)}
    return [[sentence(key), str(given[key])] for key in sorted(given, key=lambda key: place(_FIRST, key))]


# ---------------------------------------------------------------------- verdicts


def _in_job_order(verdicts: Iterable[SaidVerdict]) -> list[SaidVerdict]:
    return sorted(verdicts, key=lambda said: place(list(WATCHES), said.verdict["watch"]))


def _verdict(said: SaidVerdict, system: System) -> dict[str, Any]:
    verdict = said.verdict
    watch, outcome, finding = verdict["watch"], verdict["verdict"], verdict["finding"]
    rows = figure_rows(verdict, system)
    names = [name for name in KEY_FIGURES.get(watch, ()) if name in rows]
    return {
        "name": WATCHES.get(watch, sentence(watch)),
        "watch": watch,
        "outcome": outcome,
        "outcome_word": OUTCOMES.get(outcome, outcome),
        "finding": finding,
        "headline": OUTCOMES.get(outcome, outcome) + ("" if finding == outcome else f", {finding}"),
        "plain": _plain(verdict),
        "reasons": [restated(str(reason), system) for reason in verdict.get("reasons", [])],
        "key": [rows[name] for name in names],
        "figures": list(rows.values()),
        "coils": [coil_row(coil, system) for coil in verdict.get("coils", [])],
        "rests_on": f"items up to number {said.after_seq}, kept as number {said.seq} at {when(said.time)}",
        "final": said.final,
    }


def _plain(verdict: Mapping[str, Any]) -> str:
    watch, finding = verdict["watch"], verdict["finding"]
    if watch == "sweep" and (watch, finding) not in FINDINGS:
        return _coils_plain(verdict)
    if (watch, finding) == ("pressures", "normal") and any(name.startswith("own_") for name in verdict["evidence"]):
        return OWN
    return plain(watch, finding, verdict["verdict"])


def _coils_plain(verdict: Mapping[str, Any]) -> str:
    """`Coils 1, 2, 4: within the limits. Coil 3: high.`"""
    coils = sorted(
        verdict.get("coils", []), key=lambda coil: (coil["finding"] != "within", coil["finding"], coil["position"])
    )
    parts = []
    for finding, group in groupby(coils, key=lambda coil: str(coil["finding"])):
        places = [int(coil["position"]) for coil in group]
        words = "within the limits" if finding == "within" else finding
        parts.append(f"Coil{'s' if len(places) > 1 else ''} {_ranges(places)}: {words}.")
    return " ".join(parts) or plain("sweep", str(verdict["finding"]), str(verdict["verdict"]))


def _ranges(places: list[int]) -> str:
    """`1 to 4, 6, 8 to 9` from positions in rising order."""
    runs: list[list[int]] = []
    for at in places:
        if runs and at == runs[-1][-1] + 1:
            runs[-1].append(at)
        else:
            runs.append([at])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
