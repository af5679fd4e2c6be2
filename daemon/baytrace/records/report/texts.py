"""Figures and instants as words of the reader."""

from __future__ import annotations

from collections.abc import Sequence

from baytrace.records.report.units_shown import System, number, shown_unit
from baytrace.records.session import Entry

Row = list[str]


def when(text: str) -> str:
    """`2026-11-25 09:30:00 UTC` from RFC 3339."""
    return text[:19].replace("T", " ") + " UTC"


def told(entry: Entry, key: str) -> str:
    """What an entry says under a key, empty when nothing."""
    return str(entry.data.get(key) or "")


def place(order: Sequence[str], name: str) -> tuple[int, str]:
    """Where a name comes: as `order` has it, what it does not have after that by name."""
    return (order.index(name) if name in order else len(order), name)


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
