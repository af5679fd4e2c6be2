"""Tables for the quality department: instruments, settings and their sources, alarms, gaps, what befell the bench, the chain."""

from __future__ import annotations

from datetime import date
from itertools import groupby
from typing import Any

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant, parse_instant
from baytrace.measure.roles import Role, called
from baytrace.records.report.accuracy_words import accuracy_shown
from baytrace.records.report.texts import Row, place, quantity, span, told, when
from baytrace.records.report.units_shown import System, restated
from baytrace.records.report.wording import WATCHES, sentence
from baytrace.records.session import Entry, SessionRecord
from baytrace.watches.limits_table import Limit, limits
from baytrace.watches.trust import standing
from baytrace.watches.watch import watches

_SUFFIX = {"pa": "Pa", "s": "s", "g": "g", "k": "K", "c": "degC", "m": "m", "l": "L", "ohm": "ohm"}
_NAMES = {
    "temperature_u_k": "temperature, standard uncertainty",
    "hose_g": "left in the hoses",
    "hose_uncertainty_g": "left in the hoses, uncertainty",
    "slowest_mode_s": "slowest time constant of the loop",
    "settled_pressure_band": "settled: share of a pressure still to come",
    "settled_temperature_band_k": "settled: temperature still to come",
}


def instruments(record: SessionRecord, system: System) -> list[Row]:
    """Instrument, channel, accuracy, calibrated, due, certificate, standing on the day."""
    day = date.fromisoformat((record.closed.time if record.closed else record.started)[:10])
    rows = []
    for instrument in record.instruments:
        said_facts = [str(fact) for _, fact in sorted(instrument.facts.items())]
        facts = " ".join(fact for fact in said_facts if "/" not in fact)  # a port's name is of no use later
        first = instrument.channels[0] if instrument.channels else None
        for said in instrument.channels:
            name = f"{instrument.name or 'unnamed'} {f'({facts})' if facts else ''}".strip() if said is first else ""
            calibration = said.get("calibration", {})
            try:
                stands = str(standing(Channel.from_json(said), day))
            except (BadInput, ValueError, KeyError):
                stands = "unknown"
            dates = [calibration.get("calibrated", "not recorded"), calibration.get("due", "not recorded")]
            rows.append(
                [
                    name,
                    called(Role(said["role"]), said["name"]),
                    accuracy_shown(said.get("accuracy", ""), Role(said["role"]), system),
                    *dates,
                    calibration.get("certificate") or "not recorded",
                    stands,
                ]
            )
    return rows


def settings(record: SessionRecord, system: System) -> list[Row]:
    """Watch, setting, value, where it comes from."""
    rows: list[Row] = []
    table = limits()
    for watch in sorted(record.plan, key=lambda name: place(list(WATCHES), name)):
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
    """The setting's name without the unit it ends in, as words."""
    if name in _NAMES:
        return _NAMES[name]
    stem, _, suffix = name.rpartition("_")
    return stem if suffix in _SUFFIX and stem else name


def _setting(name: str, value: Any, entry: Limit | None, system: System) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict) and (told := value.get("source") or value.get("sound")):
        return f"{told}; kept in session.json"
    if isinstance(value, list | tuple | dict):
        plain = not isinstance(value, dict) and all(isinstance(each, str | int) for each in value)
        return ", ".join(map(str, value)) if plain else f"a table of {len(value)} rows, kept in session.json"
    if not isinstance(value, int | float):
        return str(value)
    unit = entry.unit if entry is not None else _SUFFIX.get(name.rpartition("_")[2], "")
    return quantity(float(value), unit, system, name)


def alarm(entry: Entry, system: System) -> Row:
    words = [told(entry, "text"), told(entry, "comment")]
    text = restated("; ".join(word for word in words if word), system)
    return [
        when(entry.time),
        told(entry, "name") or told(entry, "alarm"),
        sentence(told(entry, "state")),
        told(entry, "priority"),
        text,
        told(entry, "who"),
    ]


def gap(record: SessionRecord, entry: Entry) -> Row:
    begin, end = entry.data.get("from_ns"), entry.data.get("to_ns")
    missing = span((end - begin) / 1e9) if isinstance(begin, int) and isinstance(end, int) else ""
    begins = when(format_instant(begin)) if isinstance(begin, int) else ""
    return [begins, missing, _called(record, told(entry, "channel")) or "Every channel", told(entry, "cause")]


def _called(record: SessionRecord, channel: str) -> str:
    """A channel in people's words; one that the session does not know by its name."""
    roles = {said["name"]: Role(said["role"]) for said in record.channels.values()}
    return called(roles[channel], channel) if channel in roles else channel


def _clock(entry: Entry) -> str:
    off = f"{entry.data.get('step_ns', 0) / 1e9:+.3f} s"
    if entry.data.get("standing"):
        return f"Wall clock differs from the bench's time by {off}; spans are not affected"
    if entry.data.get("anchored"):
        return f"Wall clock set by {off} after a start of the machine: it was away for longer than it thought"
    return f"Wall clock set by {off}; spans are not affected"


def events(record: SessionRecord) -> list[Row]:
    """What happened to the bench itself."""
    rows = _silences(record)
    rows += [[e.time, _clock(e)] for e in record.clock_steps]
    rows += [
        [e.time, f"The daemon started again (previous end: {told(e, 'previous') or 'unknown'})"]
        for e in record.restarts
    ]
    rows += [
        [e.time, f"Instrument {told(e, 'instrument')}: {told(e, 'state')}{_why(told(e, 'detail'))}"]
        for e in record.links
    ]
    rows.sort(key=lambda row: parse_instant(row[0]))
    shown = [[when(time), text] for time, text in rows]
    if record.rejected:
        frames = "1 frame" if record.rejected == 1 else f"{record.rejected} frames"
        shown.append(["", f"{frames} from instruments could not be understood; kept in the journal"])
    return shown


def _silences(record: SessionRecord) -> list[Row]:
    """Channels that fell silent or came back within the same second share a row."""
    rows: list[Row] = []
    for (second, stale), group in groupby(record.silences, key=lambda e: (e.time[:19], bool(e.data.get("stale")))):
        names = [_called(record, told(entry, "channel")) for entry in group]
        noun = "Channel" if len(names) == 1 else "Channels"
        rows.append([f"{second}Z", f"{noun} {', '.join(names)} {'fell silent' if stale else 'came back'}"])
    return rows


def _why(detail: str) -> str:
    """What was said of it; a port's name is of no use later, and by itself says nothing."""
    words = ["the port" if "/" in word else word for word in detail.split()]
    return "" if words in ([], ["the port"]) else f", {' '.join(words)}"


def chain(record: SessionRecord) -> list[Row]:
    if record.chain is None:
        return [["Chain", "none: the session was not a whole number of commits"]]
    held = record.chain
    return [
        ["Items", f"{held.first_seq} to {held.last_seq} ({record.readings} readings)"],
        ["Commits", f"{held.first_commit} to {held.last_commit}"],
        ["Digest before the session", held.previous],
        ["Digest at its end", held.head],
    ]
