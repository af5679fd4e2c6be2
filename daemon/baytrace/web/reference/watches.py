"""Every watch with its settings, and every default limit with its unit and where it comes from."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from baytrace.watches.limit_rules import Rule
from baytrace.watches.limits_table import Limit, limits
from baytrace.watches.watch import watches
from baytrace.web.reference.fields import entries, settings_table, tables_within
from baytrace.web.reference.tables import code, table

TITLE = "Reference: watches, their settings and limits"

_HEAD = f"""# {TITLE}

A setting holds for one session: give it when you start the session, or to `baytrace judge` as `--set KEY=VALUE`. A setting left
out takes its default; a default that is a limit stands in the table beneath, with its unit and where it comes from. "Common
practice, no source" means what it says: it is what the trade does, and the vehicle maker's figure comes first.
"""

_OTHERS = {
    "own": "A running loop judged by figures of the car itself; see [The car's own figures](/manual/own).",
    "laws": "What the laws of a running loop allow for, and how far what is not known may lie; see [Laws first](/manual/charge#laws-first).",
    "decision": "Decisions and calibration, for every watch; see [Trust](/manual/trust).",
    "instruments": "The accuracy taken for a channel whose accuracy is not given, by role. The figure on your instrument's "
    "data sheet comes first.",
}


def page() -> str:
    parts = [_HEAD]
    for name, watch in watches().items():
        roles = ", ".join(code(str(role)) for role in sorted(watch.roles))
        listens = "every role" if name == "limits" else roles
        said = watch.summary.rstrip(".")
        parts += [f"## {name}", "", f"{said[0].upper()}{said[1:]}. Listens to: {listens}.", ""]
        parts += [f"### Settings of {name}", "", settings_table(entries(watch.Settings, name))]
        for key, model in tables_within(watch.Settings).items():
            if model is not Rule:  # told with bench.toml, where a shop writes them
                parts += [f"### Keys of {code(key)} of {name}", "", settings_table(entries(model, key)), ""]
        parts += _limits(name, f"### Default limits of {name}")
    for group, words in others():
        parts += [*_limits(group, f"## {group}", words)]
    return "\n".join(parts)


def others() -> Iterator[tuple[str, str]]:
    """Groups of limits that belong to no single watch."""
    for group in dict.fromkeys(name.partition(".")[0] for name in limits()):
        if group not in watches():
            yield group, _OTHERS.get(group, "")


def _limits(group: str, heading: str, words: str = "") -> list[str]:
    rows = [_row(row) for name, row in limits().items() if name.startswith(f"{group}.")]
    return [heading, "", words, "", table(("limit", "value", "unit", "meaning", "source"), rows)] if rows else []


def _row(row: Limit) -> tuple[str, ...]:
    return code(row.name.partition(".")[2]), _value(row.value), row.unit, meaning(row), row.source


def meaning(row: Limit) -> str:
    """The table's own note, else what the setting of the same name says."""
    group, _, name = row.name.partition(".")
    models = [Rule] if group == "limits" else [watches()[group].Settings] if group in watches() else []
    return row.note or next(
        (str(each.model_fields[name].description) for each in models if name in each.model_fields), ""
    )


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return _named(value)
    if isinstance(value, list) and value and isinstance(value[0], list):
        return "; ".join(", ".join(f"{each:g}" for each in line) for line in value)
    if isinstance(value, list):
        return code(json.dumps(value))
    return f"{value:.8g}" if isinstance(value, float) else str(value)


def _named(values: dict[str, Any]) -> str:
    """`name value`, as many as there are; of tables, each with its own behind a colon."""
    tables = any(isinstance(each, dict) for each in values.values())
    return ("; " if tables else ", ").join(
        f"{name}{':' if tables else ''} {_value(each)}" for name, each in values.items()
    )
