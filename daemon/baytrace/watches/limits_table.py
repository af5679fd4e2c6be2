"""Every default limit, in one table with unit and provenance, gathered from the files in `watches/defaults/`.

Each file is `defaults/<watch>.toml` with one table per limit: `value`, `unit`, `source`, and `note` where needed.
A limit without a published source says "common practice, no source".
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

from baytrace.measure.faults import BadInput


class Limit(NamedTuple):
    """`value` is a number, text or list in `unit`; `source` says where it comes from."""

    name: str
    value: Any
    unit: str
    source: str
    note: str = ""


@cache
def limits() -> dict[str, Limit]:
    """By `watch.limit`. Raises BadInput for an entry without unit or source."""
    table: dict[str, Limit] = {}
    for entry in sorted(files("baytrace.watches").joinpath("defaults").iterdir(), key=lambda path: path.name):
        if not entry.name.endswith(".toml"):
            continue
        group = entry.name.removesuffix(".toml")
        for name, row in tomllib.loads(entry.read_text(encoding="utf-8")).items():
            missing = [key for key in ("value", "unit", "source") if key not in row]
            if missing:
                raise BadInput(f"limit {name} lacks {', '.join(missing)}", where=entry.name)
            table[f"{group}.{name}"] = Limit(
                f"{group}.{name}", row["value"], row["unit"], row["source"], row.get("note", "")
            )
    return table


def limit(name: str) -> Any:
    """The default value of `watch.limit`."""
    return limits()[name].value
