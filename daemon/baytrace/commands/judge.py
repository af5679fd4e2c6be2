"""`baytrace judge`: any watch over any recorded trace."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from baytrace.commands._output import EXIT_OF, Json, print_json, settings_from, table_console
from baytrace.measure.faults import BadInput
from baytrace.measure.verdict import Verdict
from baytrace.records.pack_journal import PackJournal
from baytrace.records.pack_reading import is_pack
from baytrace.records.replay import replay
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
    return replay({watch: settings}, read)[0]


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
        as_json: Json = False,
    ) -> int:
        """Judge a recorded trace. Exit 0 pass, 1 fail, 3 undecided.

        A pack is judged with the settings its session had for the watch, where --set says nothing else.
        """
        settings = settings_from(setting or ())
        if is_pack(trace):
            with trusted_contents(trace) as (data, _):
                planned = PackJournal(data).record.plan.get(watch, {})
                verdict = judge_trace(data / "readings.csv", watch, dict(planned) | settings)
        else:
            verdict = judge_trace(trace, watch, settings)
        if as_json:
            print_json(verdict.to_json())
        else:
            _print(verdict)
        return EXIT_OF[verdict.outcome]


def _print(verdict: Verdict) -> None:
    console = table_console()
    console.print(f"{verdict.watch}: [bold]{verdict.outcome}[/bold], {verdict.finding}")
    for reason in verdict.reasons:
        console.print(f"  - {reason}", markup=False)
    for name, figure in verdict.evidence.items():
        interval = (
            f"  ({figure.low:.4g} to {figure.high:.4g})" if figure.low is not None and figure.high is not None else ""
        )
        console.print(f"  {name}: {figure.value:.6g} {figure.unit}{interval}", markup=False)
