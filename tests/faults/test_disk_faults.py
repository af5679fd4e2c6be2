"""A disk that loses its word, its room or its pages: nothing twice, nothing lost in silence, and no empty journal instead of an old one."""

import os
import subprocess
import time
from pathlib import Path

import apsw
import pytest

from baytrace.journal import rescue as rescuing
from baytrace.journal import schema
from baytrace.journal import writer as writing
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.reading import Raw
from baytrace.records.vocabulary import Kind
from fault_harness import PATIENCE_S
from faulty_disk import faulty_disk
from gauge_bench import GaugeBench
from journal_kit import CLOCK, filled, opened


def values(journal):
    return [item.raw.value for item in journal.items() if isinstance(item, Stored)]


def left_alone(journal):
    """No reader has the file open: SQLite then reads the log anew when a connection is opened."""
    while journal._idle:
        journal._idle.pop().close()


@pytest.mark.parametrize("watched", [True, False])
@pytest.mark.parametrize("again", [True, False])
def test_a_commit_whose_fsync_failed_is_stored_once(tmp_path, watched, again):
    """It may be in the file all the same: tried again it is there once, given up nothing that follows is harmed."""
    with faulty_disk() as disk, opened(tmp_path, "a") as journal:
        journal.append([Raw("a", 1.0, 1, 1)], []).result(10)
        if not watched:
            left_alone(journal)
        disk.do({"syncs": "failing"})
        with pytest.raises(EnvironmentFailed):
            journal.append([Raw("a", 2.0, 2, 2), Raw("a", 3.0, 3, 3)], []).result(10)
        disk.do({})
        if again:
            receipt = journal.append([Raw("a", 2.0, 2, 2), Raw("a", 3.0, 3, 3)], []).result(10)
        later = journal.append([Raw("a", 4.0, 4, 4)], []).result(10)
        kept = values(journal)
        if again:
            assert kept == [1.0, 2.0, 3.0, 4.0]
            assert (receipt.first, receipt.last + 1) == (later.first - 2, later.first)
            assert next(journal.items(receipt.first - 1)).raw.value == 2.0
        else:
            assert kept in ([1.0, 4.0], [1.0, 2.0, 3.0, 4.0])
    assert verify(tmp_path).ok


class PowerLoss(BaseException):
    """Ends a step as a power cut would: nothing behind it is done."""


def damage(path):
    """Overwrite one of the pages in the middle of the commits."""
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    leaves = [row[0] for row in db.execute("SELECT pageno FROM dbstat WHERE name = 'commits' AND pagetype = 'leaf'")]
    db.close()
    with path.open("r+b") as file:
        file.seek((leaves[len(leaves) // 2] - 1) * 4096)
        file.write(b"\xa5" * 200)


def damaged(folder):
    """A journal with a damaged page that was not closed in order; what it held before."""
    with opened(folder, "vacuum") as journal:
        filled(journal, 2500)
        before = {item.seq: item for item in journal.items()}
    path = folder / schema.FILE
    db = apsw.Connection(str(path))
    db.execute("DELETE FROM state")
    db.close()
    damage(path)
    return before


def rescued_whole(folder, before):
    """Opening it finds what could be read, an account of the rest, and the damaged file beside it."""
    with open_journal(folder, clock=CLOCK) as journal:
        (told,) = journal.events(kinds=["salvaged"])
        kept = [item for item in journal.items() if item.seq < told.seq]
    assert kept == [before[item.seq] for item in kept]
    assert len(kept) > 1000
    assert told.seq > max(before)
    assert (folder / told.data["kept"]).stat().st_size > 100_000
    report = verify(folder)
    assert report.ok, report.faults
    assert [path.name for path in folder.glob("rescued*")] == []


STEPS = ["salvage", "rename 1", "rename 2", "rename 3"]


@pytest.mark.parametrize("step", STEPS)
def test_a_rescue_cut_short_is_ended_by_the_next_start(tmp_path, monkeypatch, step):
    """At whatever step power goes: the next start has what could be read and says what is missing, never an empty journal."""
    before = damaged(tmp_path)
    if step == "salvage":

        def cut(path, db, whole=rescuing.salvage):
            whole(path, db)
            raise PowerLoss

        monkeypatch.setattr(rescuing, "salvage", cut)
    else:
        # a log of the damaged file, as a kill leaves it
        (tmp_path / (schema.FILE + "-wal")).touch()
        passed = []
        whole = Path.rename

        def rename(path, to):
            passed.append(path)
            if len(passed) == int(step[-1]):
                raise PowerLoss
            return whole(path, to)

        monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(PowerLoss):
        open_journal(tmp_path, clock=CLOCK)
    monkeypatch.undo()
    rescued_whole(tmp_path, before)


def test_a_rescue_without_room_leaves_all_as_it_was(tmp_path):
    """The start is refused with a reason, the damaged file stays in its place, and with room the next start rescues it."""
    before = damaged(tmp_path)
    was = (tmp_path / schema.FILE).read_bytes()
    with faulty_disk() as disk:
        real = disk.xOpen

        def full_for_new(name, flags):
            file = real(name, flags)
            disk.do({"writes": "full"} if "rescued" in str(name) else {})
            return file

        disk.xOpen = full_for_new
        with pytest.raises(EnvironmentFailed, match="full"):
            open_journal(tmp_path, clock=CLOCK)
    assert (tmp_path / schema.FILE).read_bytes() == was
    rescued_whole(tmp_path, before)


def test_a_file_that_went_away_is_not_begun_anew(tmp_path):
    """A disk that lost the journal under a running bench refuses readings; no empty journal takes its place."""
    with faulty_disk() as disk, opened(tmp_path, "a") as journal:
        journal.append([Raw("a", 1.0, 1, 1)], []).result(10)
        disk.do({"writes": "failing"})
        with pytest.raises(EnvironmentFailed):
            journal.append([Raw("a", 2.0, 2, 2)], []).result(10)
        disk.do({})
        left_alone(journal)
        away = [(path, path.with_name("away-" + path.name)) for path in tmp_path.glob(schema.FILE + "*")]
        for path, other in away:
            path.rename(other)
        with pytest.raises(EnvironmentFailed):
            journal.append([Raw("a", 2.0, 2, 2)], []).result(10)
        assert not (tmp_path / schema.FILE).exists()
        for path, other in away:
            other.rename(path)
        journal.append([Raw("a", 2.0, 2, 2)], []).result(10)
        assert values(journal) == [1.0, 2.0]


# ---------------------------------------------------------------------- through the real daemon


@pytest.fixture
def gauge(nursery, tmp_path):
    made = []

    def make(journal=tmp_path / "journal"):
        made.append(GaugeBench(nursery, tmp_path, 50, journal=journal))
        return made[0]

    yield make
    for one in made:
        one.close()


@pytest.mark.server
@pytest.mark.slow
def test_a_page_damaged_under_a_running_daemon(gauge, tmp_path):
    """Met by whoever reads: an alarm, the file kept aside, an account of what is lost, and storing goes on in the same session."""
    bench, folder = gauge(), tmp_path / "journal"
    bench.start()
    session = bench.daemon.post("/api/sessions", {"title": "damage", "plan": {"evacuation": {}}})["id"]
    bench.talk(6.0)
    assert bench.daemon.stop(PATIENCE_S) == 0
    bench.start()
    with JournalReader(folder) as journal:
        before = {item.seq: item for item in journal.items()}
    damage(folder / schema.FILE)
    status, problem = bench.daemon.status_of(f"/api/sessions/{session}/readings")
    assert status == 503, problem
    bench.daemon.until(lambda: any(folder.glob("damaged-*.sqlite")))
    bench.talk(2.0)
    bench.daemon.until(lambda: any(row["id"] == "bench-journal-damaged" for row in bench.daemon.get("/api/alarms")))
    assert bench.daemon.get("/api/bench")["session"]["id"] == session
    assert bench.daemon.get("/healthz")
    assert bench.daemon.stop(PATIENCE_S) == 0
    report = verify(folder)
    assert report.ok, report.faults
    with JournalReader(folder) as journal:
        items = list(journal.items())
    (told,) = [item for item in items if not isinstance(item, Stored) and item.kind == Kind.SALVAGED]
    after = {item.seq: item for item in items}
    lost = set(before) - set(after)
    assert lost
    assert len(lost) < len(before) / 2
    assert len(told.data["holes"]) >= 2
    assert all(after[seq] == before[seq] for seq in set(before) & set(after))
    stored = [item.raw.value for item in items if isinstance(item, Stored)]
    assert stored[-1] == max(bench.gauge.sent)
    assert len(stored) == len(set(stored))


@pytest.mark.server
def test_a_read_only_disk_refuses_the_start_and_keeps_what_is_there(gauge, tmp_path):
    """One clear line, exit 5, and not a byte changed; writable again, the bench starts where it was."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("needs the right to mount a small file system")
    try:
        with opened(disk / "journal", "other") as journal:
            stored = filled(journal, 20, "other")
        was = (disk / "journal" / schema.FILE).read_bytes()
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        bench = gauge(disk / "journal")
        bench.daemon.launch()
        assert bench.daemon.process.wait(PATIENCE_S) == 5
        bench.daemon.log.close()
        assert "must be writable" in bench.daemon.said()
        assert "Traceback" not in bench.daemon.said()
        assert (disk / "journal" / schema.FILE).read_bytes() == was
        subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
        bench.start()
        assert bench.daemon.stop(PATIENCE_S) == 0
        with JournalReader(disk / "journal") as journal:
            kept = [item.raw for item in journal.items() if isinstance(item, Stored) and item.raw.channel == "other"]
        assert kept == stored
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_rescue_that_lacks_room_is_tried_again_while_the_bench_runs(tmp_path, monkeypatch):
    """It calls itself damaged until there is room; then what could be read is kept and storing goes on, without a restart."""
    monkeypatch.setattr(writing, "RESCUE_AGAIN_S", 0.3)
    tries = []

    def without_room(path, db, whole=rescuing.salvage):
        tries.append(path)
        if len(tries) < 3:
            raise apsw.FullError
        return whole(path, db)

    monkeypatch.setattr(rescuing, "salvage", without_room)
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 1500)
    with opened(tmp_path) as journal:
        before = {item.seq: item for item in journal.items()}
        end = time.monotonic() + PATIENCE_S
        # a page that is just being sealed, or has a newer copy in the log, would show no damage
        while (now := journal.health())["sealing_due"] or now["wal_bytes"] or not now["sealed_fraction"]:
            assert time.monotonic() < end, now
            time.sleep(0.02)
        damage(tmp_path / schema.FILE)
        journal.damage_met()
        seen = set()
        while len(tries) < 3 or not list(tmp_path.glob("damaged-*.sqlite")):
            assert time.monotonic() < end, journal.health()
            seen.add((journal.health()["damaged"], "full" in journal.health()["last_error"]))
            time.sleep(0.02)
        receipt = journal.append([Raw("vacuum", 1.0, 1, 1)], []).result(10)
        assert (True, True) in seen
        assert receipt.first > max(before)
        kept = {item.seq: item for item in journal.items() if item.seq <= max(before)}
        assert len(kept) > 1000
        assert all(before[seq] == item for seq, item in kept.items())
    assert verify(tmp_path).ok
