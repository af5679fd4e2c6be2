"""`baytrace check`: a configuration checked without touching hardware."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import read_config
from baytrace.commands._output import Json, print_json, table_console

Config = Annotated[Path, typer.Option("--config", help="The bench.toml to read.")]


def register(app: typer.Typer) -> None:
    @app.command()
    def check(config: Config = Path("bench.toml"), as_json: Json = False) -> int:
        """Check a bench.toml: every fault at once, each with file, key, what is wrong and what would be right."""
        ready, faults = read_config(config)
        if as_json:
            print_json({"file": str(config), "ok": not faults, "faults": [fault._asdict() for fault in faults]})
        if ready is None:
            for fault in faults:
                print(fault.line(config), file=sys.stderr)
            return 2
        if not as_json:
            channels = ready.channels
            table_console().print(
                f"{config}: good. {len(ready.instruments)} instruments, {len(channels)} channels, {len(ready.limits)} limits."
            )
        return 0
