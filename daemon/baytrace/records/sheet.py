"""The session's sheet: what came out, what went in, and the balances between them.

Rules of this file:
- Pure folds over one session's events; what is not entered is asked for, never taken as zero.
- Masses are worked out in g, volumes in mL, whatever unit an entry was made in. An entry that cannot be read as its quantity
  is listed as `unusable` with the reason; it never disappears.
- The compressor's oil is what was drained from the old one; other parts have allowances (data, `job/sheet.toml`).
      oil to add = drained + came out with the refrigerant + allowances of replaced parts - left in the new compressor
- What was charged is the entry when there is one, else what the charge watch weighed, with its interval.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from baytrace.measure.reading import Event
from baytrace.records.job_lists import COMPRESSOR, SheetList, default_sheet, lists_of
from baytrace.records.vocabulary import Kind

_FACTORS: Mapping[str, Mapping[str, float]] = {
    "g": {"g": 1.0, "kg": 1000.0, "oz": 28.349523125, "lb": 453.59237},
    "mL": {"mL": 1.0, "ml": 1.0, "cm3": 1.0, "L": 1000.0, "fl oz": 29.5735295625, "floz": 29.5735295625},
    "N m": {"N m": 1.0, "Nm": 1.0, "lbf ft": 1.355_817_948_331_4, "lbf in": 0.112_984_829_027_6, "kgf m": 9.806_65},
    "pieces": {"pieces": 1.0, "1": 1.0, "": 1.0},
}
_CORRECTABLE = "correct it with a further entry"

Document = dict[str, Any]


def units_of(unit: str) -> list[str]:
    """In which units an entry may be made, the one it is worked out in first; each spelled once."""
    return {"g": ["g", "kg", "oz", "lb"], "mL": ["mL", "L", "fl oz"], "N m": ["N m", "lbf ft", "lbf in", "kgf m"]}.get(
        unit, [unit]
    )


def entries(sheet: SheetList | None = None) -> list[dict[str, Any]]:
    """What a person can enter, in the sheet's order: `id`, `text`, `unit`, `units` it may be entered in."""
    known = (sheet or default_sheet()).known
    return [
        {"id": name, "text": entry.text, "unit": entry.unit, "units": units_of(entry.unit)}
        for name, entry in known.items()
    ]


@dataclass(slots=True)
class Sheet:
    """`values` by entry in g, mL or pieces; `unusable` says which entries could not be read and why."""

    values: dict[str, float] = field(default_factory=dict)
    unusable: list[Document] = field(default_factory=list)
    weighed: Document | None = None
    """The charge watch's charged mass: value, low, high in g."""


def fold(events: Iterable[Event], sheet: SheetList) -> Sheet:
    """The sheet's figures from a session's events, in their order."""
    found = Sheet()
    known = sheet.known
    for event in events:
        if event.kind == Kind.SESSION_STARTED and event.data.get("label_g"):
            found.values["label_charge"] = float(event.data["label_g"])
        elif event.kind == Kind.LEDGER:
            _enter(found, known, event.data)
        elif event.kind == Kind.VERDICT and event.data.get("watch") == "charge":
            mass = event.data.get("verdict", {}).get("evidence", {}).get("charged_mass")
            found.weighed = dict(mass) if mass and mass.get("unit") == "g" else None
    for name, entry in known.items():
        if entry.adds and found.values.get(name, 0.0) < 0.0:
            total = found.values.pop(name)
            found.unusable.append(
                {
                    "entry": name,
                    "value": total,
                    "unit": entry.unit,
                    "why": f"adds up to less than nothing; {_CORRECTABLE}",
                }
            )
    return found


def _enter(found: Sheet, known: Mapping[str, Any], data: Mapping[str, Any]) -> None:
    name, value, unit = str(data.get("entry", "")), data.get("value"), str(data.get("unit") or "")
    entry = known.get(name)
    if entry is None:
        return  # the ledger may hold more than the sheet works out; it is shown as entered
    why = ""
    factor = _FACTORS[entry.unit].get(unit)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        why = f"not a number; {_CORRECTABLE}"
    elif factor is None:
        why = f"unit {unit!r} does not measure it; use one of {', '.join(u for u in _FACTORS[entry.unit] if u)}"
    elif not entry.adds and value <= 0.0:
        why = "not above zero; enter it again"
    if why or factor is None:
        found.unusable.append({"entry": name, "value": value, "unit": unit, "why": why})
        return
    amount = float(value) * factor  # type: ignore[arg-type]  # a finite number, seen above
    found.values[name] = found.values.get(name, 0.0) + amount if entry.adds else amount


def sheet_document(events: Sequence[Event], sheet: SheetList | None = None) -> Document:
    """The sheet of one session: `figures` (as they count, SI-like units), `balances`, `parts`, `missing`, `unusable`, `notes`.

    A balance is left out while something it needs is missing; `missing` says what (`entry`, `text`, `unit`, `why`).
    """
    listed = sheet or lists_of(events)[1]
    found = fold(events, listed)
    needs: dict[str, str] = {}
    figures = {
        name: {"value": found.values[name], "unit": entry.unit}
        for name, entry in listed.known.items()
        if name in found.values
    }
    notes: list[str] = []
    balances = _mass(found, needs, notes) | _oil(found, listed, needs)
    return {
        "figures": figures,
        "balances": balances,
        "parts": _parts(found, listed),
        "missing": [
            {"entry": name, "text": listed.known[name].text, "unit": listed.known[name].unit, "why": why}
            for name, why in needs.items()
        ],
        "unusable": found.unusable,
        "notes": notes,
    }


def _grams(value: float, unit: str = "g") -> Document:
    return {"value": round(value, 6), "unit": unit}


def _need(found: Sheet, needs: dict[str, str], names: Iterable[str], why: str) -> bool:
    """Whether all are entered; those that are not are asked for, once."""
    lacking = [name for name in names if name not in found.values]
    for name in lacking:
        needs.setdefault(name, why)
    return not lacking


def _charged(found: Sheet, notes: list[str]) -> Document | None:
    """What went in: as entered, else as weighed. An entry outside the scale's interval is said."""
    entered, weighed = found.values.get("charged"), found.weighed
    if entered is None:
        return weighed
    if weighed is not None:
        middle = float(weighed["value"])
        low, high = float(weighed.get("low", middle)), float(weighed.get("high", middle))
        if not low <= entered <= high:
            notes.append(f"{entered:g} g were entered as charged, but the scale saw {middle:.0f} g.")
    return {"value": entered, "unit": "g"}


def _mass(found: Sheet, needs: dict[str, str], notes: list[str]) -> Document:
    balances: Document = {}
    charged = _charged(found, notes)
    if charged is None:
        needs["charged"] = "nothing weighed it, so it has to be entered"
    if _need(found, needs, ("recovered", "label_charge"), "the refrigerant balance needs it"):
        balances["missing_before_service"] = _grams(found.values["label_charge"] - found.values["recovered"])
    if charged is not None and "label_charge" in found.values:
        over = _grams(charged["value"] - found.values["label_charge"])
        if "low" in charged and "high" in charged:
            over |= {edge: round(charged[edge] - found.values["label_charge"], 6) for edge in ("low", "high")}
        balances["charged_over_label"] = over
    if charged is not None and "recovered" in found.values:
        balances["charged_less_recovered"] = _grams(charged["value"] - found.values["recovered"])
    return balances


def _oil(found: Sheet, listed: SheetList, needs: dict[str, str]) -> Document:
    balances: Document = {}
    known = _need(found, needs, ("oil_recovered",), "oil leaves with the refrigerant (0 when there was none)")
    known &= _need(found, needs, (f"replaced_{COMPRESSOR}",), "how many were replaced (0 for none)")
    values = found.values
    to_add = values.get("oil_recovered", 0.0) + sum(row["oil"]["value"] for row in _parts(found, listed))
    if values.get(f"replaced_{COMPRESSOR}", 0.0) > 0.0:
        known &= _need(found, needs, ("oil_drained",), "the new compressor gets what the old one held")
        known &= _need(found, needs, ("oil_in_new_part",), "what is in it already need not be added (0 when dry)")
        to_add += values.get("oil_drained", 0.0) - values.get("oil_in_new_part", 0.0)
    if known:
        balances["oil_to_add" if to_add >= 0.0 else "oil_to_take_out"] = _grams(abs(to_add), "mL")
    if _need(found, needs, ("oil_added",), "the oil balance needs it (0 when none was added)") and known:
        balances["oil_added_over_needed"] = _grams(values["oil_added"] - to_add, "mL")
    return balances


def _parts(found: Sheet, listed: SheetList) -> list[Document]:
    """Replaced parts with an allowance: how many, and the oil that goes in for them."""
    return [
        {
            "part": name,
            "text": part.text,
            "count": found.values[f"replaced_{name}"],
            "oil": _grams(part.oil_ml * found.values[f"replaced_{name}"], "mL"),
            "source": part.source,
        }
        for name, part in listed.parts.items()
        if found.values.get(f"replaced_{name}", 0.0) > 0.0
    ]
