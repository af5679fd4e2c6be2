"""`baytrace backup`: a consistent copy of a journal, also while the daemon runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.commands._output import Json, print_json
from baytrace.commands._where import ConfigAt, JournalAt, journal_directory
from baytrace.journal.sqlite import backup as copy_journal


def register(app: typer.Typer) -> None:
    @app.command()
    def backup(
        to: Annotated[Path, typer.Option("--to", help="A directory that holds no journal yet.")],
        journal: JournalAt = None,
        config: ConfigAt = Path("bench.toml"),
        as_json: Json = False,
    ) -> None:
        """Copy the journal; it may be in use. Nothing is ever written over."""
        made = copy_journal(journal_directory(journal, config), to)
        if as_json:
            print_json({"backup": str(made), "bytes": made.stat().st_size})
        else:
            print(made)
