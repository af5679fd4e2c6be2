"""Markdown tables, and how a value is written in TOML."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from enum import Enum
from typing import Any


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Empty when there are no rows."""
    lines = [_row(row) for row in rows]
    return "\n".join([_row(heads), "|" + "---|" * len(heads), *lines]) + "\n" if lines else ""


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(" ".join(cell.split()).replace("|", r"\|") for cell in cells) + " |"


def code(text: str) -> str:
    """A code span, also of text that holds a backtick; empty stays empty."""
    if not text:
        return ""
    return f"`` {text} ``" if "`" in text else f"`{text}`"


def as_toml(value: Any) -> str:
    """A value as it would stand behind the `=`."""
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, (int, date)):
        return str(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(name)} = {as_toml(each)}" for name, each in value.items()) + " }"
    return "[" + ", ".join(as_toml(each) for each in value) + "]"


def _key(name: str) -> str:
    return name if name.replace("_", "").replace("-", "").isalnum() and name.isascii() else json.dumps(name)
