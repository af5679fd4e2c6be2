"""The floor beside a real broker and real benches."""

import contextlib
import json
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from baytrace.web.floor import MOST_CLIENTS
from baytrace.web.tokens import AccessRole, TokenFile
from running_bench import GAUGE, RunningBench
from servers import Mosquitto, free_port, mosquitto, pseudo_terminal, publisher

pytestmark = pytest.mark.server


class RunningFloor:
    """`baytrace floor` in a process of its own."""

    def __init__(self, folder, broker, *options):
        self.port, self.log = free_port(), folder / "floor.log"
        command = [sys.executable, "-m", "baytrace", "floor", "--broker", broker, "--port", str(self.port), *options]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def ask(self, path, headers=None):
        """(status, document)"""
        request = urllib.request.Request(self.url + path, headers=headers or {})
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:
                return answer.status, json.loads(answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.loads(error.read())

    def benches(self):
        return {row["bench"]: row for row in self.ask("/api/floor")[1]["benches"]}

    def until(self, condition, within_s=60.0):
        end = time.monotonic() + within_s
        while True:
            with contextlib.suppress(OSError, KeyError):
                if found := condition():
                    return found
            assert time.monotonic() < end, self.log.read_text()[-3000:]
            assert self.process.poll() is None, self.log.read_text()[-3000:]
            time.sleep(0.1)

    def stop(self):
        self.process.terminate()
        return self.process.wait(20)


@contextlib.contextmanager
def floor_beside(folder, broker, *options):
    made = RunningFloor(folder, broker, *options)
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.stop()


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_a_bench_comes_works_and_goes_on_the_floor(tmp_path):
    """A real daemon's session and link are shown; killed, it is offline by its last will; the broker's loss is said and mended."""
    broker = Mosquitto(tmp_path, persistent=True).start()
    try:
        text = f'[bench]\nname = "bay-7"\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\n'
        with pseudo_terminal() as gauge, floor_beside(tmp_path, f"127.0.0.1:{broker.port}") as floor:
            bench = RunningBench(tmp_path, text + GAUGE.format(port=gauge.name)).start()
            try:
                bench.post("/api/sessions", {"title": "Job 12"})
                row = floor.until(lambda: floor.benches()["bay-7"]["session"] and floor.benches()["bay-7"])
                assert (row["state"], row["session"]["title"]) == ("online", "Job 12")
                assert row["url"] == f"{bench.url}/"
                assert row["watches"][0]["watch"]
                bench.kill()
                floor.until(lambda: floor.benches()["bay-7"]["state"] == "offline")
            finally:
                bench.stop()
            broker.kill()
            floor.until(lambda: floor.ask("/healthz")[0] == 503)
            broker.start()
            floor.until(lambda: floor.ask("/healthz")[0] == 200)
            assert floor.benches()["bay-7"]["state"] == "offline"
            assert floor.stop() == 0
            assert "Traceback" not in floor.log.read_text()
    finally:
        broker.stop()


@pytest.mark.timeout(180)
def test_the_floor_bounds_its_streams_and_survives_what_topics_hold(tmp_path):
    """So many pages and no more, each given back; junk on the topics is counted and changes nothing else."""
    with mosquitto() as broker, floor_beside(tmp_path, f"127.0.0.1:{broker.port}") as floor:
        floor.until(lambda: floor.ask("/healthz")[0] == 200)
        with publisher(broker.port) as shop:
            shop.publish("baytrace/good/state", b'{"state": "online", "url": "http://10.0.0.5/"}', retain=True)
            shop.publish("baytrace/bad/state", b"[" * 50_000, b'{"session": 3}', b"\xff" * 100, b"x" * 70_000)
        floor.until(lambda: floor.ask("/api/floor")[1]["refused"] == 4)
        assert list(floor.benches()) == ["good"]
        with contextlib.ExitStack() as stack:
            for _ in range(MOST_CLIENTS):
                page = stack.enter_context(urllib.request.urlopen(floor.url + "/api/stream", timeout=10))
            assert page.readline() == b"event: frame\n"
            assert floor.ask("/api/stream")[0] == 503
        floor.until(lambda: _served(floor))
        described = floor.ask("/openapi.json")[1]["paths"]
        assert {"/api/floor", "/api/stream", "/healthz"} <= set(described)


def _served(floor):
    try:
        with urllib.request.urlopen(floor.url + "/api/stream", timeout=10) as page:
            return page.status == 200
    except urllib.error.HTTPError as error:
        error.close()
        return False


@pytest.mark.timeout(180)
def test_the_floor_is_shut_to_strangers(tmp_path):
    """Reached from outside it needs tokens as a bench does, made by the same command, and has a page to give one."""
    file = tmp_path / "floor-tokens.json"
    token = TokenFile(file).make("wall", AccessRole.VIEW)
    with mosquitto() as broker:
        options = ("--tokens", str(file), "--public", "https://floor.shop.example")
        with floor_beside(tmp_path, f"127.0.0.1:{broker.port}", *options) as floor:
            floor.until(lambda: floor.ask("/healthz")[0] == 200)
            assert floor.ask("/api/floor")[0] == 401
            assert floor.ask("/api/floor", {"Authorization": f"Bearer {token}"})[0] == 200
            with urllib.request.urlopen(
                urllib.request.Request(floor.url + "/", headers={"Accept": "text/html"})
            ) as page:
                assert page.url.endswith("/login")
