"""Forwarding to a real VictoriaMetrics, through crashes of it."""

import json
import threading
import time
import urllib.parse
import urllib.request

import pytest

from baytrace.forward.cursor import CursorFile
from baytrace.forward.forwarder import Forwarder
from baytrace.forward.server import Server, Unreachable
from baytrace.journal.store import Stored
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Event, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from timeserver import ListJournal, TimeServer

pytestmark = pytest.mark.server
NS = 10**9


def declared():
    channel = Channel(
        "vac", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, "Pa"), Accuracy.parse("1 Pa"), "gauge"
    )
    return Event(time.time_ns() - 7200 * NS, 1, "channel_declared", "", {"version": 1, "channel": channel.to_json()}, 1)


def readings(first, count, start_ns):
    return [Stored(first + i, Raw("vac", float(i), start_ns + i * 10**7, i, 0), 1, "b") for i in range(count)]


@pytest.fixture
def server(tmp_path):
    made = TimeServer(tmp_path / "vm").start()
    yield made
    made.stop()


def stored_times(server):
    """Every timestamp of reading values the server exports, as a list so that doubles show."""
    with urllib.request.urlopen(server.url + "/internal/force_flush"):
        pass
    query = urllib.parse.urlencode({"match[]": '{__name__="reading_value"}'})
    with urllib.request.urlopen(f"{server.url}/api/v1/export?{query}") as answer:
        return sorted(time for line in answer.read().splitlines() for time in json.loads(line)["timestamps"])


def expected_times(items):
    return [item.raw.wall_ns // 10**6 for item in items if isinstance(item, Stored)]


def forwarder(journal, server, folder):
    return Forwarder(journal, "bay-1", Server(server.url), CursorFile(folder), monotonic=lambda: 0.0)


def confirm(made):
    made._confirm_at = -1.0
    made.step()


def test_what_is_confirmed_is_what_the_server_has(server, tmp_path):
    """After a confirmation the export equals the journal, nothing missing and nothing twice."""
    journal = ListJournal([declared(), *readings(2, 20_000, time.time_ns() - 3600 * NS)])
    made = forwarder(journal, server, tmp_path)
    while made.step():
        pass
    confirm(made)
    assert made.cursor.confirmed_seq == 20_001
    assert stored_times(server) == expected_times(journal.all)


@pytest.mark.slow
def test_a_crash_after_204_loses_nothing(server, tmp_path):
    """Killed one second after each 204, ten times: the server ends up with all of it, once."""
    start = time.time_ns() - 3600 * NS
    journal = ListJournal([declared()])
    made = forwarder(journal, server, tmp_path)
    for turn in range(10):
        journal.all += readings(2 + turn * 500, 500, start + turn * 500 * 10**7)
        while made.step():
            pass
        time.sleep(1.0)
        server.kill()
        with pytest.raises(Unreachable):
            made.step()
        server.start()
    while made.step():
        pass
    confirm(made)
    assert made.cursor.confirmed_seq == 5001
    assert stored_times(server) == expected_times(journal.all)
    assert made.cursor.resent > 0


def test_an_outage_is_waited_out(server, tmp_path):
    """While the server is away the forwarder says so and keeps its place; then it catches up by itself."""
    journal = ListJournal([declared(), *readings(2, 100, time.time_ns() - 60 * NS)])
    server.kill()
    made = Forwarder(journal, "bay-1", Server(server.url), CursorFile(tmp_path))
    stop = threading.Event()
    running = threading.Thread(target=made.run, args=(stop,))
    running.start()
    try:
        end = time.monotonic() + 10
        while made.cursor.state != "waiting for the server":
            assert time.monotonic() < end
            time.sleep(0.02)
        server.start()
        while made.cursor.sent_seq < 101:
            assert time.monotonic() < end + 20
            time.sleep(0.02)
    finally:
        stop.set()
        running.join()
    assert "VictoriaMetrics" not in made.cursor.last_error


def test_another_process_goes_on_from_the_cursor(server, tmp_path):
    """A new forwarder starts at what was confirmed and sends the rest."""
    journal = ListJournal([declared(), *readings(2, 300, time.time_ns() - 600 * NS)])
    first = forwarder(journal, server, tmp_path)
    first.step()
    confirm(first)
    journal.all += readings(302, 300, time.time_ns() - 300 * NS)
    second = forwarder(journal, server, tmp_path)
    assert second.cursor.sent_seq == 301
    while second.step():
        pass
    confirm(second)
    assert stored_times(server) == expected_times(journal.all)
