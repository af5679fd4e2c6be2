"""How the journal does beside plain SQLite, in one run: `python tests/benchmarks/journal_speed.py [--scale 1.0]`.

Method. Everything goes to fresh files in one temporary directory (`--in DIR` chooses the disk). Durable rates: batches of one
size are appended, as many in flight as the writer takes, until the last is on disk; beside it a plain script that commits
one `executemany` a batch with the same durability (WAL, synchronous=FULL) and no chain, index or sequence, and one with SQLite's
defaults. A batch of 1 is a commit a message. Ways alternate, three rounds, the median is told. Latency: appends at a steady pace,
from the call to the done future. Size: bytes of the file over readings, before and after sealing. Range: 10 minutes of one
channel of a long journal, twenty places, cold cache of ours, warm cache of the system. Beside both: `PLAIN_DAYS` of the same
readings in the tables and files a user would choose. Compare figures within one run only: disks and neighbours differ.

Goals stand beside their figures; exit 1 when one is missed.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import csv
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import apsw
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from baytrace.journal import schema
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import SqliteJournal, open_journal
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw

CLOCK = SystemClock()
START_NS = 1_764_061_200_000_000_000
CHANNELS = 20
SEALED_GOAL, RANGE_GOAL_MS = 3.0, 5.0
PLAIN_DAYS = 1.0


def opened(directory: Path) -> SqliteJournal:
    journal = open_journal(directory, clock=CLOCK)
    said = [
        Event(1, 1, "channel_declared", "", {"version": i + 1, "channel": {"name": f"c{i}"}}) for i in range(CHANNELS)
    ]
    if journal.head() is None:
        journal.append([], said).result()
    return journal


def raws(count: int) -> list[Raw]:
    return [Raw(f"c{i % CHANNELS}", 20.0 + (i % 977) / 100, START_NS + i * 1000, i * 1000) for i in range(count)]


def rate_rows(directory: Path, readings: list[Raw], batch: int) -> float:
    with opened(directory) as journal:
        begin = time.perf_counter()
        futures = [journal.append(readings[i : i + batch], []) for i in range(0, len(readings), batch)]
        for future in futures:
            future.result()
        return len(readings) / (time.perf_counter() - begin)


def rate_columns(directory: Path, readings: list[Raw], batch: int) -> float:
    names = [f"c{i}" for i in range(CHANNELS)]
    _, value, wall, mono, _ = (np.array(column) for column in zip(*readings, strict=True))
    place = np.arange(len(readings)) % CHANNELS
    with opened(directory) as journal:
        begin = time.perf_counter()
        futures = []
        for i in range(0, len(readings), batch):
            cut = slice(i, i + batch)
            futures.append(journal.append_columns(names, value[cut], wall[cut], mono[cut], place=place[cut]))
        for future in futures:
            future.result()
        return len(readings) / (time.perf_counter() - begin)


def rate_plain(directory: Path, readings: list[Raw], batch: int, pragmas: tuple[str, ...] = ()) -> float:
    directory.mkdir()
    db = apsw.Connection(str(directory / "plain.sqlite"))
    for pragma in pragmas:
        db.execute(f"PRAGMA {pragma}")
    db.execute("CREATE TABLE r(channel TEXT, value REAL, wall_ns INTEGER, mono_ns INTEGER, quality INTEGER)")
    begin = time.perf_counter()
    for i in range(0, len(readings), batch):
        with db:
            db.executemany("INSERT INTO r VALUES(?,?,?,?,?)", readings[i : i + batch])
    took = time.perf_counter() - begin
    db.close()
    return len(readings) / took


def rate_plain_wal(directory: Path, readings: list[Raw], batch: int) -> float:
    return rate_plain(directory, readings, batch, ("journal_mode=WAL", "synchronous=FULL"))


def rates(place: Path, scale: float) -> None:
    ways = {
        "journal rows": rate_rows,
        "journal columns": rate_columns,
        "plain SQLite": rate_plain_wal,
        "SQLite defaults": rate_plain,
    }
    print("durable readings/s       " + "".join(f"{way:>18}" for way in ways) + "   ratio rows/plain")
    for batch, count in ((1, 2_000), (10, 20_000), (100, 200_000), (1_000, 400_000)):
        readings = raws(int(count * scale))
        found: dict[str, list[float]] = {way: [] for way in ways}
        for turn in range(3):
            for way, run in ways.items():
                directory = place / f"rate-{batch}-{turn}-{way.replace(' ', '-')}"
                found[way].append(run(directory, readings, batch))
                shutil.rmtree(directory)
        middle = {way: statistics.median(values) for way, values in found.items()}
        print(
            f"  batches of {batch:<12}"
            + "".join(f"{middle[way]:18,.0f}" for way in ways)
            + f"   {middle['journal rows'] / middle['plain SQLite']:.2f}"
        )


def latency(place: Path) -> None:
    print("append -> durable, ms             p50       p99")
    for rate in (10, 100, 1_000):
        with opened(place / f"latency-{rate}") as journal:
            spans: list[float] = []
            begin = time.perf_counter()
            futures = []
            for i in range(min(rate * 4, 2_000)):
                time.sleep(max(0.0, begin + i / rate - time.perf_counter()))
                called = time.perf_counter()
                future = journal.append([Raw("c0", 1.0, START_NS + i, i)], [])
                future.add_done_callback(
                    lambda _, called=called, spans=spans: spans.append(time.perf_counter() - called)
                )
                futures.append(future)
            for future in futures:
                future.result()
        spans.sort()
        print(
            f"  {rate:>5} a second        {spans[len(spans) // 2] * 1e3:10.2f}{spans[len(spans) * 99 // 100] * 1e3:10.2f}"
        )


def seconds_of(days: float, a_commit: int) -> Iterator[tuple[Any, Any]]:
    """Values and stamps (UTC ns, us with 0.2 ms of jitter) of 20 slowly varying channels at 1 Hz, `a_commit` seconds at a time."""
    chance = np.random.default_rng(1)
    walk = np.full(CHANNELS, 20.0)
    for second in range(0, int(days * 86_400), a_commit):
        steps = walk + np.cumsum(chance.normal(0.0, 0.02, (a_commit, CHANNELS)), axis=0)
        walk = steps[-1]
        jitter = np.sort(chance.normal(5e5, 2e5, (a_commit, CHANNELS)).astype(np.int64), axis=1)
        stamps = START_NS + (second + np.arange(a_commit))[:, None] * 10**9 + jitter
        yield np.round(steps, 2).ravel(), stamps.ravel() // 1_000 * 1_000


def write_journal(journal: SqliteJournal, days: float, a_commit: int) -> int:
    """How many readings."""
    names, place = [f"c{i}" for i in range(CHANNELS)], np.tile(np.arange(CHANNELS), a_commit)
    for index, (values, stamps) in enumerate(seconds_of(days, a_commit)):
        future = journal.append_columns(names, values, stamps, stamps - 10**18, place=place)
        if index % 500 == 0:
            future.result()
    future.result()
    while journal.health()["sealing_due"]:
        time.sleep(0.1)
    return int(days * 86_400) * CHANNELS


TABLES = {
    "SQLite rows": ("CREATE TABLE r(channel INTEGER, wall_ns INTEGER, value REAL)", ""),
    "SQLite rows with an index": (
        "CREATE TABLE r(channel INTEGER, wall_ns INTEGER, value REAL)",
        "CREATE INDEX i ON r(channel, wall_ns)",
    ),
    "SQLite WITHOUT ROWID": (
        "CREATE TABLE r(channel INTEGER, wall_ns INTEGER, value REAL, PRIMARY KEY(channel, wall_ns)) WITHOUT ROWID",
        "",
    ),
}


def plain_sizes(place: Path) -> None:
    """Bytes a reading, and 10 minutes of a channel, of what a user would choose instead."""
    values, stamps = (np.concatenate(parts) for parts in zip(*seconds_of(PLAIN_DAYS, 600), strict=True))
    channel = np.tile(np.arange(CHANNELS), len(values) // CHANNELS)
    rows = list(zip(channel.tolist(), stamps.tolist(), values.tolist(), strict=True))
    file = place / "plain.csv"
    with file.open("w", newline="") as out:
        csv.writer(out).writerows(rows)
    print(f"  {'CSV':<34}{file.stat().st_size / len(rows):10.2f}")
    file = place / "plain.parquet"
    pq.write_table(pa.table({"channel": channel, "wall_ns": stamps, "value": values}), file, compression="zstd")
    print(f"  {'Parquet, zstd':<34}{file.stat().st_size / len(rows):10.2f}")
    for name, (table, index) in TABLES.items():
        file = place / f"{name.replace(' ', '-')}.sqlite"
        db = apsw.Connection(str(file))
        db.execute(table)
        with db:
            db.executemany("INSERT OR IGNORE INTO r VALUES(?, ?, ?)", rows)
            if index:
                db.execute(index)
        spans = looks(
            PLAIN_DAYS,
            lambda number, start_ns, end_ns, db=db: len(
                db.execute(
                    "SELECT wall_ns, value FROM r WHERE channel = ? AND wall_ns >= ? AND wall_ns < ?",
                    (number, start_ns, end_ns),
                ).fetchall()
            ),
        )
        db.close()
        print(f"  {name:<34}{file.stat().st_size / len(rows):10.2f}{spans[10] * 1e3:12.2f}{spans[-1] * 1e3:12.2f}")


def looks(days: float, count: Callable[[int, int, int], int]) -> list[float]:
    """Seconds that reading 10 minutes of a channel took at twenty places, sorted."""
    spans = []
    chance = random.Random(2)
    for _ in range(20):
        begin_ns = START_NS + chance.randrange(int(days * 86_400) - 600) * 10**9
        begin = time.perf_counter()
        got = count(chance.randrange(CHANNELS), begin_ns, begin_ns + 600 * 10**9)
        spans.append(time.perf_counter() - begin)
        assert 598 <= got <= 602
    return sorted(spans)


def sizes_and_ranges(place: Path, days: float, a_commit: int) -> bool:
    """Whether the goals are met."""
    directory = place / "long"
    with opened(directory) as journal:
        count = write_journal(journal, days, a_commit)
    db = apsw.Connection(str(directory / schema.FILE))
    sealed, body = db.execute(
        "SELECT sum(readings), sum(length(heads) + length(lines) + length(body)) FROM blocks"
    ).fetchone()
    staged, rows = db.execute("SELECT sum(readings), sum(length(payload)) FROM commits").fetchone()
    db.execute("VACUUM INTO ?", (str(place / "compact.sqlite"),))
    db.close()
    whole = (place / "compact.sqlite").stat().st_size
    print(f"{days:g} days of {CHANNELS} channels at 1 Hz, stamps in us, {a_commit} s a commit: {count:,} readings")
    print("                                    bytes each   10 min of one channel: median and slowest, ms")
    each = body / sealed
    with JournalReader(directory) as reader:
        spans = looks(
            days, lambda number, start_ns, end_ns: sum(1 for _ in reader.readings(f"c{number}", start_ns, end_ns))
        )
    print(f"  {'the journal, sealed':<34}{each:10.2f}{spans[10] * 1e3:12.2f}{spans[-1] * 1e3:12.2f}")
    if staged:
        print(f"  {'the journal, staged':<34}{rows / staged:10.2f}")
    print(f"  {'the journal, whole file compacted':<34}{whole / count:10.2f}")
    plain_sizes(place)
    met = each <= SEALED_GOAL and spans[10] * 1e3 < RANGE_GOAL_MS
    print(f"  goals: sealed at most {SEALED_GOAL:g} bytes, a range in less than {RANGE_GOAL_MS:g} ms: {told(met)}")
    with JournalReader(directory) as reader:
        for name, run in (("items", reader.items), ("columns", reader.columns)):
            begin = time.perf_counter()
            for _ in run(until=min(count, 1_728_000)):
                pass
            took = time.perf_counter() - begin
            print(f"  {name}: {min(count, 1_728_000) / took:,.0f} readings/s")
    return met


def told(met: bool) -> str:
    return "met" if met else "MISSED"


def main() -> None:
    ask = argparse.ArgumentParser(description="The journal beside plain SQLite.")
    ask.add_argument("--in", dest="place", type=Path, default=None, help="a directory on the disk to be measured")
    ask.add_argument("--scale", type=float, default=1.0, help="how much of each rate test")
    ask.add_argument("--days", type=float, default=30.0, help="length of the long journal")
    ask.add_argument("--commit", type=int, default=1, help="seconds of readings a commit of the long journal")
    said = ask.parse_args()
    with tempfile.TemporaryDirectory(dir=said.place) as place:
        rates(Path(place), said.scale)
        latency(Path(place))
        sys.exit(0 if sizes_and_ranges(Path(place), said.days, said.commit) else 1)


if __name__ == "__main__":
    main()
