"""`baytrace export`: a session as a file that stands on its own."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from baytrace.commands._output import Json, people, print_json
from baytrace.commands._where import ConfigAt, JournalAt, journal_directory, keys_directory
from baytrace.journal.reader import JournalReader
from baytrace.records.exporting import export_session
from baytrace.records.report.writing import ReportOptions


class Format(StrEnum):
    PACK = "pack"
    CSV = "csv"
    PARQUET = "parquet"
    HTML = "html"
    PDF = "pdf"


class Paper(StrEnum):
    A4 = "a4"
    LETTER = "letter"


class Units(StrEnum):
    SI = "SI"
    US = "US"


def register(app: typer.Typer) -> None:
    @app.command()
    def export(
        session: Annotated[str, typer.Argument(help="The session's id, as `baytrace sessions` lists it.")],
        to: Annotated[Path, typer.Option("--to", help="Directory to write to.")],
        form: Annotated[Format, typer.Option("--format", help="What to write.")] = Format.PACK,
        journal: JournalAt = None,
        config: ConfigAt = Path("bench.toml"),
        unsigned: Annotated[bool, typer.Option("--unsigned", help="Leave the signature out.")] = False,
        paper: Annotated[Paper, typer.Option("--paper", help="Paper of the PDF.")] = Paper.A4,
        units: Annotated[Units, typer.Option("--units", help="Units of the reports.")] = Units.SI,
        as_json: Json = False,
    ) -> None:
        """Export a session as a trace pack, CSV, Parquet, or report; works beside a running daemon."""
        directory = journal_directory(journal, config)
        keys = None if unsigned else keys_directory(journal, config)
        options = ReportOptions(paper=str(paper), units=str(units))
        with JournalReader(directory) as reader, Progress(console=people(), transient=True) as bar:
            task = bar.add_task("exporting", total=1.0)
            path = export_session(
                reader,
                session,
                to,
                str(form),
                lambda share, what: bar.update(task, completed=share, description=what),
                keys=keys,
                options=options,
            )
        if as_json:
            print_json({"session": session, "format": str(form), "path": str(path), "bytes": path.stat().st_size})
        else:
            print(path)
