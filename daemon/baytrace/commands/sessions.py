"""`baytrace sessions`: what a journal holds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import typer

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
        console = table_console()
        for row in listed(lines) if lines else ["This journal holds no session."]:
            console.print(row, markup=False, soft_wrap=True)


def listed(lines: Sequence[SessionLine]) -> list[str]:
    """A line a session under a line of headings, in columns; never cut, as other commands want the whole id."""
    rows = [("session", "started, UTC", "took", "outcome", "job"), *map(_row, lines)]
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, wide, strict=True)).rstrip() for row in rows]


def _row(line: SessionLine) -> tuple[str, ...]:
    seconds = (parse_instant(line.closed) - parse_instant(line.started)) / NS if line.closed else None
    took = span(float(round(seconds))) if seconds is not None else "running"
    outcome = f"{line.outcome}, signed off" if line.signed_off else line.outcome
    return line.session, line.started[:16].replace("T", " "), took, outcome, line.title
