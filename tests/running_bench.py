"""A real daemon in a process of its own, as a shop runs it, and a plain way to talk to it."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

from servers import free_port

GAUGE = """
[[instrument]]
name = "vacuum gauge"
adapter = "line"
port = "{port}"
accuracy = "10 % of reading"
[[instrument.channel]]
role = "system_pressure"
unit = "micron"
field = 0
"""
"A vacuum gauge on a line, for the text of a bench.toml; `port` is filled in."


class RunningBench:
    """`baytrace serve` on a bench.toml. `config` is its text without [web]; a free port is added."""

    def __init__(self, folder: Path, config: str, extra=()):
        self.folder, self.port = folder, free_port()
        self.file = folder / "bench.toml"
        self.file.write_text(f"{config}\n[web]\nport = {self.port}\n")
        self._extra = list(extra)
        self.program = [sys.executable, "-m", "baytrace"]
        self.env = {}
        self.process = None

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def start(self, within_s=90.0):
        self.launch()
        return self.wait_up(within_s)

    def launch(self):
        self.log = (self.folder / "daemon.log").open("ab")
        command = [*self.program, "serve", "--config", str(self.file), *self._extra]
        self.process = subprocess.Popen(
            command, stdout=self.log, stderr=self.log, env=os.environ | {"PYTHONWARNINGS": "default"} | self.env
        )

    def wait_up(self, within_s=90.0):
        end = time.monotonic() + within_s
        while True:
            assert self.process.poll() is None, self.said()
            try:
                self.get("/healthz")
            except OSError:
                assert time.monotonic() < end, "the daemon does not come up"
                time.sleep(0.05)
            else:
                return self

    def said(self):
        return (self.folder / "daemon.log").read_text(errors="replace")[-4000:]

    def get(self, path, within_s=10.0):
        with urllib.request.urlopen(self.url + path, timeout=within_s) as answer:
            return json.loads(answer.read())

    def post(self, path, body):
        data = json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data, {"Content-Type": "application/json"})
        with urllib.request.urlopen(request, timeout=20) as answer:
            return json.loads(answer.read())

    def status_of(self, path, body=None, headers=None):
        """(status, document) of an answer that may be a problem."""
        data = json.dumps(body).encode() if body is not None else None
        request = urllib.request.Request(self.url + path, data, {"Content-Type": "application/json", **(headers or {})})
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, json.loads(answer.read() or b"null")
        except urllib.error.HTTPError as error:
            return error.code, json.loads(error.read() or b"null")

    def channel(self, name):
        return next(row for row in self.get("/api/channels") if row["name"] == name)

    def until(self, condition, within_s=60.0):
        end = time.monotonic() + within_s
        while not (found := condition()):
            assert time.monotonic() < end, f"did not happen in time; the daemon said:\n{self.said()}"
            time.sleep(0.05)
        return found

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.log.close()

    def stop(self, within_s=15.0):
        """End in order; the exit code."""
        if self.process is None:
            return None
        if self.process.poll() is None:
            self.process.terminate()
        code = self.process.wait(within_s)
        self.log.close()
        self.process = None
        return code
