"""`baytrace forward`: the copy at the time-series server."""

from __future__ import annotations

import logging
import os
import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import BenchConfig, ForwardSection, load_config
from baytrace.bench.secret import read_secret
from baytrace.commands._output import Json, people, print_json, table_console
from baytrace.forward.cursor import Cursor, CursorFile
from baytrace.forward.forwarder import Forwarder
from baytrace.forward.server import Server
from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput

Config = Annotated[Path, typer.Option("--config", help="The bench.toml with a [forward] table.")]


def _section(config: BenchConfig) -> ForwardSection:
    if config.forward is None:
        raise BadInput(
            "there is no [forward] table", where=str(config.file), right='add [forward] with url = "http://..."'
        )
    return config.forward


def _server(config: BenchConfig) -> Server:
    section = _section(config)
    token_file = config.path(section.token_file) if section.token_file else None
    token = read_secret(section.token_env, token_file, "forward") or ""
    return Server(section.url, section.org, section.bucket, token, section.basic_auth)


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
        """Forward until stopped. The daemon runs this by itself where bench.toml has a [forward] table."""
        logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
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
        cursor = CursorFile(directory).read()
        head = None
        if directory.is_dir():
            with JournalReader(directory) as journal:
                head = journal.head()
        document = {
            "url": _section(ready).url,
            "journal_seq": head.last if head else 0,
            **{
                name: getattr(cursor, name)
                for name in (
                    "sent_seq",
                    "confirmed_seq",
                    "sent",
                    "confirmed",
                    "resent",
                    "quarantined",
                    "unsendable",
                    "state",
                    "last_error",
                )
            },
        }
        if as_json:
            print_json(document)
            return
        for name, value in document.items():
            table_console().print(f"{name.replace('_', ' ')}: {value}", markup=False)

    @forward.command()
    def replay(config: Config = Path("bench.toml")) -> None:
        """Send the whole journal again: the next run starts from its beginning (the server folds what it has already)."""
        ready = load_config(config)
        _section(ready)
        files = CursorFile(ready.path(ready.bench.journal))
        before = files.read()
        files.write(Cursor(quarantined=before.quarantined))
        people().print(f"forwarding starts again from the first reading (it had confirmed {before.confirmed_seq})")
