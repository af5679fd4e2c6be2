"""`baytrace doctor`: what on this machine would spoil a record, each with its cure."""

from __future__ import annotations

import os
import shutil
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, NamedTuple
from urllib.parse import urlsplit

import apsw
import typer
import urllib3
from serial.tools import list_ports

from baytrace.bench.config import BenchConfig, load_config
from baytrace.commands._output import Json, print_json, table_console
from baytrace.journal.reader import JournalReader
from baytrace.journal.schema import Damaged
from baytrace.measure.faults import EnvironmentFailed

SAFE_SQLITE = (3, 51, 3)
"""Older ones may corrupt a write-ahead log when two connections checkpoint at once (sqlite.org/wal.html)."""
SLOW_FSYNC_MS, LEAST_FREE_GB = 50.0, 2.0


class Finding(NamedTuple):
    """`good` False means it should be mended; `cure` says how."""

    what: str
    good: bool
    detail: str
    cure: str = ""


def _sqlite() -> Finding:
    version = apsw.sqlite_lib_version()
    good = tuple(int(part) for part in version.split(".")[:3]) >= SAFE_SQLITE
    return Finding("SQLite", good, version, "" if good else "pip install -U apsw")


def fsync_ms(folder: Path, times: int = 20) -> list[float]:
    """Milliseconds of each of `times` small fsynced writes in `folder`."""
    with tempfile.NamedTemporaryFile(dir=folder, prefix="baytrace-doctor-") as file:
        spans = []
        for _ in range(times):
            file.write(b"x" * 512)
            file.flush()
            start = time.perf_counter()
            os.fsync(file.fileno())
            spans.append((time.perf_counter() - start) * 1000.0)
    return spans


def _disk(folder: Path) -> Iterator[Finding]:
    existing = next(each for each in (folder, *folder.parents) if each.is_dir())
    if not os.access(existing, os.W_OK):
        yield Finding(
            "journal folder",
            good=False,
            detail=f"{existing} cannot be written",
            cure=f"chown it to the user that runs the bench: {existing}",
        )
        return
    spans = fsync_ms(existing)
    middle, worst = statistics.median(spans), max(spans)
    yield Finding(
        "fsync",
        middle < SLOW_FSYNC_MS,
        f"median {middle:.2f} ms, worst {worst:.2f} ms",
        "" if middle < SLOW_FSYNC_MS else "use a local SSD for the journal",
    )
    free = shutil.disk_usage(existing).free / 1e9
    yield Finding(
        "disk",
        free > LEAST_FREE_GB,
        f"{free:.1f} GB free at {existing}",
        "" if free > LEAST_FREE_GB else "make room, or move bench.journal",
    )


def _clock() -> Finding:
    synchronised = Path("/run/systemd/timesync/synchronized").exists()
    detail = "synchronised by systemd-timesyncd" if synchronised else "no sign of time synchronisation"
    return Finding(
        "clock",
        synchronised,
        detail,
        "" if synchronised else "run a time service (timesyncd, chrony); spans are right without it, stamps may not be",
    )


def _ports() -> Finding:
    found = [str(port.device) for port in list_ports.comports()]
    refused = [name for name in found if not os.access(name, os.R_OK | os.W_OK)]
    return Finding(
        "serial ports",
        not refused,
        ", ".join(found) or "none",
        f"add this user to the group of {refused[0]} (often dialout)" if refused else "",
    )


def _reach(what: str, url: str, default: int) -> Finding:
    address = urlsplit(url)
    try:
        with socket.create_connection((address.hostname or "localhost", address.port or default), timeout=3.0):
            return Finding(what, good=True, detail=f"{address.hostname} answers")
    except OSError as error:
        return Finding(what, good=False, detail=f"{url}: {error}", cure="start it, or correct its address")


def _server(url: str) -> Finding:
    try:
        text = (
            urllib3.PoolManager(timeout=3.0, retries=False)
            .request("GET", url.rstrip("/") + "/metrics")
            .data.decode("utf-8", "replace")
        )
    except urllib3.exceptions.HTTPError as error:
        return Finding(
            "server",
            good=False,
            detail=f"{url}: {type(error).__name__}",
            cure="start it, or correct forward.url; readings wait in the journal meanwhile",
        )
    if "vm_app_version" in text and 'flag{name="dedup.minScrapeInterval", value="1ms"' not in text:
        return Finding(
            "server",
            good=False,
            detail="VictoriaMetrics without deduplication",
            cure="start it with -dedup.minScrapeInterval=1ms, so that what is sent twice counts once",
        )
    return Finding("server", good=True, detail=f"{url} answers")


def _letters(config: BenchConfig) -> Iterator[Finding]:
    """What the outbox of the journal holds, whether the bench runs or not."""
    try:
        with JournalReader(config.path(config.bench.journal)) as journal:
            rows = journal.letters()
    except (EnvironmentFailed, Damaged):
        return
    for target, state, count, error in rows:
        if state == "dead":
            cure = "mend what it says, then POST /api/letters/retry (or /api/letters/forget)"
            yield Finding("letters", good=False, detail=f"{count} for {target} given up; last: {error}", cure=cure)
        elif error:
            yield Finding(
                "letters",
                good=False,
                detail=f"{count} for {target} wait: {error}",
                cure="they go out by themselves once it is reached",
            )
        else:
            yield Finding("letters", good=True, detail=f"{count} for {target} on their way")


def examine(config: BenchConfig | None) -> list[Finding]:
    findings = [Finding("Python", good=True, detail=sys.version.split()[0]), _sqlite(), _clock(), _ports()]
    findings += _disk(config.path(config.bench.journal) if config else Path.cwd())
    if config is not None and config.mqtt is not None:
        findings.append(_reach("broker", config.mqtt.url, 1883))
    if config is not None and config.webhook is not None:
        default = 443 if config.webhook.url.startswith("https") else 80
        findings.append(_reach("webhook", config.webhook.url, default))
    if config is not None and config.forward is not None:
        findings.append(_server(config.forward.url))
    if config is not None:
        findings += _letters(config)
    return findings


def register(app: typer.Typer) -> None:
    @app.command()
    def doctor(
        config: Annotated[
            Path | None, typer.Option("--config", help="Also look at what this bench.toml needs.")
        ] = None,
        as_json: Json = False,
    ) -> int:
        """Look at SQLite, disk, clock, ports, broker and server; each finding with its cure. Exit 5 when something is wrong."""
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
