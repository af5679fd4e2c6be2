"""Ten thousand requests nobody means well with, against a real daemon that goes on measuring."""

import asyncio
import collections
import contextlib
import random
import socket
import sys
import threading
import time

import pytest

from baytrace.journal.reader import JournalReader
from baytrace.web.connections import HEAD_S, MOST_CONNECTIONS
from baytrace.web.stream import MOST_CLIENTS
from guarded_bench import GuardedBench
from hostile_client import Generator, answer_to, problem_of, status_of
from running_bench import GAUGE
from servers import eventually, pseudo_terminal

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(300),
    pytest.mark.skipif(sys.platform != "linux", reason="one machine plays many addresses: 127.0.0.0/8 is all loopback"),
]
REQUESTS = 10_000
BY_ITSELF = frozenset({"heartbeat", "stale", "alarm", "verdict", "link", "counted"})
"""Kinds of events a bench records without being told."""


class Feeding:
    """Writes a reading every 50 ms until it is left; `sent` counts them."""

    def __init__(self, gauge):
        self._gauge, self._stop, self.sent = gauge, threading.Event(), 0
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        while not self._stop.wait(0.05):
            with contextlib.suppress(OSError):
                self._gauge.write(b"512\n")
                self.sent += 1

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()


@pytest.fixture
def guarded(tmp_path):
    """(daemon, feeding) with a session running and its gauge heard."""
    with pseudo_terminal() as gauge, Feeding(gauge) as feeding:
        bench = GuardedBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            bench.session = bench.post("/api/sessions", {"title": "on"})["id"]
            bench.until(
                lambda: bench.channel("system_pressure")["count"]
            )  # what is written before the port is open is nobody's
            yield bench, feeding
        finally:
            bench.stop()


def told(bench):
    """Everything people or programs made the bench record."""
    with JournalReader(bench.folder / "journal") as journal:
        return [
            (event.kind, event.session, str(event.data)) for event in journal.events() if event.kind not in BY_ITSELF
        ]


def address(rng):
    return f"127.{rng.randrange(1, 255)}.{rng.randrange(256)}.{rng.randrange(1, 255)}"


async def barrage(bench, count, seed, hands=8):
    """`count` hostile requests from many addresses; what was answered, by kind and status, and what may not be."""
    made = Generator(seed, bench.tokens, bench.session, f"127.0.0.1:{bench.port}")
    left, rng = iter(range(count)), random.Random(seed)
    seen, wrong = collections.Counter(), []

    async def hand():
        for _ in left:
            kind, raw = made.request()
            answer = await answer_to(raw, "127.0.0.1", bench.port, address(rng))
            status = status_of(answer)
            seen[kind, status] += 1
            changed = kind not in ("traversal", "odd_headers", "method", "garbage") and 0 < status < 400
            leaks = b"Traceback" in answer or b"root:x:" in answer or b'"hash"' in answer
            if status >= 500 or changed or leaks:
                wrong.append((kind, status, raw[:300], answer[:600]))
            elif status >= 400 and not raw.startswith(b"HEAD"):
                assert problem_of(answer)["status"] == status, answer[:600]

    await asyncio.gather(*(hand() for _ in range(hands)))
    return seen, wrong


async def test_ten_thousand_hostile_requests_change_nothing(guarded):
    """No 500, no traceback, no file from outside, no event in the journal; meanwhile every reading is stored."""
    bench, feeding = guarded
    before, begun, stored = told(bench), feeding.sent, bench.channel("system_pressure")["count"]
    seen, wrong = await barrage(bench, REQUESTS, seed=20261125)
    assert not wrong, wrong[:5]
    assert sum(seen.values()) == REQUESTS
    sent = feeding.sent - begun
    assert told(bench) == before
    await eventually(lambda: bench.channel("system_pressure")["count"] - stored >= sent - 2, within_s=20)
    assert bench.get("/healthz")["ok"]
    assert "Traceback" not in bench.said()
    statuses = {status for _, status in seen}
    assert {401, 403, 404, 405, 413, 422} <= statuses, seen


async def test_ways_of_saying_nothing_hold_no_place(guarded):
    """Half-open connections, half a head, half a body: all ended in time, while others are served."""
    bench, feeding = guarded
    head = f"POST /api/marks HTTP/1.1\r\nHost: h\r\nAuthorization: Bearer {bench.tokens['bench']}\r\n"
    beginnings = [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: h\r\n", f"{head}Content-Length: 30\r\n\r\n{{".encode()]
    opened = [await asyncio.open_connection("127.0.0.1", bench.port) for _ in range(100)]
    for number, (_, writer) in enumerate(opened):
        writer.write(beginnings[number % len(beginnings)])
    begun, sent = time.monotonic(), feeding.sent
    assert (await asyncio.to_thread(bench.get, "/healthz"))["ok"]
    answers = await asyncio.wait_for(
        asyncio.gather(*(reader.read() for reader, _ in opened), return_exceptions=True), HEAD_S * 3
    )
    assert time.monotonic() - begun > HEAD_S * 0.9
    assert sum(isinstance(answer, bytes) and b" 408 " in answer for answer in answers) == 25
    for _, writer in opened:
        writer.close()
    assert feeding.sent > sent
    assert "Traceback" not in bench.said()


async def test_pipelined_requests_are_each_answered(guarded):
    """Fifty requests in one breath get fifty answers, in order, the changing ones among them refused."""
    bench, _ = guarded
    before = told(bench)
    get = b"GET /healthz HTTP/1.1\r\nHost: h\r\n\r\n"
    change = b'POST /api/marks HTTP/1.1\r\nHost: h\r\nContent-Length: 13\r\n\r\n{"text": "x"}'
    reader, writer = await asyncio.open_connection("127.0.0.1", bench.port)
    writer.write((get + change) * 25)
    answers = b""
    while answers.count(b"HTTP/1.1 ") < 50:
        answers += await asyncio.wait_for(reader.read(65536), 20)
    writer.close()
    assert [answers.count(b"HTTP/1.1 200"), answers.count(b"HTTP/1.1 401")] == [25, 25]
    assert told(bench) == before


async def test_thousands_of_stream_clients_cost_places_not_the_bench(guarded):
    """Two thousand ask for the stream: so many are served, the rest are told so or not let in; then places are free again."""
    bench, feeding = guarded
    request = f"GET /api/stream HTTP/1.1\r\nHost: h\r\nAuthorization: Bearer {bench.tokens['view']}\r\n\r\n".encode()
    statuses, writers = collections.Counter(), []

    async def client():
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", bench.port)
            writers.append(writer)
            writer.write(request)
            statuses[status_of(await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), 60))] += 1
        except (OSError, asyncio.IncompleteReadError):
            statuses[0] += 1

    stored, sent = (await asyncio.to_thread(bench.channel, "system_pressure"))["count"], feeding.sent
    for _ in range(10):
        await asyncio.gather(*(client() for _ in range(200)))
    assert statuses[200] == MOST_CLIENTS, statuses
    assert set(statuses) <= {0, 200, 503}
    assert sum(statuses.values()) == 2000
    assert statuses[0] < 2000 - MOST_CONNECTIONS // 2
    for writer in writers:
        writer.close()

    def served():
        try:
            return bench.ask("/healthz", role=None)[0] == 200
        except OSError:  # every connection was taken until those were closed
            return False

    await eventually(served, within_s=30)
    fed = feeding.sent - sent
    await eventually(lambda: bench.channel("system_pressure")["count"] - stored >= fed - 2, within_s=20)
    statuses.clear()
    await client()
    assert statuses == {200: 1}
    writers[-1].close()


def test_a_page_that_stands_still_loses_its_place(monkeypatch):
    """A peer that takes no data is disconnected by the kernel after the time set, also with its window shut."""
    from baytrace.web import connections

    if not hasattr(socket, "TCP_USER_TIMEOUT"):
        pytest.skip("this system has no TCP_USER_TIMEOUT")
    monkeypatch.setattr(connections, "STALLED_MS", 1000)
    with socket.socket() as listener, socket.socket() as client:
        connections.bound(listener)
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        client.connect(listener.getsockname())
        with listener.accept()[0] as served:
            served.settimeout(30)
            with pytest.raises(OSError, match="timed out"):
                served.sendall(bytes(64 * 1024 * 1024))
