"""How the journal does beside plain SQLite, in one run: `python tests/benchmarks/journal_speed.py [--scale 1.0]`.

Method. Everything goes to fresh files in one temporary directory (`--in DIR` chooses the disk). Durable rates: batches of one
size are appended, as many in flight as the writer takes, until the last is on disk; beside it a plain script that commits
one `executemany` a batch with the same durability (WAL, synchronous=FULL) and no chain, index or sequence. Ways alternate,
three rounds, the median is told. Latency: appends at a steady pace, from the call to the done future. Size: bytes of the
file over readings, before and after sealing. Range: 10 minutes of one channel of a long journal, twenty places, cold cache
of ours, warm cache of the system. Compare figures within one run only: disks and neighbours differ.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import random
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import apsw
import numpy as np

from baytrace.journal import schema
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import SqliteJournal, open_journal
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw

CLOCK = SystemClock()
START_NS = 1_764_061_200_000_000_000
CHANNELS = 20


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


def rate_plain(directory: Path, readings: list[Raw], batch: int) -> float:
    directory.mkdir()
    db = apsw.Connection(str(directory / "plain.sqlite"))
    for pragma in ("journal_mode=WAL", "synchronous=FULL"):
        db.execute(f"PRAGMA {pragma}")
    db.execute("CREATE TABLE r(channel TEXT, value REAL, wall_ns INTEGER, mono_ns INTEGER, quality INTEGER)")
    begin = time.perf_counter()
    for i in range(0, len(readings), batch):
        with db:
            db.executemany("INSERT INTO r VALUES(?,?,?,?,?)", readings[i : i + batch])
    took = time.perf_counter() - begin
    db.close()
    return len(readings) / took


def rates(place: Path, scale: float) -> None:
    ways = {"journal rows": rate_rows, "journal columns": rate_columns, "plain SQLite": rate_plain}
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


def slowly_varying(journal: SqliteJournal, days: float, stamp_ns: int) -> int:
    """20 channels at 1 Hz, a commit a second, stamps with 0.2 ms of jitter; returns how many readings."""
    chance = np.random.default_rng(1)
    names = [f"c{i}" for i in range(CHANNELS)]
    place = np.arange(CHANNELS)
    walk = np.full(CHANNELS, 20.0)
    seconds = int(days * 86_400)
    future = None
    for second in range(seconds):
        walk += chance.normal(0.0, 0.02, CHANNELS)
        wall = START_NS + second * 10**9 + np.sort(chance.normal(5e5, 2e5, CHANNELS).astype(np.int64))
        wall = wall // stamp_ns * stamp_ns
        future = journal.append_columns(names, np.round(walk, 2), wall, wall - 10**18, place=place)
        if second % 5_000 == 0:
            future.result()
    if future is not None:
        future.result()
    return seconds * CHANNELS


def sizes_and_ranges(place: Path, days: float) -> None:
    directory = place / "long"
    with opened(directory) as journal:
        count = slowly_varying(journal, days, 1_000)
        while journal.health()["sealing_due"]:
            time.sleep(0.1)
    db = apsw.Connection(str(directory / schema.FILE))
    sealed, body = db.execute(
        "SELECT sum(readings), sum(length(heads) + length(lines) + length(body)) FROM blocks"
    ).fetchone()
    staged, rows = db.execute("SELECT sum(readings), sum(length(payload)) FROM commits").fetchone()
    db.execute("VACUUM INTO ?", (str(place / "compact.sqlite"),))
    db.close()
    whole = (place / "compact.sqlite").stat().st_size
    print(f"{days:g} days of {CHANNELS} channels at 1 Hz, stamps in us: {count:,} readings")
    print(
        f"  staged {rows / staged:.1f} bytes a reading, sealed {body / sealed:.2f} (blocks alone), whole file compacted {whole / count:.2f}"
    )
    spans = []
    with JournalReader(directory) as reader:
        chance = random.Random(2)
        for _ in range(20):
            begin_ns = START_NS + chance.randrange(int(days * 86_400) - 600) * 10**9
            begin = time.perf_counter()
            got = sum(1 for _ in reader.readings(f"c{chance.randrange(CHANNELS)}", begin_ns, begin_ns + 600 * 10**9))
            spans.append(time.perf_counter() - begin)
            assert 598 <= got <= 602
        spans.sort()
        print(f"  10 minutes of one channel: median {spans[10] * 1e3:.2f} ms, slowest {spans[-1] * 1e3:.2f} ms")
        for name, run in (("items", reader.items), ("columns", reader.columns)):
            begin = time.perf_counter()
            for _ in run(until=min(count, 1_728_000)):
                pass
            took = time.perf_counter() - begin
            print(f"  {name}: {min(count, 1_728_000) / took:,.0f} readings/s")


def main() -> None:
    ask = argparse.ArgumentParser(description="The journal beside plain SQLite.")
    ask.add_argument("--in", dest="place", type=Path, default=None, help="a directory on the disk to be measured")
    ask.add_argument("--scale", type=float, default=1.0, help="how much of each rate test")
    ask.add_argument("--days", type=float, default=30.0, help="length of the long journal")
    said = ask.parse_args()
    with tempfile.TemporaryDirectory(dir=said.place) as place:
        rates(Path(place), said.scale)
        latency(Path(place))
        sizes_and_ranges(Path(place), said.days)


if __name__ == "__main__":
    main()
