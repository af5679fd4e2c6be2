"""A verdict's figures as rows of text in the reader's units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from baytrace.records.report.texts import Row, place, span
from baytrace.records.report.units_shown import System, number, shown_unit
from baytrace.records.report.wording import FIGURES, KEY_FIGURES, sentence


def figure_rows(verdict: Mapping[str, Any], system: System) -> dict[str, Row]:
    """By name, the key figures of the watch first; what repeats a leak rate in a unit US readers do not use is left out there."""
    evidence: Mapping[str, Mapping[str, Any]] = {**verdict.get("evidence", {}), **verdict.get("also", {})}
    order = [*KEY_FIGURES.get(verdict["watch"], ()), *FIGURES]
    return {
        name: figure_row(name, figure, system)
        for name, figure in sorted(evidence.items(), key=lambda item: place(order, item[0]))
        if system is System.SI or figure["unit"] != "mbar*L/s"
    }


def figure_row(name: str, figure: Mapping[str, Any], system: System) -> Row:
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


def coil_row(coil: Mapping[str, Any], system: System) -> Row:
    """Name, finding, measured and its interval, at the reference temperature and its interval."""
    row = [str(coil.get("name") or coil["position"]), sentence(coil["finding"])]
    for key in ("resistance", "at_reference"):
        figure = coil.get(key)
        row += figure_row(key, figure, system)[1:] if figure else ["", ""]
    return row
