"""Real counterparts for tests: a mosquitto broker on a free port, pseudo-terminals, and adapters run against them."""

import asyncio
import contextlib
import os
import pty
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
import tty
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from baytrace.adapter import ChannelRequest, Collector, adapter_named
from baytrace.measure.clock import SystemClock


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def need(program):
    """The program's path; where it is missing a user's machine skips and continuous integration fails."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{program} is not installed")
        pytest.skip(f"{program} is not installed")
    return found


async def eventually(condition, within_s=10.0, every_s=0.02):
    """Wait until `condition()` is true; fails after `within_s`."""
    end = time.monotonic() + within_s
    while not (found := condition()):
        assert time.monotonic() < end, "did not happen in time"
        await asyncio.sleep(every_s)
    return found


class Mosquitto:
    """A real broker with its default limits. `lines` are added to its configuration; `persistent` keeps state over a stop."""

    def __init__(self, folder, *, lines=(), persistent=False, port=None):
        self.folder, self.port = Path(folder), port or free_port()
        self._program = need("mosquitto")
        self._lines = [f"listener {self.port} 127.0.0.1", "allow_anonymous true", *lines]
        if persistent:
            self._lines += [
                "persistence true",
                f"persistence_location {self.folder}/",
                "autosave_on_changes true",
                "autosave_interval 1",
            ]
        self._process = None

    def start(self):
        """Start it and wait until it takes connections."""
        file = self.folder / "mosquitto.conf"
        user = ["user root"] if os.name == "posix" and os.geteuid() == 0 else []
        file.write_text("\n".join([*user, *self._lines]) + "\n")
        self._process = subprocess.Popen(
            [self._program, "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end = time.monotonic() + 5.0
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
            except OSError:
                assert time.monotonic() < end, "the broker does not start"
                time.sleep(0.02)
            else:
                return self

    def saves(self, topic, payload, within_s=20.0):
        """Have it save now, and wait until a message is on its disk: by itself it saves when it comes to it."""
        end = time.monotonic() + within_s
        self._process.send_signal(signal.SIGUSR1)
        while not any(f"{topic}{payload}".encode() in each.read_bytes() for each in self.folder.glob("*.db")):
            assert time.monotonic() < end, f"the broker did not save {payload!r}"
            time.sleep(0.05)

    def kill(self):
        """As a crash would."""
        self._process.kill()
        self._process.wait()

    def stop(self):
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(5)


@contextlib.contextmanager
def mosquitto(**keys):
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(folder, **keys).start()
        try:
            yield broker
        finally:
            broker.stop()


class Publisher:
    """A plain paho publisher on its own thread; `publish` waits until the broker has taken the messages (QoS 1)."""

    def __init__(self, port):
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(5000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(self, topic, *payloads, qos=1, retain=False, within_s=30.0):
        sent = [self._client.publish(topic, payload, qos, retain) for payload in payloads]
        for one in sent:
            one.wait_for_publish(within_s)
            assert one.is_published()

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def publisher(port):
    one = Publisher(port)
    try:
        yield one
    finally:
        one.close()


class Pty:
    """A pseudo-terminal: the test holds the instrument's end, the adapter opens `name`."""

    def __init__(self):
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)

    def write(self, data):
        os.write(self.master, data)

    def read(self):
        try:
            return os.read(self.master, 4096)
        except (BlockingIOError, OSError):  # nothing there, or nobody has the other end open
            return b""

    def unplug(self):
        if self.master >= 0:
            os.close(self.master)
            self.master = -1


@contextlib.contextmanager
def pseudo_terminal():
    one = Pty()
    try:
        yield one
    finally:
        one.unplug()


class Device:
    """Answers on a pty: `answer(bytes)` returns what to send back."""

    def __init__(self, terminal, answer):
        self.terminal, self._answer = terminal, answer
        self._task = asyncio.create_task(self._run())

    async def _run(self):
        while True:
            data = self.terminal.read()
            if data and (reply := self._answer(data)):
                self.terminal.write(reply)
            await asyncio.sleep(0.002)

    async def end(self):
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


@contextlib.asynccontextmanager
async def device(terminal, answer):
    one = Device(terminal, answer)
    try:
        yield one
    finally:
        await one.end()


def requests(kind, channels):
    """Channel requests from (name, unit, keys) triples."""
    keys = adapter_named(kind).ChannelKeys
    return [ChannelRequest(name, unit, keys(**own)) for name, unit, own in channels]


@contextlib.asynccontextmanager
async def running(kind, settings, channels, sink=None):
    """An adapter running against a real wire; yields its sink and checks that it ends in time and cleanly."""
    made = adapter_named(kind)
    sink = sink if sink is not None else Collector(SystemClock())
    adapter = made("under test", made.Settings(**settings), requests(kind, channels), sink)
    before = asyncio.all_tasks()
    task = asyncio.create_task(adapter.run())
    try:
        yield sink
        assert not task.done(), task
    finally:
        begun = time.monotonic()
        task.cancel()
        results = await asyncio.gather(task, return_exceptions=True)
        assert isinstance(results[0], asyncio.CancelledError), results
        assert time.monotonic() - begun < 1.0, "took too long to end"
        await asyncio.sleep(0)
        left = {one for one in asyncio.all_tasks() - before if not one.done() and "adapter" in repr(one)}
        assert not left, f"tasks left running: {left}"


@contextlib.contextmanager
def served(server):
    """A server of the standard library, answering from a thread of its own until left."""
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
