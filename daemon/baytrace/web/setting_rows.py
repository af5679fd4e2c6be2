"""Every setting of a watch as one row of a form: name, meaning, kind, unit, default and where the default comes from.

Nothing is listed here by watch: rows follow from the watch's settings model and from the table of default limits. The unit is
that of the default's limit, else what the setting's name ends in.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from baytrace.watches.limits_table import Limit, limits
from baytrace.watches.watch import WatchSettings

Row = dict[str, Any]
_UNITS = {
    "_per_k": "1/K",
    "_l": "L",
    "_g": "g",
    "_k": "K",
    "_c": "degC",
    "_pa": "Pa",
    "_psi": "psi",
    "_ohm": "ohm",
    "_percent": "%",
    "_s": "s",
    "_m": "m",
}
_OWN_UNITS = {"leak_limit": "Pa*m3/s"}
"""Where the name has no ending and no limit stands behind it."""
_BOUNDS = {"minimum": "least", "maximum": "most", "exclusiveMinimum": "above", "exclusiveMaximum": "below"}


def setting_rows(watch: str, kind: type[WatchSettings]) -> list[Row]:
    """One row a setting, in the model's order."""
    schema = kind.model_json_schema()
    return _rows(kind, schema["properties"], schema.get("$defs", {}), watch)


def _rows(
    model: type[BaseModel], properties: Mapping[str, Any], definitions: Mapping[str, Any], watch: str
) -> list[Row]:
    return [
        _row(name, field, _settled(properties[name], definitions), definitions, watch)
        for name, field in model.model_fields.items()
    ]


def _row(name: str, field: FieldInfo, schema: Mapping[str, Any], definitions: Mapping[str, Any], watch: str) -> Row:
    default = _default(field)
    behind = _limit_behind(name, default, watch)
    row: Row = {
        "name": name,
        "label": _label(name),
        "text": field.description or name.replace("_", " "),
        "kind": _kind(schema),
        "unit": behind.unit if behind is not None and behind.unit != "1" else _unit(name),
        "needed": field.is_required(),
        "default": default,
    }
    row |= {told: schema[bound] for bound, told in _BOUNDS.items() if bound in schema}
    if schema.get("ask"):
        row["ask"] = True
    if "enum" in schema:
        row["choices"] = list(schema["enum"])
    family = f"{watch}.{name}_"
    if row["kind"] != "choice" and (known := [key.removeprefix(family) for key in limits() if key.startswith(family)]):
        row["known"] = known
    if behind is not None:
        row |= {"limit": behind.name, "source": behind.source, "note": behind.note}
    inner = _inner_model(field)
    if row["kind"] == "rows" and inner is not None:
        listed = _settled(schema["items"], definitions)["properties"]
        row["rows"] = _rows(inner, listed, definitions, watch)
    return row


def _settled(schema: Mapping[str, Any], definitions: Mapping[str, Any]) -> dict[str, Any]:
    """With references followed, and without the `null` of a setting that may be left out."""
    if "$ref" in schema:
        named = definitions[schema["$ref"].rpartition("/")[2]]
        return {**named, **{key: value for key, value in schema.items() if key != "$ref"}}
    if "anyOf" in schema:
        given = [part for part in schema["anyOf"] if part.get("type") != "null"]
        around = {key: value for key, value in schema.items() if key != "anyOf"}
        return {**around, **_settled(given[0], definitions)} if given else around
    return dict(schema)


def _kind(schema: Mapping[str, Any]) -> str:
    """`number`, `whole`, `text`, `choice`, `yes or no`, `list`, `grid` (lines of numbers), `rows` (of a form) or `document` (JSON)."""
    if "enum" in schema:
        return "choice"
    simple = {"number": "number", "integer": "whole", "boolean": "yes or no", "array": "list", "object": "document"}
    kind = simple.get(schema.get("type", ""), "text")
    items = schema.get("items", {}) if kind == "list" else {}
    if items.get("type") == "array":
        return "grid"
    return "rows" if "$ref" in items else kind


def _default(field: FieldInfo) -> Any:
    if field.default_factory is not None:
        return field.get_default(call_default_factory=True, validated_data={})
    return None if field.default is PydanticUndefined else field.default


def _inner_model(field: FieldInfo) -> type[BaseModel] | None:
    inner = next(iter(getattr(field.annotation, "__args__", ())), None)
    return inner if isinstance(inner, type) and issubclass(inner, BaseModel) else None


def _limit_behind(name: str, default: Any, watch: str) -> Limit | None:
    """The entry of the limits table a default was taken from: the same value under the setting's name, the watch's own first."""
    if default is None:
        return None
    wanted = {name, next((name.removesuffix(end) for end in _UNITS if name.endswith(end)), name)}
    found = [row for key, row in limits().items() if key.partition(".")[2] in wanted and _same(row.value, default)]
    found.sort(key=lambda row: row.name.partition(".")[0] != watch)
    return found[0] if found else None


def _same(one: Any, other: Any) -> bool:
    return type(one) is not bool and bool(one == other)


def _label(name: str) -> str:
    """`deep vacuum` for `deep_vacuum_s`: the unit stands beside it."""
    return name.removesuffix(next((end for end in _UNITS if name.endswith(end)), "")).replace("_", " ")


def _unit(name: str) -> str:
    return _OWN_UNITS.get(name) or next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
