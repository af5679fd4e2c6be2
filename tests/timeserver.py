"""A real VictoriaMetrics on a free port, and a journal of a list, for the forwarder's tests."""

import shutil
import subprocess
import time
import urllib.request
from pathlib import Path

from servers import free_port, need


class TimeServer:
    """`start`, `kill` (as a crash), `stop` (in order)."""

    def __init__(self, folder: Path):
        self.folder, self.port = folder, free_port()
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
                "-retentionPeriod=100y",
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
