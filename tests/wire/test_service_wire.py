"""The daemon as a service manager and a log collector meet it; journals of an earlier schema; backups by command."""

import json
import shutil
import socket
import subprocess
import time
import urllib.request

import apsw
import pytest

from baytrace import cli
from baytrace.bench.config import load_config
from baytrace.commands.unit import quoted, unit_text
from baytrace.journal import schema
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.verify import verify
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.instant import parse_instant
from baytrace.measure.reading import Event, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from running_bench import GAUGE, RunningBench
from servers import pseudo_terminal


class Manager:
    """A service manager's end of NOTIFY_SOCKET."""

    def __init__(self, path):
        self._own = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._own.bind(str(path))

    def heard(self, within_s):
        """Words that came within this time, each once the time is over."""
        end, found = time.monotonic() + within_s, []
        while (left := end - time.monotonic()) > 0:
            self._own.settimeout(left)
            try:
                found.append(self._own.recv(100).decode())
            except TimeoutError:
                break
        return found

    def wait_for(self, word, within_s=60.0):
        end, found = time.monotonic() + within_s, []
        while word not in found:
            assert time.monotonic() < end, found
            found += self.heard(0.2)
        return found

    def close(self):
        self._own.close()


@pytest.mark.slow
def test_the_watchdog_is_fed_by_what_is_stored_and_by_nothing_else(tmp_path):
    """READY once it measures; WATCHDOG while commits happen; silence while nothing can be stored; STOPPING at the end.

    Another program holds the journal's write lock meanwhile, as a stuck disk would: the web side goes on answering.
    """
    manager = Manager(tmp_path / "notify")
    with pseudo_terminal() as gauge:
        running = RunningBench(tmp_path, GAUGE.format(port=gauge.name), extra=["--log", "json"])
        running.env = {"NOTIFY_SOCKET": str(tmp_path / "notify")}
        running.launch()
        try:
            manager.wait_for("READY=1")
            running.wait_up()
            manager.wait_for("WATCHDOG=1")
            other = apsw.Connection(str(tmp_path / "journal" / schema.FILE))
            other.execute("BEGIN IMMEDIATE")
            manager.heard(1.0)
            assert manager.heard(7.0) == []  # a heartbeat every 5 s would have come
            assert running.get("/api/bench")["name"] == "bench"
            other.execute("ROLLBACK")
            other.close()
            manager.wait_for("WATCHDOG=1")
            assert running.stop() == 0
            assert "STOPPING=1" in manager.heard(1.0)
            for line in running.said().splitlines():
                told = json.loads(line)
                assert {"time", "level", "event", "logger"} <= set(told)
                assert parse_instant(told["time"]) > 0
        finally:
            manager.close()
            running.stop()


def test_metrics_are_prometheus_text(tmp_path):
    """Every line of /metrics is a comment or a sample of a family announced before it, with a number; no family comes twice."""
    with pseudo_terminal() as gauge:
        bench = RunningBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            bench.until(lambda: gauge.write(b"512\n") or bench.channel("system_pressure")["count"])
            with urllib.request.urlopen(bench.url + "/metrics", timeout=10) as answer:
                assert answer.headers["Content-Type"].startswith("text/plain; version=0.0.4")
                text = answer.read().decode()
        finally:
            bench.stop()
    families, samples = [], 0
    for line in text.splitlines():
        if line.startswith("# TYPE "):
            families.append(line.split()[2])
        elif not line.startswith("#"):
            name, _, value = line.rpartition(" ")
            float(value)
            assert name.partition("{")[0] == families[-1]
            samples += 1
    assert len(set(families)) == len(families)
    assert samples > 10
    assert text.endswith("\n")


def configured(folder):
    folder.mkdir(exist_ok=True)
    file = folder / "bench.toml"
    file.write_text('[bench]\nname = "bay-1"\n' + GAUGE.format(port="socket://127.0.0.1:9"))
    return file


@pytest.mark.parametrize("folder", ["plain", "with space", "100%", 'quo"te'])
def test_systemd_reads_the_printed_unit(tmp_path, folder):
    """`systemd-analyze verify` finds nothing in it, also where a path has signs that mean something to systemd."""
    program = shutil.which("systemd-analyze") or pytest.skip("systemd-analyze is not installed")
    file = configured(tmp_path / folder)
    command = tmp_path / "programs of ours" / "baytrace"
    command.parent.mkdir()
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)
    unit = tmp_path / "baytrace.service"
    unit.write_text(unit_text(load_config(file), file, command, "root"))
    done = subprocess.run([program, "verify", str(unit)], capture_output=True, text=True, check=False)
    told = [line for line in done.stderr.splitlines() if "baytrace.service" in line]
    assert (done.returncode, told) == (0, []), done.stderr


def test_the_unit_names_what_the_service_writes_and_little_else(tmp_path):
    """Notify with a watchdog, one state directory, no capabilities, serial devices only."""
    text = unit_text(load_config(configured(tmp_path)), tmp_path / "bench.toml", tmp_path / "baytrace", "bench")
    for line in ("Type=notify", "WatchdogSec=60", "CapabilityBoundingSet=", "DevicePolicy=closed", "UMask=0077"):
        assert line in text.splitlines()
    assert f"ReadWritePaths={tmp_path}" in text
    assert quoted("/a b/%h") == '"/a b/%%h"'


# ---------------------------------------------------------------------- journals of an earlier schema


def fill(folder, count, first=0):
    """A journal with a channel and `count` readings, closed."""
    channel = Channel("vac", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, "Pa"), Accuracy.parse("1 Pa"), "g")
    journal = open_journal(folder, clock=SystemClock())
    try:
        if not first:
            told = {"version": 1, "channel": channel.to_json()}
            journal.append([], [Event(time.time_ns(), 1, "channel_declared", "", told)]).result()
        now = time.time_ns()
        journal.append([Raw("vac", float(first + i), now + i, now + i) for i in range(count)]).result()
    finally:
        journal.close()


def values(folder):
    with JournalReader(folder) as journal:
        return [stored.raw.value for stored in journal.readings("vac", 0, 2**62)]


def version_of(file):
    db = apsw.Connection(str(file), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        return db.pragma("user_version")
    finally:
        db.close()


def next_schema(monkeypatch, step):
    """This program, one schema on."""
    now = schema.VERSION
    monkeypatch.setattr(schema, "VERSION", now + 1)
    monkeypatch.setattr(schema, "_UPGRADES", {now: step})
    return now


def test_an_older_journal_is_backed_up_and_brought_up_to_date(tmp_path, monkeypatch):
    """A real file of the schema before: a copy is made first, then it is upgraded, nothing in it changes, and it goes on."""
    journal = tmp_path / "journal"
    fill(journal, 100)
    old = next_schema(
        monkeypatch, "CREATE TABLE later(id INTEGER PRIMARY KEY); ALTER TABLE outbox ADD COLUMN later TEXT;"
    )
    fill(journal, 50, first=100)
    assert version_of(journal / schema.FILE) == old + 1
    assert values(journal) == [float(i) for i in range(150)]
    assert verify(journal).ok
    (copy,) = journal.glob(f"*-schema{old}-*.sqlite")
    assert version_of(copy) == old
    monkeypatch.undo()
    (tmp_path / "back").mkdir()
    copy.rename(tmp_path / "back" / schema.FILE)
    assert verify(tmp_path / "back").ok
    assert values(tmp_path / "back") == [float(i) for i in range(100)]


def test_an_upgrade_that_fails_leaves_the_journal_as_it_was(tmp_path, monkeypatch):
    """The step is one transaction: the old file stays whole, and the program before goes on with it."""
    journal = tmp_path / "journal"
    fill(journal, 20)
    old = next_schema(monkeypatch, "CREATE TABLE later(id INTEGER PRIMARY KEY); CREATE TABLE commits(twice);")
    with pytest.raises(EnvironmentFailed):
        open_journal(journal, clock=SystemClock())
    assert version_of(journal / schema.FILE) == old
    assert list(journal.glob(f"*-schema{old}-*.sqlite"))
    monkeypatch.undo()
    fill(journal, 5, first=20)
    assert values(journal) == [float(i) for i in range(25)]
    assert verify(journal).ok


def test_a_newer_journal_is_left_alone(tmp_path, monkeypatch):
    """An older program says which one to install and changes nothing."""
    journal = tmp_path / "journal"
    next_schema(monkeypatch, "")
    fill(journal, 5)
    monkeypatch.undo()
    with pytest.raises(EnvironmentFailed, match="newer"):
        open_journal(journal, clock=SystemClock())
    assert version_of(journal / schema.FILE) == schema.VERSION + 1


def test_backup_and_restore_by_command(tmp_path, capsys):
    """A copy of a journal verifies and is put back whole; neither command writes over anything; a bad copy is refused."""
    journal, copy, back = tmp_path / "journal", tmp_path / "copy", tmp_path / "back"
    fill(journal, 30)
    assert cli.run(["backup", "--journal", str(journal), "--to", str(copy), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["bytes"] > 0
    assert cli.run(["backup", "--journal", str(journal), "--to", str(copy)]) == 5
    assert cli.run(["restore", str(copy), "--to", str(back)]) == 0
    assert values(back) == [float(i) for i in range(30)]
    assert cli.run(["restore", str(copy), "--to", str(back)]) == 5
    assert cli.run(["backup", "--journal", str(tmp_path / "none"), "--to", str(tmp_path / "x")]) == 2
    file = copy / schema.FILE
    db = apsw.Connection(str(file))
    db.execute("UPDATE commits SET payload = zeroblob(length(payload)) WHERE id = 2")
    db.close()
    assert cli.run(["restore", str(copy), "--to", str(tmp_path / "other")]) == 5
    assert not (tmp_path / "other" / schema.FILE).exists()
    assert "Traceback" not in capsys.readouterr().err
