"""`baytrace sessions`: what a journal holds."""

from __future__ import annotations

from pathlib import Path

import typer
from rich.table import Column, Table

from baytrace.commands._output import Json, print_json, table_console
from baytrace.commands._where import ConfigAt, JournalAt, journal_directory
from baytrace.journal.reader import JournalReader
from baytrace.records.session import list_sessions


def register(app: typer.Typer) -> None:
    @app.command()
    def sessions(journal: JournalAt = None, config: ConfigAt = Path("bench.toml"), as_json: Json = False) -> None:
        """List the sessions of a journal, newest first; works beside a running daemon."""
        with JournalReader(journal_directory(journal, config)) as reader:
            lines = list_sessions(reader)
        if as_json:
            print_json({"sessions": [line.model_dump() for line in lines]})
            return
        # the id is what other commands want: it is never cut
        table = Table(Column("session", no_wrap=True), "job", "started", "ended", "outcome", "signed off")
        for line in lines:
            ended = line.closed[:19] if line.closed else "running"
            table.add_row(
                line.session,
                line.title,
                line.started[:19],
                ended,
                line.outcome,
                "yes" if line.signed_off else "",
            )
        table_console().print(table if lines else "This journal holds no session.")
