"""The sheet of a session as tables: what came out, what went in, the balances, and what is missing or contradicts itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from baytrace.measure.reading import Event
from baytrace.records.job_lists import SheetList, default_sheet, sheet_from
from baytrace.records.report.texts import Row, quantity, told, when
from baytrace.records.report.units_shown import System, number, restated, shown_unit
from baytrace.records.report.wording import BALANCES, BELOW, sentence
from baytrace.records.session import Entry, SessionRecord
from baytrace.records.sheet import sheet_document
from baytrace.records.vocabulary import Kind

_ENTRY_UNITS = {"degC", "K", "Pa", "kPa", "g", "kg", "L", "m"}
_REPLACED = "replaced_"


def sheet_tables(record: SessionRecord, system: System) -> dict[str, Any]:
    """`figures` and `balances` (name, amount), `replaced` (sentence or empty), `parts` (part, count, oil, source), `remarks`,
    `entries` as they were made.
    """
    listed = sheet_from(record.job["sheet"], "the session's sheet") if "sheet" in record.job else default_sheet()
    said = sheet_document(_events(record), listed)
    entered = bool(record.ledger)
    return {
        "figures": [
            [listed.known[name].text, in_units(figure["value"], figure["unit"], system)]
            for name, figure in said["figures"].items()
            if not name.startswith(_REPLACED) and name != "label_charge"
        ],
        "replaced": _replaced(said["figures"], listed),
        "balances": [_balance(name, figure, system) for name, figure in said["balances"].items()],
        "parts": [
            [row["text"], number(row["count"]), in_units(row["oil"]["value"], "mL", system), row["source"]]
            for row in said["parts"]
        ],
        "remarks": [restated(text, system) for text in _remarks(said, listed)] if entered else [],
        "entries": [_entry(entry, listed, system) for entry in record.ledger],
    }


def _balance(name: str, figure: dict[str, Any], system: System) -> Row:
    """Its name and amount; one below nothing has the name that makes it an amount."""
    below = figure["value"] < 0.0 and name in BELOW
    if below:
        figure = figure | {"value": -figure["value"]}
        if "low" in figure:
            figure |= {"low": -figure["high"], "high": -figure["low"]}
    text = BELOW[name] if below else BALANCES.get(name, sentence(name))
    return [text, _amount(figure, system)]


def _amount(figure: Mapping[str, Any], system: System) -> str:
    """With its interval where the scale gave one."""
    value, unit = figure["value"], figure["unit"]
    if "low" not in figure or unit != "g":
        return in_units(value, unit, system)
    shown = shown_unit(unit, system)
    half = abs(shown.of(figure["high"]) - shown.of(figure["low"])) / 2.0
    low, high = number(shown.of(figure["low"]), half), number(shown.of(figure["high"]), half)
    return f"{number(shown.of(value), half)} {shown.text} (95 %: {low} to {high})"


def _events(record: SessionRecord) -> list[Event]:
    """What the sheet is worked out from, as the journal has it."""
    started = {"label_g": record.label_g, "session": record.session, "job": record.job}
    events = [Event(0, 0, Kind.SESSION_STARTED, record.session, started)]
    events += [Event(0, 0, Kind.LEDGER, record.session, entry.data) for entry in record.ledger]
    for said in record.verdicts:
        data = {"watch": said.verdict["watch"], "verdict": said.verdict}
        events.append(Event(0, 0, Kind.VERDICT, record.session, data))
    return events


def _replaced(figures: Mapping[str, Mapping[str, Any]], listed: SheetList) -> str:
    """`Compressor, Hose or line (2)`."""
    found = []
    for name, figure in figures.items():
        if name.startswith(_REPLACED) and figure["value"] > 0.0:
            text = listed.known[name].text.removesuffix(", replaced")
            found.append(text if figure["value"] == 1.0 else f"{text} ({number(figure['value'])})")
    return ", ".join(found)


def _remarks(said: Mapping[str, Any], listed: SheetList) -> list[str]:
    texts = list(said["notes"])
    for row in said["unusable"]:
        name = row["entry"]
        text = listed.known[name].text if name in listed.known else sentence(name)
        texts.append(f"{text}, entered as {row['value']} {row['unit']}: {row['why']}.".replace(" :", ":"))
    return texts + [f"{row['text']} was not entered: {row['why']}." for row in said["missing"]]


def _entry(entry: Entry, listed: SheetList, system: System) -> Row:
    name, value, unit = told(entry, "entry"), entry.data.get("value"), told(entry, "unit")
    number_like = isinstance(value, int | float) and not isinstance(value, bool)
    shown = in_units(float(value), unit, system) if number_like and value is not None else f"{value} {unit}".strip()
    text = listed.known[name].text if name in listed.known else sentence(name)
    return [when(entry.time), text, shown, told(entry, "who")]


def in_units(value: float, unit: str, system: System) -> str:
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
