"""A real VictoriaMetrics on a free port, and a journal of a list, for the forwarder's tests."""

import shutil
import subprocess
import time
import urllib.request
from pathlib import Path

import numpy as np

from baytrace.journal.chain import Columns
from baytrace.journal.store import Stored
from baytrace.journal.stretch import Chunk
from servers import free_port, need


class TimeServer:
    """`start`, `kill` (as a crash), `stop` (in order)."""

    def __init__(self, folder: Path, retention="100y"):
        self.folder, self.port, self._retention = folder, free_port(), retention
        self._program = need("victoria-metrics")
        self._process = None

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def start(self):
        self._process = subprocess.Popen(
            [
                self._program,
                f"-storageDataPath={self.folder / 'data'}",
                f"-httpListenAddr=127.0.0.1:{self.port}",
                "-dedup.minScrapeInterval=1ms",
                f"-retentionPeriod={self._retention}",
                "-loggerLevel=ERROR",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end = time.monotonic() + 30.0
        while True:
            try:
                with urllib.request.urlopen(self.url + "/health", timeout=1.0):
                    return self
            except OSError:
                assert time.monotonic() < end, "the server does not start"
                time.sleep(0.05)

    def kill(self):
        self._process.kill()
        self._process.wait()

    def stop(self):
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
        shutil.rmtree(self.folder / "data", ignore_errors=True)


class ListJournal:
    """Just what the forwarder reads of a journal."""

    def __init__(self, items):
        self.all = list(items)

    def items(self, after=0, until=None):
        for item in self.all:
            if item.seq > after and (until is None or item.seq <= until):
                yield item

    def channel_name(self, version):
        return next(item.raw.channel for item in self.all if isinstance(item, Stored) and item.version == version)

    def columns(self, after=0, until=None):
        items = list(self.items(after, until))
        for start in range(0, len(items), 32_768):
            yield chunk_of(items[start : start + 32_768])


def chunk_of(items):
    """Items as a journal hands them out in columns."""
    stored = [item for item in items if isinstance(item, Stored)]
    raws = [item.raw for item in stored]
    columns = Columns.of(
        [item.version for item in stored],
        [raw.wall_ns for raw in raws],
        [raw.mono_ns for raw in raws],
        [raw.value for raw in raws],
        [raw.quality for raw in raws],
    )
    seqs = np.array([item.seq for item in stored], np.int64)
    return Chunk(seqs, columns, "b", [item for item in items if not isinstance(item, Stored)])
