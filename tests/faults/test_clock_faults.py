"""A real daemon on machines whose clock is not set yet, is set while a session runs, or begins in the past after a power cut."""

import signal
import time
from itertools import pairwise

import pytest

from baytrace.cli import run
from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.measure.instant import NS
from baytrace.records.playing import Player
from baytrace.records.readings_file import read_rows
from baytrace.records.vocabulary import Kind
from fault_harness import PATIENCE_S
from gauge_bench import GaugeBench

HOUR_S = 3600


class Scene(GaugeBench):
    """A gauge that prints ten numbered lines a second, and a daemon whose wall clock is in our hand."""

    def __init__(self, nursery, folder, off_s=0.0):
        super().__init__(nursery, folder, more="period_s = 0.1")
        self.clock = folder / "clock"
        self.daemon.faults = {"clock_file": str(self.clock)}
        self.set(off_s)

    def set(self, off_s):
        """The wall clock is off by this much from now on."""
        self.clock.write_text(str(int(off_s * NS)))
        if self.daemon.process is not None:
            self.daemon.process.send_signal(signal.SIGUSR1)

    def start(self, machine=""):
        if machine:
            self.daemon.faults["machine"] = machine
        super().start()

    def begin(self):
        return self.daemon.post("/api/sessions", {"title": "clock", "plan": {"evacuation": {}}})["id"]

    def end(self):
        """(session's readings as the bench timed them, all events) of a journal that verifies."""
        assert self.daemon.stop(PATIENCE_S) == 0
        report = verify(self.folder / "journal")
        assert report.ok, report.faults
        with JournalReader(self.folder / "journal") as journal:
            items = list(journal.items())
        events = [item for item in items if not isinstance(item, Stored)]
        (started,) = [one for one in events if one.kind == Kind.SESSION_STARTED]
        player, readings = Player(started), []
        for item in items:
            if item.seq > started.seq:
                if isinstance(item, Stored):
                    readings.append(player.reading(item))
                else:
                    player.event(item)
        return readings, events


@pytest.fixture
def scene(nursery, tmp_path):
    made = []

    def make(off_s=0.0):
        made.append(Scene(nursery, tmp_path, off_s))
        return made[0]

    yield make
    for one in made:
        one.close()


def steps(events, **wanted):
    return [one for one in events if one.kind == Kind.CLOCK_STEP and wanted.items() <= dict(one.data).items()]


def in_order(readings):
    return all(before.time_ns <= after.time_ns for before, after in pairwise(readings))


def test_started_before_the_time_is_known(scene):
    """A machine that begins in 1970 measures at once; when a time server sets it, a session begins in the right year."""
    bench = scene(off_s=60.0 - time.time())
    bench.start()
    bench.talk(1.5)
    assert bench.daemon.get("/api/bench")["time"].startswith("1970-")
    bench.set(0)
    bench.daemon.until(lambda: not bench.daemon.get("/api/bench")["time"].startswith("1970-"))
    session = bench.begin()
    bench.talk(2.0)
    readings, events = bench.end()
    assert session.startswith(time.strftime("%Y", time.gmtime()))
    (step,) = steps(events)
    assert step.data["anchored"]
    assert step.data["step_ns"] > 50 * 365 * 86_400 * NS
    assert len(readings) > 10
    assert in_order(readings)
    assert abs(readings[-1].time_ns - time.time_ns()) < 120 * NS


@pytest.mark.slow
def test_set_back_and_forth_in_a_session_and_both_times_exported(scene, tmp_path):
    """An hour either way while readings come: two events, no span bends, and the export shows the wall clock as it was, too."""
    bench = scene()
    bench.start()
    session = bench.begin()
    for off_s in (HOUR_S, -HOUR_S):
        bench.talk(1.5)
        bench.set(off_s)
        bench.talk(1.5)
    readings, events = bench.end()
    assert [round(one.data["step_ns"] / NS) for one in steps(events)] == [HOUR_S, -2 * HOUR_S]
    assert not steps(events, anchored=True)
    assert in_order(readings)
    assert max(after.time_ns - before.time_ns for before, after in pairwise(readings)) < 60 * NS
    folder = str(tmp_path / "out")
    assert run(["export", session, "--to", folder, "--format", "parquet", "--config", str(bench.daemon.file)]) == 0
    (file,) = (tmp_path / "out").rglob("*.parquet")
    rows = list(read_rows(file))
    times = [row.reading.time_ns for row in rows]
    assert times == [reading.time_ns for reading in readings]
    walls, monos = [row.stored.raw.wall_ns for row in rows], [row.stored.raw.mono_ns for row in rows]
    assert monos == sorted(monos)
    assert max(walls) - min(walls) > 1.9 * HOUR_S * NS
    assert len({time_ns - mono_ns for time_ns, mono_ns in zip(times, monos, strict=True)}) == 1


def test_a_daemon_killed_while_the_clock_is_set_back_knows_its_pause(scene):
    """The steady clock ran on: the gap is as long as it was, the wall clock's difference is told in the session."""
    bench = scene()
    bench.start()
    bench.begin()
    bench.talk(1.5)
    bench.daemon.kill()
    bench.set(-HOUR_S)
    bench.start()
    bench.talk(1.5)
    readings, events = bench.end()
    (gap,) = [one for one in events if one.kind == Kind.GAP]
    assert 0 < gap.data["to_ns"] - gap.data["from_ns"] < 60 * NS
    (standing,) = steps(events, standing=True)
    assert round(standing.data["step_ns"] / NS) == -HOUR_S
    assert in_order(readings)
    assert readings[-1].time_ns - readings[0].time_ns < 120 * NS


def test_a_power_cut_on_a_machine_without_a_clock_is_no_short_pause(scene):
    """It comes back in 1970: the pause counts as too long for any hold, is called unknown, and order stays right."""
    bench = scene()
    bench.start("aaaaaaaa")
    bench.begin()
    bench.talk(1.5)
    bench.daemon.kill()
    bench.set(60.0 - time.time())
    bench.start("bbbbbbbb")
    bench.talk(1.5)
    bench.set(5 * HOUR_S)
    bench.talk(2.5)
    readings, events = bench.end()
    (gap,) = [one for one in events if one.kind == Kind.GAP]
    assert "not known" in gap.data["cause"]
    assert gap.data["to_ns"] - gap.data["from_ns"] > 0.98 * HOUR_S * NS
    assert steps(events, standing=True)
    assert len(steps(events, anchored=True)) == 1, "a time server that says it was five hours is believed"
    assert in_order(readings)
    assert abs(readings[-1].time_ns - readings[0].time_ns - 5 * HOUR_S * NS) < 120 * NS


def test_set_back_while_no_session_runs(scene):
    """The step is an event, nothing that is stored afterwards lies before what was, and the next session is told what the clock says."""
    bench = scene()
    bench.start()
    bench.talk(1.5)
    bench.set(-HOUR_S)
    bench.talk(1.5)
    bench.begin()
    bench.talk(1.5)
    readings, events = bench.end()
    (step,) = steps(events, anchored=False)
    assert not step.session
    assert round(step.data["step_ns"] / NS) == -HOUR_S
    (standing,) = steps(events, standing=True)
    assert standing.session
    assert round(standing.data["step_ns"] / NS) == -HOUR_S
    assert [one.time_ns for one in events] == sorted(one.time_ns for one in events)
    assert in_order(readings)
    with JournalReader(bench.folder / "journal") as journal:
        raws = [item.raw for item in journal.items() if isinstance(item, Stored)]
    assert [raw.value for raw in raws] == sorted({raw.value for raw in raws}), "as printed, each once"
    assert [raw.mono_ns for raw in raws] == sorted(raw.mono_ns for raw in raws)
    assert raws[0].wall_ns - raws[-1].wall_ns > 0.98 * HOUR_S * NS, "the wall clock is kept as it was"


AUTUMN_S = 1_792_890_000
"""2026-10-25T01:00:00Z: in central Europe the hour from two to three begins again, and the day has 25."""


def test_the_hour_that_comes_twice(scene, tmp_path):
    """Where summer time ends while a session runs nothing happens: no step, no gap, time goes on, in exports too."""
    bench = scene(off_s=AUTUMN_S - 600 - time.time())
    bench.daemon.env["TZ"] = "Europe/Berlin"
    bench.start()
    bench.set(AUTUMN_S - 5 - time.time())  # however long the start took
    bench.talk(2.5)
    session = bench.begin()
    bench.talk(5.0)
    readings, events = bench.end()
    in_session = [one for one in events if one.session == session]
    assert not steps([one for one in in_session if not one.data.get("standing")])
    assert not [one for one in in_session if one.kind == Kind.GAP]
    assert readings[0].time_ns < AUTUMN_S * NS < readings[-1].time_ns
    assert max(after.time_ns - before.time_ns for before, after in pairwise(readings)) < NS
    folder = str(tmp_path / "out")
    assert run(["export", session, "--to", folder, "--format", "csv", "--config", str(bench.daemon.file)]) == 0
    (file,) = (tmp_path / "out").rglob("*.csv")
    times = [line.split(",")[0] for line in file.read_text().splitlines()[1:]]
    assert times == sorted(set(times))
    assert {time[:13] for time in times} == {"2026-10-25T00", "2026-10-25T01"}
    assert all(time.endswith("Z") for time in times)
