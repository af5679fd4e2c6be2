"""`baytrace forward`: the copy at the time-series server."""

from __future__ import annotations

import os
import signal
import tempfile
import threading
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import BenchConfig, load_config
from baytrace.bench.config_sections import ForwardSection
from baytrace.commands._logs import inherited_form, start_logging
from baytrace.commands._output import Json, people, print_json, table_console
from baytrace.commands._server import server_of
from baytrace.forward.cursor import CursorFile
from baytrace.forward.forwarder import Forwarder
from baytrace.forward.server import Server
from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import parse_instant

Config = Annotated[Path, typer.Option("--config", help="The bench.toml that says where to forward to.")]


FAR_NS = 2**62


def _section(config: BenchConfig) -> ForwardSection:
    if config.forward is None:
        raise BadInput(
            "there is no [forward] table", where=str(config.file), right='add [forward] with url = "http://..."'
        )
    return config.forward


def _server(config: BenchConfig) -> Server:
    return server_of(config, _section(config))


def _parent_gone(parent: int, stop: threading.Event) -> None:
    while not stop.wait(1.0):
        if os.getppid() != parent:
            stop.set()


def register(app: typer.Typer) -> None:
    forward = typer.Typer(no_args_is_help=True, help="The copy at the time-series server: its state, sending again.")
    app.add_typer(forward, name="forward")

    @forward.command()
    def run(
        config: Config = Path("bench.toml"),
        with_parent: Annotated[bool, typer.Option("--with-parent", hidden=True)] = False,
    ) -> None:
        """Forward until stopped. The daemon runs this by itself where bench.toml says where to forward to."""
        start_logging(inherited_form())
        ready = load_config(config)
        server = _server(ready)
        directory = ready.path(ready.bench.journal)
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        if with_parent:
            threading.Thread(target=_parent_gone, args=(os.getppid(), stop), daemon=True).start()
        with JournalReader(directory) as journal:
            Forwarder(journal, ready.bench.name, server, CursorFile(directory)).run(stop)
        server.close()

    @forward.command()
    def status(config: Config = Path("bench.toml"), as_json: Json = False) -> None:
        """Say what was sent, what is confirmed, what is quarantined."""
        ready = load_config(config)
        directory = ready.path(ready.bench.journal)
        head = None
        if directory.is_dir():
            with JournalReader(directory) as journal:
                head = journal.head()
        document = {
            "url": _section(ready).url,
            "journal_seq": head.last if head else 0,
            **CursorFile(directory).read().standing(),
        }
        if as_json:
            print_json(document)
            return
        for name, value in document.items():
            shown = "; ".join(value) or "none" if isinstance(value, list) else value
            table_console().print(f"{name.replace('_', ' ')}: {shown}", markup=False, soft_wrap=True)

    @forward.command()
    def replay(
        config: Config = Path("bench.toml"),
        start: Annotated[str, typer.Option("--from", help="First instant, such as 2026-11-25T09:30:00Z.")] = "",
        end: Annotated[str, typer.Option("--to", help="Instant behind the last.")] = "",
    ) -> int:
        """Send the journal, or a part of it, again and wait until the server shows it.

        The times sent are those of the first sending, so a server that folds what it has already keeps each row once. The
        daemon's own forwarding goes on beside it. Exit 5 when something could not be brought to the server.
        """
        start_logging(inherited_form())
        ready = load_config(config)
        server = _server(ready)
        directory = ready.path(ready.bench.journal)
        window = (parse_instant(start) if start else 0, parse_instant(end) if end else FAR_NS)
        if window[0] >= window[1]:
            raise BadInput("the span ends before it begins", where="--to", right="give an instant behind --from")
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        with JournalReader(directory) as journal, tempfile.TemporaryDirectory(prefix="baytrace-") as folder:
            files = CursorFile(Path(folder))
            made = Forwarder(journal, ready.bench.name, server, files, window=window)
            made.run(stop, until_done=True)
        server.close()
        cursor = made.cursor
        people().print(f"{cursor.confirmed} rows are at the server; {cursor.quarantined} it would not keep")
        for text in filter(None, [*cursor.warnings, cursor.last_error]):
            people().print(text, markup=False)
        return 5 if stop.is_set() or cursor.quarantined else 0
