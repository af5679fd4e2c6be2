"""`baytrace doctor`: what on this machine would spoil a record, each with its cure."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import load_config
from baytrace.commands._output import Json, print_json, table_console
from baytrace.commands._probes import examine


def register(app: typer.Typer) -> None:
    @app.command()
    def doctor(
        config: Annotated[
            Path | None, typer.Option("--config", help="Also look at what this bench.toml needs.")
        ] = None,
        as_json: Json = False,
    ) -> int:
        """Look for what would spoil a record; each finding with its cure. Exit 5 when something is wrong.

        Always: SQLite's version, the clock and its source, serial ports, the disk's fsync and room. With --config: each
        instrument's port, the web port, tokens and certificate, a connection to the broker, a row to the server and back.
        """
        findings = examine(load_config(config) if config else None)
        if as_json:
            print_json({"findings": [each._asdict() for each in findings]})
        else:
            for each in findings:
                table_console().print(
                    f"{'✓' if each.good else '✗'} {each.what}: {each.detail}"
                    + (f"\n    cure: {each.cure}" if each.cure else ""),
                    markup=False,
                    soft_wrap=True,
                )
        return 0 if all(each.good for each in findings) else 5
