"""What `baytrace doctor` looks at: one function a probe, each answer with its cure. Nothing is changed but a probe file and a probe row."""

from __future__ import annotations

import asyncio
import ctypes
import os
import re
import shutil
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import aiomqtt
import apsw
from cryptography import x509
from serial.tools import list_ports

from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import ForwardSection, MqttSection
from baytrace.bench.outlet import broker_client
from baytrace.commands._server import server_of
from baytrace.forward.looking import run_of, warnings
from baytrace.forward.server import Unreachable
from baytrace.journal.lock import in_use
from baytrace.journal.reader import JournalReader
from baytrace.journal.schema import Damaged
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.web.listening import tls_of, tokens_for

SAFE_SQLITE = (3, 51, 3)
"""Older ones may corrupt a write-ahead log when two connections checkpoint at once (sqlite.org/wal.html)."""
SLOW_FSYNC_MS, LEAST_FREE_GB = 50.0, 2.0
RENEW_BEFORE = timedelta(days=14)
COARSE_SOURCES = frozenset({"jiffies", "refined-jiffies", "pit", "acpi_pm"})
"""Clock sources of Linux that step coarsely or are slow to read (common practice, no source)."""
CLOCK_SOURCE = Path("/sys/devices/system/clocksource/clocksource0/current_clocksource")
NOT_SYNCHRONISED = 5
"""`TIME_ERROR` of adjtimex(2): the kernel says that nothing disciplines its clock."""


class Finding(NamedTuple):
    """`good` False means it should be mended; `cure` says how."""

    what: str
    good: bool
    detail: str
    cure: str = ""


def _bad(what: str, detail: str, cure: str) -> Finding:
    return Finding(what, good=False, detail=detail, cure=cure)


def _told(what: str, error: BadInput) -> Finding:
    return _bad(what, f"{error.where}: {error.what}" if error.where else error.what, error.right or "see the manual")


# ---------------------------------------------------------------------- the machine


def python() -> Iterator[Finding]:
    yield Finding("Python", good=True, detail=sys.version.split()[0])


def sqlite() -> Iterator[Finding]:
    version = apsw.sqlite_lib_version()
    good = tuple(int(part) for part in version.split(".")[:3]) >= SAFE_SQLITE
    yield Finding("SQLite", good, version, "" if good else "pip install -U apsw")


def kernel_clock() -> int | None:
    """The state adjtimex(2) reports without changing anything; None where it cannot be asked."""
    try:
        library = ctypes.CDLL(None, use_errno=True)
        state = int(library.adjtimex(ctypes.create_string_buffer(512)))
    except (OSError, AttributeError):
        return None
    return state if state >= 0 else None


def clock() -> Iterator[Finding]:
    state = kernel_clock()
    cure = "run a time service (timesyncd, chrony); spans are right without it, stamps may not be"
    if state == NOT_SYNCHRONISED:
        yield _bad("clock", "nothing sets this machine's clock right", cure)
    else:
        detail = "synchronised" if state is not None else "the system does not say whether it is synchronised"
        yield Finding("clock", good=True, detail=detail)
    try:
        source = CLOCK_SOURCE.read_text(encoding="ascii").strip()
    except OSError:
        return
    coarse = source in COARSE_SOURCES
    yield Finding("clock source", not coarse, source, "set clocksource=tsc, or another machine" if coarse else "")


def serial_ports() -> Iterator[Finding]:
    found = [str(port.device) for port in list_ports.comports()]
    refused = [name for name in found if not os.access(name, os.R_OK | os.W_OK)]
    cure = f"add this user to the group of {refused[0]} (often dialout)" if refused else ""
    yield Finding("serial ports", not refused, ", ".join(found) or "none", cure)


# ---------------------------------------------------------------------- the journal's disk


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


def disk(folder: Path) -> Iterator[Finding]:
    existing = next(each for each in (folder, *folder.parents) if each.is_dir())
    if not os.access(existing, os.W_OK):
        cure = f"chown it to the user that runs the bench: {existing}"
        yield _bad("journal folder", f"{existing} cannot be written", cure)
        return
    spans = fsync_ms(existing)
    middle, worst = statistics.median(spans), max(spans)
    slow = middle >= SLOW_FSYNC_MS
    detail = f"median {middle:.2f} ms, worst {worst:.2f} ms"
    yield Finding("fsync", not slow, detail, "use a local SSD for the journal" if slow else "")
    free = shutil.disk_usage(existing).free / 1e9
    short = free <= LEAST_FREE_GB
    yield Finding(
        "disk", not short, f"{free:.1f} GB free at {existing}", "make room, or move bench.journal" if short else ""
    )


# ---------------------------------------------------------------------- what bench.toml names


def instruments(config: BenchConfig) -> Iterator[Finding]:
    """Each instrument's own port: there, and under a name that stays the same when it is plugged in again."""
    for plan in config.instruments:
        port = str(getattr(plan.settings, "port", ""))
        if not port.startswith("/dev/"):
            continue
        what = f"port of {plan.name}"
        if not Path(port).exists():
            yield _bad(what, f"{port} is not there", "plug it in, or name one that `baytrace ports` lists")
        elif not os.access(port, os.R_OK | os.W_OK):
            yield _bad(what, f"{port} may not be opened", "add this user to the group of the port (often dialout)")
        elif re.fullmatch(r"/dev/tty(USB|ACM)\d+", port):
            cure = "name it by /dev/serial/by-id/... or by-path: the number changes when it is plugged in again"
            yield _bad(what, f"{port} is named by its number", cure)
        else:
            yield Finding(what, good=True, detail=port)


def web_port(config: BenchConfig) -> Iterator[Finding]:
    web = config.web
    family = socket.AF_INET6 if ":" in web.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((web.host, web.port))
        except OSError as error:
            if in_use(config.path(config.bench.journal)):
                yield Finding("web port", good=True, detail=f"{web.port}, in use while this bench runs")
            else:
                detail = f"{web.host} port {web.port}: {error.strerror}"
                yield _bad("web port", detail, "choose another with web.port, or end what listens there")
        else:
            yield Finding("web port", good=True, detail=f"{web.port} is free")


def access(config: BenchConfig) -> Iterator[Finding]:
    """Tokens and certificate, where there are or must be any."""
    web = config.web
    try:
        tokens = tokens_for(web.host, config.path(web.tokens), web.public)
        detail = f"{len(tokens.rows())} tokens" if tokens else "this machine only, no token needed"
        yield Finding("access", good=True, detail=detail)
    except BadInput as error:
        yield _told("access", error)
    try:
        if tls_of(config, web):
            yield _certificate(config.path(web.certificate))
    except BadInput as error:
        yield _told("certificate", error)


def _certificate(file: Path) -> Finding:
    end = x509.load_pem_x509_certificate(file.read_bytes()).not_valid_after_utc
    near = end - datetime.now(UTC) < RENEW_BEFORE
    return Finding("certificate", not near, f"valid until {end:%Y-%m-%d}", "renew it" if near else "")


def broker(config: BenchConfig, section: MqttSection) -> Iterator[Finding]:
    """Connects as the bench does, under a name of its own."""

    async def connect() -> None:
        async with broker_client(config, section, "doctor"):
            pass

    try:
        asyncio.run(asyncio.wait_for(connect(), 10.0))
    except BadInput as error:
        yield _told("broker", error)
    except (aiomqtt.MqttError, OSError, TimeoutError) as error:
        why = str(error) or type(error).__name__
        denied = "authori" in why.lower() or "password" in why.lower()
        cure = "correct mqtt.username and its password" if denied else "start it, or correct mqtt.url"
        yield _bad("broker", f"{section.url}: {why}", cure)
    else:
        yield Finding("broker", good=True, detail=f"{section.url} answers")


def server(config: BenchConfig, section: ForwardSection) -> Iterator[Finding]:
    """Writes one probe row and reads it back, as the forwarder does when it starts."""
    try:
        reached = server_of(config, section)
    except BadInput as error:
        yield _told("server", error)
        return
    try:
        wrong = reached.probe(config.bench.name, time.time_ns() // 1_000_000)
        text = reached.metrics()
        found = ([wrong] if wrong else []) + warnings(text, None, time.time_ns())
    except Unreachable as error:
        cure = "start it, or correct forward.url and its token; readings wait in the journal meanwhile"
        yield _bad("server", f"{section.url}: {error}", cure)
        return
    finally:
        reached.close()
    for each in found:
        detail, _, cure = each.partition("; ")
        yield _bad("server", detail, cure or "see the manual's page on servers")
    if not found:
        kind = "VictoriaMetrics" if run_of(text) else "an InfluxDB v2 write API"
        yield Finding("server", good=True, detail=f"{section.url} takes and shows rows ({kind})")


def letters(config: BenchConfig) -> Iterator[Finding]:
    """Alarms and verdicts that wait for their receiver or were given up, whether the bench runs or not."""
    try:
        with JournalReader(config.path(config.bench.journal)) as journal:
            rows = journal.letters()
    except (EnvironmentFailed, Damaged):
        return
    for target, state, count, error in rows:
        if state == "dead":
            cure = "mend what it says, then POST /api/letters/retry (or /api/letters/forget)"
            yield _bad("letters", f"{count} for {target} given up; last: {error}", cure)
        elif error:
            yield _bad("letters", f"{count} for {target} wait: {error}", "they go out by themselves once it is reached")
        else:
            yield Finding("letters", good=True, detail=f"{count} for {target} on their way")


def examine(config: BenchConfig | None) -> list[Finding]:
    """Every probe that applies, in the order a person mends things."""
    found = [*python(), *sqlite(), *clock(), *serial_ports()]
    found += disk(config.path(config.bench.journal) if config else Path.cwd())
    if config is None:
        return found
    probes: list[Callable[[BenchConfig], Iterator[Finding]]] = [instruments, web_port, access]
    for probe in probes:
        found += probe(config)
    if config.mqtt is not None:
        found += broker(config, config.mqtt)
    if config.forward is not None:
        found += server(config, config.forward)
    found += letters(config)
    return found
