"""Real daemons from a process that has everything imported already: a start costs a fork instead of seconds of imports.

`python nursery.py` reads one JSON object a line (`argv`, `env`, `log`, `faults`), forks a daemon for it and answers
`born PID`; `dead PID CODE` follows when it ends. A daemon is a process of its own, killed and ended as any other.
"""

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

from running_bench import RunningBench


class Child:
    """What a test needs of `subprocess.Popen`."""

    def __init__(self, nursery, pid):
        self._nursery, self.pid = nursery, pid

    def poll(self):
        self._nursery.listen(0.0)
        return self._nursery.ended.get(self.pid)

    def wait(self, timeout=60.0):
        end = time.monotonic() + timeout
        while (code := self.poll()) is None:
            if time.monotonic() > end:
                raise subprocess.TimeoutExpired("baytrace serve", timeout)
            self._nursery.listen(0.05)
        return code

    def send_signal(self, number):
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self):
        self.send_signal(signal.SIGTERM)

    def kill(self):
        self.send_signal(signal.SIGKILL)


class Nursery:
    """Use as a context; `launch` starts a daemon."""

    def __enter__(self):
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONWARNINGS": "default"},
        )
        self._left, self._born, self.ended = b"", [], {}
        return self

    def __exit__(self, *_):
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()

    def launch(self, argv, log, faults=None, env=None):
        wish = {"argv": argv, "env": env or {}, "log": str(log), "faults": faults or {}}
        self._process.stdin.write(json.dumps(wish).encode() + b"\n")
        self._process.stdin.flush()
        end = time.monotonic() + 120.0
        while not self._born:
            assert time.monotonic() < end, "no daemon was born"
            assert self._process.poll() is None, "the nursery ended"
            self.listen(0.1)
        return Child(self, self._born.pop())

    def listen(self, patience_s):
        while select.select([self._process.stdout], [], [], patience_s)[0]:
            data = os.read(self._process.stdout.fileno(), 65536)
            if not data:
                return
            *lines, self._left = (self._left + data).split(b"\n")
            for line in lines:
                what, pid, *code = line.decode().split()
                if what == "born":
                    self._born.append(int(pid))
                else:
                    self.ended[int(pid)] = int(code[0])
            patience_s = 0.0


class NurseryBench(RunningBench):
    """A daemon born in a nursery; `faults` are built into the next one that is launched."""

    def __init__(self, nursery, folder, config, extra=()):
        super().__init__(folder, config, extra)
        self._nursery, self.faults = nursery, {}

    def launch(self):
        self.log = (self.folder / "daemon.log").open("ab")  # closed by what ends the daemon
        argv = ["serve", "--config", str(self.file), *self._extra]
        self.process = self._nursery.launch(argv, self.folder / "daemon.log", self.faults, self.env)


def _serve(wish):
    """In the daemon's own process."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    log = os.open(wish["log"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    for number, to in ((os.open(os.devnull, os.O_RDONLY), 0), (log, 1), (log, 2)):
        os.dup2(number, to)
    os.environ |= wish["env"]
    sys.argv = ["baytrace", *wish["argv"]]
    from faulty_daemon import build_in

    build_in(wish["faults"])
    from baytrace.cli import main

    main()


def _bury(living, tell):
    with contextlib.suppress(ChildProcessError):
        while (found := os.waitpid(-1, os.WNOHANG)) != (0, 0):
            living.discard(found[0])
            tell(f"dead {found[0]} {os.waitstatus_to_exitcode(found[1])}")


def _keep():
    """Fork a daemon a line; end them all when nobody is left to ask."""
    from baytrace import cli, commands  # noqa: F401 - what every daemon needs is imported before it is born
    from baytrace.adapter import adapters
    from baytrace.commands import serve  # noqa: F401
    from baytrace.watches.watch import watches

    adapters(), watches()
    answers = os.dup(1)

    def tell(line):
        with contextlib.suppress(BrokenPipeError):
            os.write(answers, line.encode() + b"\n")

    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.set_wakeup_fd(wake)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    living, left = set(), b""
    while True:
        ready = select.select([0, woken], [], [])[0]
        if woken in ready:
            os.read(woken, 4096)
            _bury(living, tell)
        if 0 in ready:
            data = os.read(0, 65536)
            if not data:
                break
            *lines, left = (left + data).split(b"\n")
            for line in lines:
                pid = os.fork()
                if pid == 0:
                    for number in (answers, woken, wake):
                        os.close(number)
                    _serve(json.loads(line))
                    os._exit(0)
                living.add(pid)
                tell(f"born {pid}")
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    for pid in living:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    _keep()
