# ruff: noqa: T201 - what it prints is the result
"""A day of twenty channels at 1 Hz, compressed: does memory grow, how large is the file, does the log stay within bounds?

    python tests/benchmarks/soak.py [--hours 24] [--watches evacuation]

Method. The whole daemon (`Bench.running`: intake, journal on a real disk with fsync, interpretation, alarms with a limit, a running
session, heartbeats, statuses worked out) runs in this process on a clock that is moved on a second with every twenty readings, as
fast as the machine stores them; a commit holds one second. The bench sees 24 hours pass. A pull-down of two hours, then a hold.

- Memory: resident set after a collection, every half hour of the bench's time. The first quarter is left out of the slope (caches
  and windows fill). The slope is Theil and Sen's, with its 95 % interval, in MB a day; it counts as none when the interval holds
  zero or a week would add less than `HARMLESS_MB`.
- Log: for one hour of the bench's time another connection (of the same SQLite: two in one process void each other's locks) holds
  a read transaction open, so that the write-ahead log cannot be reset; the largest size of the log is told for that hour and for the rest. The bound is 64 MB.
- File: its size at the end, with all that is closed sealed, and bytes a reading.

Exit 1 when memory grows or the log passes its bound.
"""

import argparse
import asyncio
import contextlib
import gc
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from resume_speed import AUXILIARY, SHAPES, bench_toml, vacuum_pa
from scipy.stats import theilslopes

from baytrace.bench.config import load_config
from baytrace.bench.daemon import Bench
from baytrace.journal.schema import connect_reader
from baytrace.journal.verify import verify
from baytrace.measure.reading import Raw

START_NS = 1_764_061_200_000_000_000
HARMLESS_MB = 20.0
BOUND = 64 * 1024 * 1024
LIMIT = '[[limit]]\nchannel = "low_side"\nhigh = 352.0\nunit = "kPaa"\ndeadband = 1.0\n'


class PushedClock:
    """Time passes only when told; sleepers wake as it does."""

    def __init__(self):
        self.now_ns = 0
        self._sleepers = []

    def wall_ns(self):
        return START_NS + self.now_ns

    def mono_ns(self):
        return 10**12 + self.now_ns

    def real_seconds(self, seconds):
        return seconds

    async def sleep(self, seconds):
        future = asyncio.get_running_loop().create_future()
        self._sleepers.append((self.now_ns + int(seconds * 1e9), future))
        await future

    def push(self, seconds):
        self.now_ns += int(seconds * 1e9)
        due = [future for until, future in self._sleepers if until <= self.now_ns]
        self._sleepers = [each for each in self._sleepers if each[0] > self.now_ns]
        for future in due:
            if not future.done():
                future.set_result(None)


def resident_mb():
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def values(seconds):
    """One row of twenty numbers a second."""
    chance = np.random.default_rng(7)
    columns = [vacuum_pa(np.arange(seconds)) * (1.0 + 0.002 * chance.standard_normal(seconds))]
    columns += [centre + step * chance.standard_normal(seconds) for _, centre, step in SHAPES.values()]
    columns += [5.0 + 0.01 * np.cumsum(chance.standard_normal(seconds)) for _ in range(AUXILIARY)]
    return np.round(np.array(columns).T, 3)


async def soak(folder, hours, plan):
    file = bench_toml(folder)
    file.write_text(file.read_text() + LIMIT)
    config, clock = load_config(file), PushedClock()
    names = [channel.name for channel in config.channels]
    seconds = int(hours * 3600)
    table = values(seconds)
    log = folder / "journal" / "journal.sqlite-wal"
    memory, log_free, log_held, holder = [], 0, 0, None
    hold_from = seconds // 2
    async with Bench.running(config, clock) as bench:
        await bench.start_session({"plan": {name: {} for name in plan}, "refrigerant": "R134a", "label_g": 500.0})
        begun = time.monotonic()
        for second in range(seconds):
            if second in (0, 7_200):
                await bench.mark("isolated" if second else "pump on", "Ada")
            if second == hold_from:
                holder = connect_reader(folder / "journal" / "journal.sqlite")
                holder.execute("BEGIN")
                holder.execute("SELECT count(*) FROM commits").fetchone()
            if holder is not None and second == hold_from + 3600:
                holder.close()
                holder = None
            clock.push(1.0)
            wall, mono = clock.wall_ns(), clock.mono_ns()
            row = table[second].tolist()
            raws = [
                Raw(name, value, wall + i * 1000, mono + i * 1000)
                for i, (name, value) in enumerate(zip(names, row, strict=True))
            ]
            stored = asyncio.get_running_loop().create_future()
            await bench.take("wire", raws, lambda stored=stored: stored.set_result(None), ())
            await stored
            size = log.stat().st_size if second % 20 == 0 and log.exists() else 0
            log_free, log_held = (log_free, max(log_held, size)) if holder else (max(log_free, size), log_held)
            if second % 1800 == 0:
                memory.append((second / 3600, resident_mb()))
                if second % 7200 == 0:
                    done = time.monotonic() - begun
                    print(
                        f"  {second / 3600:4.1f} h: {memory[-1][1]:.1f} MB, log {log.stat().st_size / 1e6:.1f} MB, {done:.0f} s",
                        flush=True,
                    )
        for _ in range(600):
            if not bench.journal.health()["sealing_due"]:
                break
            await asyncio.sleep(0.1)
    return memory, log_free, log_held, seconds * len(names)


def main():
    ask = argparse.ArgumentParser(description="A day of twenty channels, compressed.")
    ask.add_argument("--hours", type=float, default=24.0)
    ask.add_argument("--watches", default="evacuation", help="the session's watches, separated by commas")
    said = ask.parse_args()
    print(f"{said.hours:g} h, watches {said.watches}, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        memory, log_free, log_held, readings = asyncio.run(soak(folder, said.hours, said.watches.split(",")))
        size = (folder / "journal" / "journal.sqlite").stat().st_size
        with contextlib.closing(connect_reader(folder / "journal" / "journal.sqlite")) as db:
            sealed, body = db.execute(
                "SELECT sum(readings), sum(length(heads) + length(lines) + length(body)) FROM blocks"
            ).fetchone()
        sound = verify(folder / "journal").ok
    settled = [each for each in memory if each[0] >= said.hours / 4]
    slope, _, low, high = theilslopes([mb for _, mb in settled], [hour for hour, _ in settled])
    slope, low, high = slope * 24, low * 24, high * 24
    grows = low > 0.0 and slope * 7 > HARMLESS_MB
    print(
        f"memory {settled[0][1]:.1f} -> {settled[-1][1]:.1f} MB; slope {slope:+.2f} MB a day (95 %: {low:+.2f} to {high:+.2f})"
    )
    print(
        f"file {size / 1e6:.1f} MB for {readings:,} readings: {size / readings:.2f} bytes each; sealed blocks {body / sealed:.2f}"
    )
    print(
        f"log: {log_free / 1e6:.1f} MB at most, {log_held / 1e6:.1f} MB with a reader open for an hour; chain sound: {sound}"
    )
    sys.exit(1 if grows or max(log_free, log_held) > BOUND or not sound else 0)


if __name__ == "__main__":
    main()
