"""A day without server, then catching up: `python tests/benchmarks/forward_catch_up.py [--hours 24] [--seconds 15]`.

Method. A journal is filled with the hours given of 20 channels at 1 Hz, a commit a second's worth of readings in groups, as a
bench would have left it after as long an outage (written compressed, in a few seconds). Then, in one run:

- Bench unaffected: a writer beside it commits 20 readings every 50 ms, as a bench does, for `--seconds` in each of three
  states, in turn, twice: alone; with the forwarder's own process (`baytrace forward run`) knocking at a server that is away;
  with that process catching up into a real VictoriaMetrics. Told: the rate kept, median and 99th percentile of a commit's time.
  The writer's journal is its own in the first state and the forwarded one in the others.
- Catch-up: a fresh forwarder sends the whole journal into a fresh, empty server, confirming as it goes. Told: readings a second
  from the first to the last confirmation (each confirmation is a barrier at the server and a read-back of every row).
- Nothing missing, nothing twice: every reading the server exports, channel by channel, is compared with the journal: as many,
  at the same milliseconds, with the same values in SI. Any difference ends the run with exit 1.

The server runs beside on the same machine and takes its share of it. Compare figures within one run only.

Once, on two shared processors with a load average of 15 from other work: 1,744,080 readings in 15.5 s, 112,500 readings/s, none
missing, none twice; the bench kept its 400 readings/s in every state, commits not slower with the forwarder than without.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import contextlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baytrace.forward.cursor import CursorFile
from baytrace.forward.forwarder import Forwarder
from baytrace.forward.server import Server
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import SqliteJournal, open_journal
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from timeserver import TimeServer

NS = 10**9
CHANNELS = [f"c{i}" for i in range(20)]
BENCH = """
[bench]
name = "bay-1"
[forward]
url = "{url}"
[[instrument]]
name = "gauge"
adapter = "line"
port = "socket://127.0.0.1:9"
[[instrument.channel]]
role = "system_pressure"
unit = "Pa"
field = 0
"""


def declared(time_ns: int) -> list[Event]:
    unit, accuracy = unit_for(Role.SUCTION_LINE, "degC"), Accuracy.parse("1 degC")
    said = [Channel(name, Role.SUCTION_LINE, unit, accuracy, "clamps").to_json() for name in CHANNELS]
    return [
        Event(time_ns, 1, "channel_declared", "", {"version": i + 1, "channel": each}) for i, each in enumerate(said)
    ]


def fill(folder: Path, hours: float) -> int:
    """The readings of an outage; how many."""
    seconds = int(hours * 3600)
    start = time.time_ns() - (seconds + 600) * NS
    with open_journal(folder, clock=SystemClock()) as journal:
        journal.append([], declared(start)).result()
        for first in range(0, seconds, 1000):
            second = np.repeat(np.arange(first, min(first + 1000, seconds)), len(CHANNELS))
            place = np.tile(np.arange(len(CHANNELS)), len(second) // len(CHANNELS))
            wall = start + second * NS + place * 1_000_000
            value = np.round(20.0 + place + np.sin(second / 600.0), 2)
            journal.append_columns(CHANNELS, value, wall, wall - start + 1, place=place).result()
    return seconds * len(CHANNELS)


class Writing:
    """A bench's commits: 20 readings every 50 ms for a while; how long each took (ms), and the rate kept."""

    def __init__(self, journal: SqliteJournal, seconds: float) -> None:
        self.times: list[float] = []
        begin = time.perf_counter()
        due = begin
        while due < begin + seconds:
            time.sleep(max(due - time.perf_counter(), 0.0))
            now, mono = time.time_ns(), time.monotonic_ns()
            called = time.perf_counter()
            journal.append([Raw(name, 20.0, now, mono) for name in CHANNELS]).result()
            self.times.append((time.perf_counter() - called) * 1e3)
            due += 0.05
        self.rate = len(self.times) * len(CHANNELS) / (time.perf_counter() - begin)

    def told(self) -> str:
        ordered = sorted(self.times)
        high = ordered[int(0.99 * len(ordered))]
        return f"{self.rate:6.1f} readings/s, commit median {statistics.median(ordered):6.2f} ms, 99 % {high:7.2f} ms"


@contextlib.contextmanager
def forwarding(folder: Path, url: str) -> Iterator[None]:
    """The forwarder's own process on the journal in `folder`, as the daemon runs it."""
    file = folder / "bench.toml"
    file.write_text(BENCH.format(url=url))
    command = [sys.executable, "-m", "baytrace", "forward", "run", "--config", str(file)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 120.0
        while time.monotonic() < end:
            cursor = CursorFile(folder / "journal").read()
            if cursor.sent or cursor.state == "waiting for the server":
                break
            time.sleep(0.02)
        yield
    finally:
        process.terminate()
        process.wait(60)


def beside(folder: Path, server: TimeServer, seconds: float) -> None:
    with open_journal(folder / "alone", clock=SystemClock()) as journal:
        if journal.head() is None:
            journal.append([], declared(time.time_ns())).result()
        print(f"  alone                          {Writing(journal, seconds).told()}", flush=True)
    with open_journal(folder / "journal", clock=SystemClock()) as journal:
        with forwarding(folder, "http://127.0.0.1:9"):
            print(f"  with a server that is away     {Writing(journal, seconds).told()}", flush=True)
        for left in (folder / "journal").glob("forward*"):
            left.unlink()
        with forwarding(folder, server.url):
            before = CursorFile(folder / "journal").read().sent
            told = Writing(journal, seconds).told()
            sent = CursorFile(folder / "journal").read().sent - before
            print(f"  with the forwarder catching up {told}; {sent:,} rows sent meanwhile", flush=True)
        for left in (folder / "journal").glob("forward*"):
            left.unlink()


def catch_up(folder: Path, server: TimeServer, total: int) -> None:
    with JournalReader(folder / "journal") as journal:
        made = Forwarder(journal, "bay-1", Server(server.url), CursorFile(folder))
        begin = time.perf_counter()
        made.run(threading.Event(), until_done=True)
        took = time.perf_counter() - begin
    cursor = made.cursor
    print(f"catch-up: {cursor.confirmed:,} rows confirmed in {took:.1f} s: {total / took:,.0f} readings/s")
    print(f"  sent again {cursor.resent}, set aside {cursor.quarantined}, not sendable {cursor.unsendable}")


def exported(server: TimeServer, channel: str) -> tuple[np.ndarray, np.ndarray]:
    """(ms, value in K) of every sample of a channel, in order of time; doubles are kept."""
    match = f'{{__name__="reading_value",channel="{channel}"}}'
    query = urllib.parse.urlencode({"match[]": match, "start": "1970-01-01T00:00:00Z", "end": "2100-01-01T00:00:00Z"})
    times, values = [], []
    with urllib.request.urlopen(f"{server.url}/api/v1/export?{query}") as answer:
        for line in answer:
            row = json.loads(line)
            times += row["timestamps"]
            values += row["values"]
    order = np.argsort(times, kind="stable")
    return np.array(times, np.int64)[order], np.array(values)[order]


def compare(folder: Path, server: TimeServer) -> bool:
    """Whether the export equals the journal."""
    urllib.request.urlopen(server.url + "/internal/force_flush").close()
    kept: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {name: [] for name in CHANNELS}
    with JournalReader(folder / "journal") as journal:
        for chunk in journal.columns():
            for version in np.unique(chunk.columns.version).tolist():
                own = chunk.columns.version == version
                name = journal.channel_name(version)
                kept[name].append((chunk.columns.wall_ns[own] // 1_000_000, chunk.columns.value[own] + 273.15))
    missing = twice = wrong = count = 0
    for name, parts in kept.items():
        times, values = (np.concatenate(each) for each in zip(*parts, strict=True))
        got_times, got_values = exported(server, name)
        count += len(times)
        missing += len(np.setdiff1d(times, got_times))
        twice += len(got_times) - len(np.unique(got_times))
        if len(times) == len(got_times) and np.array_equal(times, got_times):
            wrong += int((np.abs(values - got_values) > 1e-9).sum())
        else:
            wrong += abs(len(times) - len(got_times))
    print(f"export against journal: {count:,} readings, {missing} missing, {twice} twice, {wrong} different")
    return not (missing or twice or wrong)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0, help="how long the server was away")
    parser.add_argument(
        "--seconds", type=float, default=15.0, help="how long the bench's commits are timed in each state"
    )
    given = parser.parse_args()
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        total = fill(folder / "journal", given.hours)
        size = (folder / "journal" / "journal.sqlite").stat().st_size
        print(f"a journal of {given.hours:g} h without server: {total:,} readings, {size / total:.1f} bytes each")
        print("the bench's own commits, 400 readings/s asked for:")
        for turn in range(2):
            server = TimeServer(folder / f"beside-{turn}").start()
            try:
                beside(folder, server, given.seconds)
            finally:
                server.stop()
        server = TimeServer(folder / "fresh").start()
        try:
            with JournalReader(folder / "journal") as journal:
                total = sum(len(chunk.seq) for chunk in journal.columns())
            catch_up(folder, server, total)
            return 0 if compare(folder, server) else 1
        finally:
            server.stop()


if __name__ == "__main__":
    sys.exit(main())
