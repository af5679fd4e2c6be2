"""`baytrace sessions`: what a journal holds."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import typer
from rich import box
from rich.markup import escape
from rich.table import Column, Table

from baytrace.commands._output import Json, print_json, table_console
from baytrace.commands._where import ConfigAt, JournalAt, journal_directory
from baytrace.journal.reader import JournalReader
from baytrace.measure.instant import NS, parse_instant
from baytrace.records.report.texts import span
from baytrace.records.session import SessionLine, list_sessions


def register(app: typer.Typer) -> None:
    @app.command()
    def sessions(journal: JournalAt = None, config: ConfigAt = Path("bench.toml"), as_json: Json = False) -> None:
        """List the sessions of a journal, newest first; works beside a running daemon."""
        with JournalReader(journal_directory(journal, config)) as reader:
            lines = list_sessions(reader)
        if as_json:
            print_json({"sessions": [line.model_dump() for line in lines]})
            return
        table_console().print(listed(lines) if lines else "This journal holds no session.")


def listed(lines: Iterable[SessionLine]) -> Table:
    """A row a session."""
    # the id is what other commands want: it is never cut
    whole = [Column(name, no_wrap=True) for name in ("session", "started, UTC", "took", "outcome")]
    table = Table(*whole, "job", box=box.SIMPLE_HEAD, pad_edge=False)
    for line in lines:
        seconds = (parse_instant(line.closed) - parse_instant(line.started)) / NS if line.closed else None
        took = span(float(round(seconds))) if seconds is not None else "running"
        started = line.started[:16].replace("T", " ")
        outcome = f"{line.outcome}, signed off" if line.signed_off else line.outcome
        table.add_row(line.session, started, took, outcome, escape(line.title))
    return table
