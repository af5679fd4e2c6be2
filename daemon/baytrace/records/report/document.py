"""A report as data: every text formatted, every table filled, ready for a template that only lays it out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import groupby
from typing import Any

from baytrace import __version__
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant, parse_instant
from baytrace.measure.reading import Event
from baytrace.records.job_lists import default_sheet, sheet_from
from baytrace.records.report.units_shown import System, number, restated, shown_unit
from baytrace.records.report.wording import (
    BALANCES,
    FIGURES,
    FINDINGS,
    KEY_FIGURES,
    OUTCOMES,
    OVERALL,
    VERIFY,
    WATCHES,
    plain,
    sentence,
)
from baytrace.records.session import Entry, SaidVerdict, SessionRecord
from baytrace.records.sheet import sheet_document
from baytrace.records.vocabulary import Kind
from baytrace.watches.limits_table import Limit, limits
from baytrace.watches.trust import standing
from baytrace.watches.watch import watches

Row = list[str]
_SUFFIX = {"pa": "Pa", "s": "s", "g": "g", "k": "K", "c": "degC", "m": "m", "l": "L", "ohm": "ohm"}
_FIRST = ("make", "model", "year", "plate", "registration", "vin", "odometer")
_ENTRY_UNITS = {"degC", "K", "Pa", "kPa", "g", "kg", "L", "m"}


def when(text: str) -> str:
    """`2026-11-25 09:30:00 UTC` from RFC 3339."""
    return text[:19].replace("T", " ") + " UTC"


def document(record: SessionRecord, system: System) -> dict[str, Any]:
    """Everything a template shows but the pictures."""
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
        "ledger": [_ledger(record, entry, system) for entry in record.ledger],
        "balances": _balances(record, system),
        "sign_offs": [[when(e.time), _t(e, "who"), _t(e, "role"), _t(e, "comment")] for e in record.sign_offs],
        "steps": [
            [when(e.time), sentence(_t(e, "step")), _t(e, "state"), _t(e, "who"), _t(e, "note")] for e in record.steps
        ],
        "notes": [[when(e.time), _t(e, "who"), restated(_t(e, "text"), system)] for e in record.notes],
        "marks": [[str(n), when(e.time), _t(e, "text"), _t(e, "who")] for n, e in enumerate(record.marks, 1)],
        "instruments": _instruments(record),
        "settings": _settings(record, system),
        "alarms": [_alarm(entry, system) for entry in record.alarms],
        "gaps": [_gap(entry) for entry in record.gaps],
        "events": _events(record),
        "readings": f"{record.readings:,}".replace(",", " "),
        "chain": _chain(record),
        "verify": list(VERIFY),
        "program": f"Baytrace {__version__}",
    }


def _t(entry: Entry, key: str) -> str:
    return str(entry.data.get(key) or "")


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


def _said(data: Mapping[str, Any]) -> list[Row]:
    """What people filled in, in one order whatever kept it."""
    given = {key: value for key, value in data.items() if value not in ("", None)}
    return [[sentence(key), str(given[key])] for key in sorted(given, key=lambda key: _place(_FIRST, key))]


def quantity(value: float, unit: str, system: System, name: str = "") -> str:
    """A number with the reader's unit."""
    if unit == "s":
        return span(value)
    shown = shown_unit(unit, system, name)
    return f"{number(shown.of(value))} {shown.text}".strip()


def span(seconds: float) -> str:
    """`45 s`, `9 min 20 s`, `1 h 5 min`."""
    if seconds < 120:
        return f"{number(seconds, 1.0) if seconds != int(seconds) else int(seconds)} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, rest = divmod(rest, 60)
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes else []
    parts += [f"{rest} s"] if rest and not hours else []
    return " ".join(parts)


# ---------------------------------------------------------------------- verdicts


def _in_job_order(verdicts: Iterable[SaidVerdict]) -> list[SaidVerdict]:
    return sorted(verdicts, key=lambda said: _place(list(WATCHES), said.verdict["watch"]))


def _place(order: Sequence[str], name: str) -> tuple[int, str]:
    """Where a name comes: as `order` has it, what it does not have after that by name."""
    return (order.index(name) if name in order else len(order), name)


def _verdict(said: SaidVerdict, system: System) -> dict[str, Any]:
    verdict = said.verdict
    watch, outcome, finding = verdict["watch"], verdict["verdict"], verdict["finding"]
    evidence: Mapping[str, Mapping[str, Any]] = {**verdict.get("evidence", {}), **verdict.get("also", {})}
    order = [*KEY_FIGURES.get(watch, ()), *FIGURES]
    rows = {
        name: _figure(name, figure, system)
        for name, figure in sorted(evidence.items(), key=lambda item: _place(order, item[0]))
        if system is System.SI or figure["unit"] != "mbar*L/s"
    }
    names = [name for name in KEY_FIGURES.get(watch, ()) if name in rows]
    return {
        "name": WATCHES.get(watch, sentence(watch)),
        "watch": watch,
        "outcome": outcome,
        "outcome_word": OUTCOMES.get(outcome, outcome),
        "finding": finding,
        "plain": plain(watch, finding, outcome)
        if (watch, finding) in FINDINGS or watch != "sweep"
        else _coils_plain(verdict),
        "reasons": [restated(str(reason), system) for reason in verdict.get("reasons", [])],
        "key": [rows[name] for name in names],
        "figures": list(rows.values()),
        "coils": [_coil(coil, system) for coil in verdict.get("coils", [])],
        "rests_on": f"items up to number {said.after_seq}, kept as number {said.seq} at {when(said.time)}",
        "final": said.final,
    }


def _figure(name: str, figure: Mapping[str, Any], system: System) -> Row:
    """Name, value, 95 % interval."""
    label = FIGURES.get(name, sentence(name))
    value, low, high = figure["value"], figure.get("low"), figure.get("high")
    if figure["unit"] == "s":
        interval = f"{span(low)} to {span(high)}" if low is not None and high is not None else ""
        return [label, span(value), interval]
    shown = shown_unit(figure["unit"], system, name)
    half = (abs(shown.of(high) - shown.of(low)) / 2.0 or None) if low is not None and high is not None else None
    text = f"{number(shown.of(value), half)} {shown.text}".strip()
    if low is None or high is None:
        return [label, text, ""]
    return [label, text, f"{number(shown.of(low), half)} to {number(shown.of(high), half)}"]


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
    return " ".join(parts) or sentence(verdict["finding"]) + "."


def _ranges(places: list[int]) -> str:
    """`1 to 4, 6, 8 to 9` from positions in rising order."""
    runs: list[list[int]] = []
    for place in places:
        if runs and place == runs[-1][-1] + 1:
            runs[-1].append(place)
        else:
            runs.append([place])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)


def _coil(coil: Mapping[str, Any], system: System) -> Row:
    row = [str(coil.get("name") or coil["position"]), sentence(coil["finding"])]
    for key in ("resistance", "at_reference"):
        figure = coil.get(key)
        row += _figure(key, figure, system)[1:] if figure else ["", ""]
    return row


# ---------------------------------------------------------------------- the job


def _ledger(record: SessionRecord, entry: Entry, system: System) -> Row:
    name, value, unit = _t(entry, "entry"), entry.data.get("value"), _t(entry, "unit")
    number_like = isinstance(value, int | float) and not isinstance(value, bool)
    shown = _in_units(float(value), unit, system) if number_like and value is not None else f"{value} {unit}".strip()
    return [when(entry.time), _entry_text(record, name), shown, _t(entry, "who")]


def _entry_text(record: SessionRecord, name: str) -> str:
    job = record.job
    known = (sheet_from(job["sheet"], "the session's sheet") if "sheet" in job else default_sheet()).known
    return known[name].text if name in known else sentence(name)


def _in_units(value: float, unit: str, system: System) -> str:
    """An entry in whatever unit it was made, in the reader's."""
    to_si = {
        "kg": ("g", 1000.0),
        "oz": ("g", 28.349523125),
        "lb": ("g", 453.59237),
        "mL": ("mL", 1.0),
        "ml": ("mL", 1.0),
    }
    base, factor = to_si.get(unit, (unit, 1.0))
    if base == "mL":
        return (
            f"{number(value * factor)} mL" if system is System.SI else f"{number(value * factor / 29.5735295625)} fl oz"
        )
    if base in {"fl oz", "floz"}:
        return f"{number(value * 29.5735295625)} mL" if system is System.SI else f"{number(value)} fl oz"
    return quantity(value * factor, base, system) if base in _ENTRY_UNITS else f"{number(value)} {base}".strip()


def _balances(record: SessionRecord, system: System) -> list[Row]:
    """What the session's sheet makes of the entries; a balance is left out while something it needs is missing."""
    started = {"label_g": record.label_g, "session": record.session, "job": record.job}
    events = [Event(0, 0, Kind.SESSION_STARTED, record.session, started)]
    events += [Event(0, 0, Kind.LEDGER, record.session, entry.data) for entry in record.ledger]
    for said in record.verdicts:
        data = {"watch": said.verdict["watch"], "verdict": said.verdict}
        events.append(Event(0, 0, Kind.VERDICT, record.session, data))
    balances = sheet_document(events)["balances"]
    return [
        [BALANCES.get(name, sentence(name)), _in_units(figure["value"], figure["unit"], system)]
        for name, figure in balances.items()
    ]


# ---------------------------------------------------------------------- for the quality department


def _instruments(record: SessionRecord) -> list[Row]:
    """Instrument, channel, unit, accuracy, calibrated, due, certificate, standing on the day."""
    day = date.fromisoformat((record.closed.time if record.closed else record.started)[:10])
    rows = []
    for instrument in record.instruments:
        said_facts = [str(fact) for _, fact in sorted(instrument.facts.items())]
        facts = " ".join(fact for fact in said_facts if "/" not in fact)  # a port's name is of no use later
        for said in instrument.channels:
            name = f"{instrument.name or 'unnamed'} {f'({facts})' if facts else ''}".strip()
            calibration = said.get("calibration", {})
            try:
                stands = str(standing(Channel.from_json(said), day))
            except (BadInput, ValueError, KeyError):
                stands = "unknown"
            dates = [calibration.get("calibrated", "not recorded"), calibration.get("due", "not recorded")]
            rows.append(
                [
                    name,
                    said["name"],
                    said["unit"],
                    said.get("accuracy", ""),
                    *dates,
                    calibration.get("certificate") or "not recorded",
                    stands,
                ]
            )
    return rows


def _settings(record: SessionRecord, system: System) -> list[Row]:
    """Watch, setting, value, where it comes from."""
    rows: list[Row] = []
    table = limits()
    for watch in sorted(record.plan, key=lambda name: _place(list(WATCHES), name)):
        given = record.plan[watch]
        kind = watches().get(watch)
        if kind is None:
            continue
        try:
            values = kind.Settings.model_validate(given).model_dump()
        except ValueError:
            values = dict(given)
        for name, value in values.items():
            if value in (None, "", [], {}, ()):
                continue
            entry = table.get(f"{watch}.{name}") or table.get(f"running.{name}")
            source = "set for this session" if name in given else f"default; {entry.source}" if entry else "default"
            rows.append(
                [
                    WATCHES.get(watch, sentence(watch)),
                    sentence(_bare(name)),
                    _setting(name, value, entry, system),
                    source,
                ]
            )
    return rows


def _bare(name: str) -> str:
    stem, _, suffix = name.rpartition("_")
    return stem if suffix in _SUFFIX and stem else name


def _setting(name: str, value: Any, entry: Limit | None, system: System) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple | dict):
        plain = not isinstance(value, dict) and all(isinstance(each, str | int) for each in value)
        return ", ".join(map(str, value)) if plain else f"a table of {len(value)} rows, kept in session.json"
    if not isinstance(value, int | float):
        return str(value)
    unit = entry.unit if entry is not None else _SUFFIX.get(name.rpartition("_")[2], "")
    return quantity(float(value), unit, system, name)


def _alarm(entry: Entry, system: System) -> Row:
    words = [_t(entry, "text"), _t(entry, "comment")]
    text = restated("; ".join(word for word in words if word), system)
    return [
        when(entry.time),
        _t(entry, "name") or _t(entry, "alarm"),
        sentence(_t(entry, "state")),
        _t(entry, "priority"),
        text,
        _t(entry, "who"),
    ]


def _gap(entry: Entry) -> Row:
    begin, end = entry.data.get("from_ns"), entry.data.get("to_ns")
    missing = span((end - begin) / 1e9) if isinstance(begin, int) and isinstance(end, int) else ""
    begins = when(format_instant(begin)) if isinstance(begin, int) else ""
    return [begins, missing, _t(entry, "channel") or "every channel", _t(entry, "cause")]


def _events(record: SessionRecord) -> list[Row]:
    """What happened to the bench itself."""
    rows = [
        [e.time, f"Channel {_t(e, 'channel')} {'fell silent' if e.data.get('stale') else 'came back'}"]
        for e in record.silences
    ]
    rows += [
        [e.time, f"Wall clock set by {e.data.get('step_ns', 0) / 1e9:+.3f} s; spans are not affected"]
        for e in record.clock_steps
    ]
    rows += [
        [e.time, f"The daemon started again (previous end: {_t(e, 'previous') or 'unknown'})"] for e in record.restarts
    ]
    rows += [
        [e.time, f"Instrument {_t(e, 'instrument')}: {_t(e, 'state')} {_t(e, 'detail')}".strip()] for e in record.links
    ]
    rows.sort(key=lambda row: parse_instant(row[0]))
    shown = [[when(time), text] for time, text in rows]
    if record.rejected:
        shown.append(
            ["", f"{record.rejected} frames from instruments could not be understood; they are kept in the journal"]
        )
    return shown


def _chain(record: SessionRecord) -> list[Row]:
    if record.chain is None:
        return [["Chain", "none: the session was not a whole number of commits"]]
    chain = record.chain
    return [
        ["Items", f"{chain.first_seq} to {chain.last_seq} ({record.readings} readings)"],
        ["Commits", f"{chain.first_commit} to {chain.last_commit}"],
        ["Digest before the session", chain.previous],
        ["Digest at its end", chain.head],
    ]
