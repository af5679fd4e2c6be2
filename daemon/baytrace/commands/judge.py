"""`baytrace judge`: any watch over any recorded trace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from baytrace.commands._output import EXIT_OF, Json, print_json, settings_from, table_console
from baytrace.measure.faults import BadInput
from baytrace.measure.roles import called
from baytrace.measure.verdict import Verdict
from baytrace.records.pack_journal import PackJournal
from baytrace.records.pack_reading import is_pack
from baytrace.records.replay import replay
from baytrace.records.report.figures import coil_row, figure_rows
from baytrace.records.report.units_shown import System, restated, system_named
from baytrace.records.trace_csv import read_trace
from baytrace.records.verifying import trusted_contents
from baytrace.watches.watch import watch_named


def judge_trace(trace: Path, watch: str, settings: dict[str, Any]) -> Verdict:
    """The verdict of one watch over one CSV trace. `elevation_m` and `accuracy.<role>` also tell how to read the trace."""
    kind = watch_named(watch)
    accuracies = {
        key.removeprefix("accuracy."): settings.pop(key) for key in list(settings) if key.startswith("accuracy.")
    }
    elevation = settings.get("elevation_m")
    if elevation is not None:
        try:
            elevation = float(elevation)
        except (TypeError, ValueError):
            raise BadInput(
                f"{elevation!r} is no number", where="elevation_m", right="give metres above sea level"
            ) from None
        if "elevation_m" not in kind.Settings.model_fields:
            settings.pop("elevation_m")
    read = read_trace(trace, elevation_m=elevation, accuracies=accuracies)
    verdict = replay({watch: settings}, read)[0]
    assumed = [channel for channel in read.assumed if channel.role in kind.roles and channel.accuracy.text != "0"]
    if not assumed:
        return verdict
    taken = ", ".join(f"{called(each.role, each.name)} {each.accuracy.text}" for each in assumed)
    said = f"the trace tells no accuracies; usual instruments are assumed ({taken}): say others as --set accuracy.ROLE=TEXT"
    return replace(verdict, reasons=(*verdict.reasons, said))


def register(app: typer.Typer) -> None:
    @app.command()
    def judge(
        trace: Annotated[Path, typer.Argument(help="A trace as CSV, or a trace pack.")],
        watch: Annotated[
            str,
            typer.Option(
                "--watch", help="The watch that judges: evacuation, charge, pressures, sweep, pressure_hold, limits ..."
            ),
        ],
        setting: Annotated[
            list[str] | None,
            typer.Option("--set", metavar="KEY=VALUE", help="A setting of the watch; may be repeated."),
        ] = None,
        units: Annotated[str, typer.Option("--units", help="SI or US, for people; JSON is in SI.")] = "SI",
        as_json: Json = False,
    ) -> int:
        """Judge a recorded trace. Exit 0 pass, 1 fail, 3 undecided.

        A pack is judged with the settings its session had for the watch, where --set says nothing else.
        """
        system, settings = system_named(units), settings_from(setting or ())
        if is_pack(trace):
            with trusted_contents(trace) as (data, _):
                planned = PackJournal(data).record.plan.get(watch, {})
                verdict = judge_trace(data / "readings.csv", watch, dict(planned) | settings)
        else:
            verdict = judge_trace(trace, watch, settings)
        if as_json:
            print_json(verdict.to_json())
        else:
            _print(verdict.to_json(), system)
        return EXIT_OF[verdict.outcome]


def _print(verdict: Mapping[str, Any], system: System) -> None:
    console = table_console()
    console.print(f"{verdict['watch']}: [bold]{verdict['verdict']}[/bold], {verdict['finding']}")
    for reason in verdict["reasons"]:
        console.print(f"  - {restated(reason, system)}", markup=False)
    _table(console, ("figure", "value", "95 % interval"), list(figure_rows(verdict, system).values()))
    coils = [coil_row(coil, system) for coil in verdict.get("coils", ())]
    _table(console, ("coil", "finding", "measured", "95 % interval", "at reference", "95 % interval"), coils)


def _table(console: Console, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    if not rows:
        return
    table = Table(*head, box=box.SIMPLE_HEAD, pad_edge=False)
    for row in rows:
        table.add_row(*map(escape, row))
    console.print(table)
