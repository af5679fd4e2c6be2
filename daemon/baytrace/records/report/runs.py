"""The runs of the loop side by side: each settled run a column, and what moved since the loop was worked on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from baytrace.records.report.figures import figure_row
from baytrace.records.report.texts import Row, span
from baytrace.records.report.units_shown import System, restated
from baytrace.records.report.wording import sentence

_FIGURES = (
    "ambient_temperature",
    "ambient_humidity",
    "low_side_pressure",
    "high_side_pressure",
    "evaporating_temperature",
    "condensing_temperature",
    "gas_cooler_pressure",
    "superheat",
    "subcooling",
    "pressure_ratio",
    "vent_temperature",
    "vent_depression",
)
_MOST = 5
"""Columns that a page holds; of more runs the first and the last are shown."""
_JUDGES = ("pressures", "charge")


def runs_table(verdicts: Sequence[Mapping[str, Any]], system: System) -> dict[str, list[Any]]:
    """`heads` and `rows` of the table and `said` beneath it; empty where the loop ran once or not at all."""
    by_watch = {verdict["watch"]: verdict.get("running", []) for verdict in verdicts}
    runs: Sequence[Mapping[str, Any]] = next(
        (by_watch[watch] for watch in _JUDGES if len(by_watch.get(watch, ())) > 1), []
    )
    if not runs:
        return {}
    numbered = list(enumerate(runs, 1))
    shown = numbered if len(numbered) <= _MOST else [numbered[0], *numbered[1 - _MOST :]]
    rows = [
        ["State", *(sentence(str(run["state"])) for _, run in shown)],
        ["Marked", *(", ".join(run.get("conditions", {}).values()) for _, run in shown)],
        ["From the start", *(span(float(round(run["from_s"]))) for _, run in shown)],
        ["Settled", *("yes" if run["settled"] else "no" for _, run in shown)],
    ]
    rows += [row for name in _FIGURES if any((row := _row(name, shown, system))[1:])]
    said = [
        restated(f"Run {number} against the run before the work: {moved}.", system)
        for number, run in shown
        for moved in _moved(run)
    ]
    return {"heads": ["Figure", *(f"Run {number}" for number, _ in shown)], "rows": rows, "said": said}


def _row(name: str, shown: Sequence[tuple[int, Mapping[str, Any]]], system: System) -> Row:
    cells = []
    label = name
    for _, run in shown:
        figure = run["evidence"].get(name)
        told = figure_row(name, figure, system) if figure is not None else [name, ""]
        label = told[0] if figure is not None else label
        cells.append(told[1])
    return [label, *cells]


def _moved(run: Mapping[str, Any]) -> list[str]:
    """What differs from the run before the work on the loop, or why nothing was compared."""
    return [*run.get("said", ()), *(f"not compared, {why}" for why in run.get("not_compared", ()))]
