"""`baytrace export`: a session as a file that stands on its own."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from baytrace.commands._output import Json, people, print_json
from baytrace.commands._where import ConfigAt, JournalAt, journal_directory, keys_directory
from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput
from baytrace.records.exporting import export_session
from baytrace.records.pack_journal import PackJournal
from baytrace.records.pack_reading import suspected
from baytrace.records.report.writing import ReportOptions
from baytrace.records.verifying import State, trusted_contents

Told = Callable[[float, str], None]


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
        session: Annotated[
            str, typer.Argument(help="The session's id, as `baytrace sessions` lists it; or a trace pack.")
        ],
        to: Annotated[Path, typer.Option("--to", help="Directory to write to.")],
        form: Annotated[Format, typer.Option("--format", help="What to write.")] = Format.PACK,
        journal: JournalAt = None,
        config: ConfigAt = Path("bench.toml"),
        unsigned: Annotated[bool, typer.Option("--unsigned", help="Leave the signature out.")] = False,
        paper: Annotated[Paper, typer.Option("--paper", help="Paper of the PDF.")] = Paper.A4,
        units: Annotated[Units, typer.Option("--units", help="Units of the reports.")] = Units.SI,
        as_json: Json = False,
    ) -> None:
        """Export a session as a trace pack, CSV, Parquet, or report; works beside a running daemon, and from a pack alone."""
        options = ReportOptions(paper=str(paper), units=str(units))
        with Progress(console=people(), transient=True) as bar:
            task = bar.add_task("exporting", total=1.0)

            def told(share: float, what: str) -> None:
                bar.update(task, completed=share, description=what)

            if journal is None and Path(session).exists():
                session, path = _from_pack(Path(session), to, form, told, options)
            else:
                keys = None if unsigned else keys_directory(journal, config)
                with JournalReader(journal_directory(journal, config)) as reader:
                    path = export_session(reader, session, to, str(form), told, keys=keys, options=options)
        if as_json:
            print_json({"session": session, "format": str(form), "path": str(path), "bytes": path.stat().st_size})
        else:
            print(path)


def _from_pack(pack: Path, to: Path, form: Format, told: Told, options: ReportOptions) -> tuple[str, Path]:
    """The session's id and the file made of it. What a reader of the pack must know goes to stderr."""
    if form is Format.PACK:
        # signed again, it would no longer say whose record it is
        raise BadInput(
            "is a trace pack already", where=str(pack), right="ask for --format csv, parquet, html or pdf, or copy it"
        )
    with trusted_contents(pack, lambda share, what: told(0.3 * share, what)) as (data, report):
        for check in report.checks:
            if check.state is State.CAUTION:
                people().print(f"{check.what}: {check.text}", markup=False, soft_wrap=True)
        with suspected(f"{pack}: the session"):
            journal = PackJournal(data)
            session = journal.record.session
            path = export_session(
                journal, session, to, str(form), lambda share, what: told(0.3 + 0.7 * share, what), options=options
            )
    return session, path
