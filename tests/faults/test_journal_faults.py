"""The journal under crashes, full disks, damage and tampering."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import apsw
import pytest

from baytrace.journal import schema
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.reading import Raw
from journal_kit import CLOCK, START_NS, event, filled, opened, sealed

WRITER = """
import sys, time
from pathlib import Path
from baytrace.journal.sqlite import open_journal
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw
clock = SystemClock()
journal = open_journal(Path(sys.argv[1]), clock=clock)
if journal.head() is None:
    journal.append([], [Event(1, 1, "channel_declared", "", {"version": 1, "channel": {"name": "a"}})]).result()
n = int(sys.argv[2])
waiting = []
print("ready", flush=True)
while True:
    waiting.append((n, journal.append([Raw("a", float(n + i), clock.wall_ns(), clock.mono_ns()) for i in range(5)], [])))
    n += 5
    while waiting and (len(waiting) > 20 or waiting[0][1].done()):
        start, future = waiting.pop(0)
        future.result()
        print(start, flush=True)
"""


@pytest.mark.slow
def test_what_was_acknowledged_survives_kill_9_at_any_instant(tmp_path):
    """After each of many kills everything acknowledged is there once, nothing is there twice, and the chain holds."""
    acknowledged: set[int] = set()
    chance = random.Random(5)
    for turn in range(12):
        command = [sys.executable, "-c", WRITER, str(tmp_path), str(turn * 1_000_000)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == "ready\n"
            timer = threading.Timer(chance.uniform(0.0, 0.5), child.send_signal, (signal.SIGKILL,))
            timer.start()
            acknowledged |= {int(line) for line in child.stdout if line.endswith("\n")}
            timer.join()
        report = verify(tmp_path)
        assert report.ok, report.faults
    with opened(tmp_path) as journal:
        values = [int(item.raw.value) for item in journal.items() if isinstance(item, Stored)]
    assert len(acknowledged) > 50
    assert len(values) == len(set(values))
    assert {start + i for start in acknowledged for i in range(5)} <= set(values)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 2 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", place], check=False, capture_output=True
        ).returncode
    ):
        pytest.skip("needs the right to mount a small file system")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def test_a_full_disk_fails_appends_and_storing_returns_with_space(small_disk):
    """Nothing is acknowledged that is not stored; the message says what to do; no restart is needed."""
    ballast = small_disk / "ballast"
    with opened(small_disk / "journal", "vacuum") as journal:
        stored = filled(journal, 20)
        ballast.write_bytes(b"x" * 1_200_000)
        refused = 0
        for index in range(400):
            raws = [Raw("vacuum", float(i), START_NS + i, i) for i in range(100)]
            try:
                journal.append(raws, []).result(10)
                stored += raws
            except EnvironmentFailed as error:
                assert "full" in str(error)  # noqa: PT017 - each refusal is looked at
                refused += 1
                if refused == 3:
                    assert not journal.health()["storing"]
                    assert "full" in journal.health()["last_error"]
                    ballast.unlink()
                if refused > 3:
                    break
                continue
            if refused:
                break
            assert index < 399, "the disk never filled"
        assert refused == 3
        assert journal.health()["storing"]
        assert [item.raw for item in journal.items() if isinstance(item, Stored)] == stored
    assert verify(small_disk / "journal").ok


def test_one_changed_byte_of_a_payload_or_a_block_is_found(tmp_path):
    """Whatever stored byte of readings or events is changed, `verify` names a fault."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 2500)
        sealed(journal)
        filled(journal, 5)
    assert verify(tmp_path).ok
    chance = random.Random(3)
    db = apsw.Connection(str(tmp_path / schema.FILE))
    places = [
        ("commits", "payload"),
        ("commits", "digest"),
        ("blocks", "heads"),
        ("blocks", "lines"),
        ("blocks", "body"),
        ("blocks", "digest"),
        ("blocks", "previous"),
    ]
    for table, column in places:
        key, old = db.execute(f"SELECT id, {column} FROM {table} ORDER BY id DESC LIMIT 1").fetchone()
        for _ in range(6):
            new = bytearray(old)
            new[chance.randrange(len(new))] ^= 1 << chance.randrange(8)
            db.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (bytes(new), key))
            assert not verify(tmp_path).ok, (table, column)
            db.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (old, key))
    assert verify(tmp_path).ok
    db.close()


@pytest.mark.parametrize(
    "change",
    [
        "DELETE FROM commits WHERE id = (SELECT max(id) - 1 FROM commits)",
        "DELETE FROM blocks",
        "DELETE FROM events WHERE seq = (SELECT max(seq) FROM events)",
        "UPDATE channels SET name = 'other'",
        "UPDATE spans SET low_ns = low_ns + 1",
        "UPDATE commits SET wall_ns = wall_ns + 1000000 WHERE id = (SELECT max(id) FROM commits)",
        "UPDATE names SET text = 'note' WHERE text = 'mark'",
    ],
)
def test_what_was_taken_out_or_pointed_elsewhere_is_found(tmp_path, change):
    """Missing commits, and tables for quick reading that say other than the payloads."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 2500)
        sealed(journal)
        filled(journal, 5)
    db = apsw.Connection(str(tmp_path / schema.FILE))
    db.execute(change)
    db.close()
    assert verify(tmp_path).faults


@pytest.mark.parametrize("page", [1, 5, 9, 20])
def test_a_damaged_file_is_kept_aside_and_salvaged(tmp_path, page):
    """A start after damage keeps the old file, takes over what can be read under its own numbers, and owns up to the rest."""
    with opened(tmp_path, "vacuum", "air") as journal:
        filled(journal, 2500)
        sealed(journal)
        filled(journal, 2500, "air", start=300)
        before = {item.seq: item for item in journal.items()}
        last = journal.head()
    path = tmp_path / schema.FILE
    raw = bytearray(path.read_bytes())
    raw[(page - 1) * 4096 : (page - 1) * 4096 + 200] = b"\xa5" * 200
    path.write_bytes(raw)
    db = apsw.Connection(str(path))
    damaged = True
    try:
        db.execute("DELETE FROM state")
        damaged = bool(schema.faults_of(db))
    except apsw.Error:
        pass
    finally:
        db.close()
    if not damaged:
        assert verify(tmp_path).faults, "the damage went unseen"
        return
    with open_journal(tmp_path, clock=CLOCK) as journal:
        (told,) = journal.events(kinds=["salvaged"])
        kept = [item for item in journal.items() if item.seq <= last.last]
        assert kept == [before[item.seq] for item in kept]
        assert told.data["readings"] == sum(isinstance(item, Stored) for item in kept)
        assert journal.append([Raw("air", 1.0, 1, 1)], []).result(10).first > max(
            (item.seq for item in kept), default=0
        )
    assert (tmp_path / told.data["kept"]).exists()
    report = verify(tmp_path)
    assert report.ok, report.faults
    assert report.holes == [tuple(hole) for hole in told.data["holes"]]


def test_a_file_that_is_no_database_is_kept_aside(tmp_path):
    """Garbage where the journal was: a new journal begins, the old file stays, the first event says so."""
    (tmp_path / schema.FILE).write_bytes(b"not a database at all " * 1000)
    with open_journal(tmp_path, clock=CLOCK) as journal:
        (told,) = journal.events()
        assert told.kind == "salvaged"
        assert (tmp_path / told.data["kept"]).read_bytes().startswith(b"not a database")


def test_the_log_stays_short_beside_a_slow_reader(tmp_path):
    """A consumer that holds an iterator open for the whole time does not keep the write-ahead log from being emptied."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 200)
        slow = journal.items()
        next(slow)
        for turn in range(6):
            filled(journal, 300, start=200 + turn * 300)
            next(slow)
        end = time.monotonic() + 10.0
        while journal.health()["wal_bytes"] and time.monotonic() < end:
            time.sleep(0.1)
        assert journal.health()["wal_bytes"] == 0
        assert sum(isinstance(item, Stored) for item in slow) > 0


def test_a_writer_that_fails_by_our_own_fault_says_so_at_once(tmp_path, monkeypatch):
    """No caller hangs when the writing thread ends."""
    from baytrace.journal.writer import WriterStopped

    journal = opened(tmp_path, "a")
    monkeypatch.setattr(journal._writer, "_transaction", lambda _: 1 / 0)
    waiting = journal.append([Raw("a", 1.0, 1, 1)], [])
    with pytest.raises(WriterStopped):
        waiting.result(10)
    journal._writer._thread.join(10)
    with pytest.raises(WriterStopped):
        journal.append([Raw("a", 1.0, 1, 1)], [])
    journal.close()


def test_another_programs_database_is_left_alone(tmp_path):
    """A database that is no journal is neither used nor changed."""
    path = Path(tmp_path / schema.FILE)
    db = apsw.Connection(str(path))
    db.execute("CREATE TABLE other(x)")
    db.close()
    with pytest.raises(EnvironmentFailed, match="another program"):
        open_journal(tmp_path, clock=CLOCK)
    assert event("note").kind == "note"
