"""How fast a session exports and verifies, and that memory does not grow with its length.

Run: python tests/benchmarks/export_speed.py [--readings N] [--stored] [LENGTH ...]      (default lengths 100000 400000)

`--readings 10000000` compares that length with 1,000,000. With `--stored` the same readings are first put into a real journal,
2,000 a commit, and exported from that.

Method: export and verification of each length run in a process of their own, on a journal that makes its readings up as they
are asked for (so that the journal itself takes no memory). Peak memory is the process's own maximum resident set. What counts
is the comparison of the lengths within one run: time should grow as the length, memory should not. The slope is what a
million readings more cost in memory. A bar on stderr shows the progress that `export` and `verify` tell.
"""

import argparse
import itertools
import json
import math
import multiprocessing
import resource
import sys
import tempfile
import time
from contextlib import closing, nullcontext
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import Progress

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baytrace.journal.chain import GENESIS, Columns, digest_of, encode_payload
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Link, Stored
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw
from baytrace.records.exporting import export_session
from baytrace.records.verifying import verify_pack
from record_kit import CHANNELS, START_NS, Session

READINGS_A_COMMIT = 20
STORED_A_COMMIT = 2_000
NAMES = [channel.name for channel in CHANNELS if channel.name != "coil"]


class EndlessJournal:
    """A session of any length: its first commits kept, its readings worked out on request."""

    def __init__(self, readings):
        self.start = Session(plan={})
        self.events_kept = list(self.start.journal.kept)
        self.before = self.start.journal.chain
        self.commits = readings // READINGS_A_COMMIT
        self.first = len(self.events_kept) + 1
        self.last = self.first + self.commits * READINGS_A_COMMIT
        closing = START_NS + self.commits * 100_000_000
        data = {"who": "", "comment": "", "outcome": "pass"}
        self.closed = Event(closing, 0, "session_closed", self.start.id, data, self.last)
        self._head = None

    def commit(self, number):
        """The readings of commit `number` from 0."""
        seq = self.first + number * READINGS_A_COMMIT
        for n in range(READINGS_A_COMMIT):
            count = number * READINGS_A_COMMIT + n
            name = NAMES[count % len(NAMES)]
            stamp = count * 5_000_000
            value = 500.0 + 100.0 * math.sin(count / 5000.0) + (count * 7919 % 100) / 100.0
            version = next(i for i, channel in enumerate(CHANNELS, 1) if channel.name == name)
            yield Stored(seq + n, Raw(name, value, START_NS + stamp, 5_000_000 + stamp, 0), version, "boot-1")

    def items(self, after=0, until=None):
        until = self.last if until is None else until
        made = itertools.chain.from_iterable(self.commit(number) for number in range(self.commits))
        for item in itertools.chain(self.events_kept, made, [self.closed]):
            seq = item.seq
            if after < seq <= until:
                yield item

    def events(self, kinds=(), session="", after=0):
        for event in [*self.events_kept, self.closed]:
            if event.seq > after and (not kinds or event.kind in kinds) and (not session or event.session == session):
                yield event

    def links(self, first_commit=1, last_commit=None):
        yield from itertools.islice(self.before, first_commit - 1, last_commit)
        if last_commit is not None and last_commit <= len(self.before):
            return
        previous = self.before[-1].digest if self.before else GENESIS
        for number in range(self.commits + 1):
            commit = len(self.before) + 1 + number
            if number < self.commits:
                rows = list(self.commit(number))
                cells = [
                    (row.version, row.raw.wall_ns, row.raw.mono_ns, row.raw.value, row.raw.quality) for row in rows
                ]
                link = Link(commit, rows[0].seq, rows[-1].seq, rows[0].raw.wall_ns, "boot-1", "")
                payload = encode_payload(Columns.of(*zip(*cells, strict=True)))
            else:
                link = Link(commit, self.last, self.last, self.closed.time_ns, "boot-1", "")
                payload = encode_payload(Columns.of((), (), (), (), ()), [self.closed])
            previous = digest_of(previous, link, payload)
            if commit >= first_commit:
                yield link._replace(digest=previous)
            if last_commit is not None and commit >= last_commit:
                return

    def head(self):
        return self.before[-1]


def store(readings, directory):
    """The session in a real journal: its events as they are, its readings by columns."""
    made = EndlessJournal(readings)
    names = [channel.name for channel in CHANNELS if channel.name != "coil"]
    with closing(open_journal(directory, clock=SystemClock(), boot="boot-1")) as journal:
        for event in made.events_kept:
            journal.append([], [event]).result()
        for first in range(0, made.commits * READINGS_A_COMMIT, STORED_A_COMMIT):
            count = np.arange(first, min(first + STORED_A_COMMIT, made.commits * READINGS_A_COMMIT))
            stamp = count * 5_000_000
            value = 500.0 + 100.0 * np.sin(count / 5000.0) + (count * 7919 % 100) / 100.0
            kept = journal.append_columns(names, value, START_NS + stamp, 5_000_000 + stamp, place=count % len(names))
        kept.result()
        journal.append([], [made.closed]).result()


def shown(task, bar):
    return lambda share, what: bar.update(task, completed=share, description=what)


def run(what, readings, pack, stored, pipe):
    """Seconds, processor seconds and peak MB of one step: putting into a journal, export or verification."""
    begin, busy = time.perf_counter(), time.process_time()
    with Progress(console=Console(stderr=True), transient=True) as bar:
        progress = shown(bar.add_task(what, total=1.0), bar)
        if what == "store":
            store(readings, stored)
        elif what == "export":
            with JournalReader(stored) if stored else nullcontext(EndlessJournal(readings)) as journal:
                made = export_session(journal, Session(plan={}).id, pack.parent, "pack", progress)
            assert made == pack, made
        else:
            report = verify_pack(pack, progress=progress)
            assert report.good, report.summary()
    pipe.send(
        {
            f"{what}_s": time.perf_counter() - begin,
            f"{what}_cpu_s": time.process_time() - busy,
            f"{what}_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
    )


def in_a_process(what, readings, pack, stored):
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=run, args=(what, readings, pack, stored, there))
    process.start()
    there.close()
    found = here.recv()
    process.join()
    return found


def measure(readings, *, real=False):
    with tempfile.TemporaryDirectory() as folder:
        pack = Path(folder) / f"{Session(plan={}).id}.zip"
        stored = Path(folder) / "journal" if real else None
        found = {"readings": readings}
        if stored:
            found |= in_a_process("store", readings, pack, stored)
            found["journal_mb"] = sum(file.stat().st_size for file in stored.iterdir()) / 1e6
        found |= in_a_process("export", readings, pack, stored)
        found["pack_mb"] = pack.stat().st_size / 1e6
        return found | in_a_process("verify", readings, pack, stored)


def main(lengths, *, real):
    results = []
    for readings in lengths:
        results.append(measure(readings, real=real))
        sys.stdout.write(json.dumps({name: round(value, 2) for name, value in results[-1].items()}) + "\n")
        sys.stdout.flush()
    first, last = results[0], results[-1]
    for name in first:
        sys.stdout.write(f"{name}: {last[name] / first[name]:.2f} times\n")
    more = (last["readings"] - first["readings"]) / 1e6
    for name in ("export_mb", "verify_mb"):
        sys.stdout.write(f"{name}: {(last[name] - first[name]) / more:+.2f} MB a million readings\n")


def asked():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("lengths", nargs="*", type=int, metavar="LENGTH")
    parser.add_argument("--readings", type=int, help="compare this length with 1,000,000")
    parser.add_argument("--stored", action="store_true", help="from a real journal")
    said = parser.parse_args()
    return [1_000_000, said.readings] if said.readings else said.lengths or [100_000, 400_000], said.stored


if __name__ == "__main__":
    wanted, from_a_journal = asked()
    main(wanted, real=from_a_journal)
