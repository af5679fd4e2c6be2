"""What a settings model says of each of its fields: what it takes, unit, default, meaning, example."""

from __future__ import annotations

import re
import tomllib
import types
from collections.abc import Mapping, Sequence
from datetime import date
from enum import Enum
from functools import cache
from importlib.resources import files
from typing import Any, Literal, NamedTuple, Union, cast, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from baytrace.web.reference.tables import as_toml, code, table

_UNIT_OF_ENDING = {
    "per_k": "1/K",
    "_s": "s",
    "_m": "m",
    "_pa": "Pa",
    "_g": "g",
    "_l": "L",
    "_k": "K",
    "_c": "degC",
    "_ohm": "ohm",
    "_psi": "psi",
    "_percent": "%",
}


class Entry(NamedTuple):
    """One setting, in Markdown but for `key`, `unit` and `example`."""

    key: str
    takes: str
    unit: str
    default: str
    meaning: str
    example: str


LONG = 40
"""A default longer than this is told in the text, not in its column."""
Shown = Mapping[str, Mapping[str, Any]]
"""`example` and `unit` by key, where a field's default or name does not show them."""


@cache
def shown(group: str) -> Shown:
    """What the manual's `words/settings.toml` has for a group of settings."""
    file = files("baytrace_dashboards").joinpath("manual", "words", "settings.toml")
    return cast("Shown", tomllib.loads(file.read_text(encoding="utf-8")).get(group, {}))


def entries(model: type[BaseModel], group: str, samples: Mapping[str, Any] | None = None) -> list[Entry]:
    """Of every field. An example comes from `words/settings.toml`, a sample or the default, in this order."""
    said = shown(group)
    return [
        _entry(
            key, field, said.get(key, {}).get("example", (samples or {}).get(key)), said.get(key, {}).get("unit", "")
        )
        for key, field in model.model_fields.items()
    ]


def settings_table(rows: Sequence[Entry]) -> str:
    """Four columns, so that a phone shows what a setting means without scrolling far."""
    heads = ("key", "default", "unit", "meaning")
    long = "(in the text)"
    return table(
        heads,
        ((code(row.key), row.default if len(row.default) <= LONG else long, row.unit, _told(row)) for row in rows),
    )


def _told(row: Entry) -> str:
    meaning = row.meaning if row.meaning.endswith((".", "?")) else f"{row.meaning}."
    default = f" Default: {row.default}." if len(row.default) > LONG else ""
    example = f" Example: {code(row.example)}" if row.example and len(row.default) <= LONG else ""
    return f"{meaning} Takes {row.takes}.{default}{example}"


def _entry(key: str, field: FieldInfo, example: Any, unit: str) -> Entry:
    default = None if field.is_required() else field.get_default(call_default_factory=True, validated_data={})
    example = default if example is None else example
    usual = "required" if field.is_required() else "" if _empty(default) else code(as_toml(default))
    written = "" if _empty(example) else f"{key} = {as_toml(example)}"
    return Entry(key, takes(field), unit or unit_of(key, field), usual, (field.description or "").strip(), written)


def _empty(value: Any) -> bool:
    return value is None or value is PydanticUndefined or (not value and not isinstance(value, (int, float)))


def unit_of(key: str, field: FieldInfo) -> str:
    """From the ending of its name."""
    if not is_number(field.annotation):
        return ""
    return next((unit for ending, unit in _UNIT_OF_ENDING.items() if key.endswith(ending)), "")


def is_number(annotation: Any) -> bool:
    return annotation in (int, float) or any(each in (int, float) for each in get_args(annotation))


def takes(field: FieldInfo) -> str:
    """`text`, `number`, `true or false` ..., the words it may be, or its range."""
    words = _choices(field.annotation)
    if words:
        return f"one of {', '.join(code(as_toml(word)) for word in words)}"
    return f"{_kind(field.annotation)}{_range(field)}"


def _plain(annotation: Any) -> list[Any]:
    """The members of a union without None."""
    if get_origin(annotation) in (Union, types.UnionType):
        return [each for each in get_args(annotation) if each is not type(None)]
    return [annotation]


def _choices(annotation: Any) -> list[Any]:
    [first, *others] = _plain(annotation)
    if others:
        return []
    if get_origin(first) is Literal:
        return [each for each in get_args(first) if each != ""]
    if isinstance(first, type) and issubclass(first, Enum):
        return list(first)
    return []


def _kind(annotation: Any) -> str:
    kinds = []
    for each in _plain(annotation):
        origin = get_origin(each) or each
        names = {str: "text", bool: "true or false", int: "a whole number", float: "a number", date: "a day"}
        if origin in names:
            kinds.append(names[origin])
        elif isinstance(origin, type) and issubclass(origin, (Mapping, BaseModel)):
            kinds.append("a table")
        else:
            kinds.append("a list")
    return " or ".join(dict.fromkeys(kinds))


def tables_within(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Fields that are tables with keys of their own, or lists of such tables, and the fields of those; by key."""
    found: dict[str, type[BaseModel]] = {}
    for key, field in model.model_fields.items():
        for each in _plain(field.annotation):
            [inner, *_] = [*get_args(each), each] if get_origin(each) is list else [each]
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                found |= {key: inner} | {f"{key}.{name}": deeper for name, deeper in tables_within(inner).items()}
    return found


def _range(field: FieldInfo) -> str:
    found: dict[str, float] = {}
    for each in field.metadata:
        found |= {
            name: getattr(each, name) for name in ("ge", "gt", "le", "lt") if getattr(each, name, None) is not None
        }
    parts = []
    for name, words in (("ge", "from"), ("gt", "above"), ("le", "to"), ("lt", "below")):
        if name in found:
            parts.append(f"{words} {re.sub(r'e[+]0?', 'e', f'{found[name]:.6g}')}")
    return f", {' '.join(parts)}" if parts else ""
