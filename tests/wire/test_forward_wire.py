"""Forwarding to a real VictoriaMetrics, through crashes of it."""

import json
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request

import pytest

from baytrace.forward.cursor import CursorFile
from baytrace.forward.forwarder import Forwarder
from baytrace.forward.server import Server, Unreachable
from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Event, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from running_bench import GAUGE, RunningBench
from servers import pseudo_terminal
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
    query = urllib.parse.urlencode({"match[]": '{__name__="reading_value"}', "end": "2100-01-01T00:00:00Z"})
    with urllib.request.urlopen(f"{server.url}/api/v1/export?{query}") as answer:
        return sorted(time for line in answer.read().splitlines() for time in json.loads(line)["timestamps"])


def stored_metric(server, name):
    """Labels of every series of that name."""
    with urllib.request.urlopen(server.url + "/internal/force_flush"):
        pass
    query = urllib.parse.urlencode({"match[]": f'{{__name__="{name}"}}', "end": "2100-01-01T00:00:00Z"})
    with urllib.request.urlopen(f"{server.url}/api/v1/export?{query}") as answer:
        return [json.loads(line)["metric"] for line in answer.read().splitlines()]


def expected_times(items):
    return [item.raw.wall_ns // 10**6 for item in items if isinstance(item, Stored)]


def forwarder(journal, server, folder):
    return Forwarder(journal, "bay-1", Server(server.url), CursorFile(folder), monotonic=lambda: 0.0)


def confirm(made):
    made.confirm()


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
    """Killed one second after each 204, ten times: within 60 s of its return the server has all of it, once."""
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
        back = time.monotonic()
    while made.step():
        pass
    confirm(made)
    assert time.monotonic() - back < 60.0
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
    assert made.cursor.resent == 0
    assert stored_times(server) == expected_times(journal.all)
    assert stored_metric(server, "reading_quality") == []


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


def test_alarms_verdicts_and_events_are_confirmed_too(server, tmp_path):
    """Names with every awkward sign come back as they were sent, so that the read-back finds them."""
    now = time.time_ns()
    alarm = {"alarm": 'low side, a=b \\ "c"/high', "state": "unacknowledged", "channel": "x y", "priority": "high"}
    verdict = {"watch": "evacuation", "final": True, "verdict": {"verdict": "pass", "finding": "leak and moisture"}}
    events = [
        Event(now, 1, "alarm", "s 1", alarm, 1),
        Event(now, 1, "verdict", "s 1", verdict, 2),
        Event(now, 1, "mark", "s 1", {"text": "pump on", "who": ""}, 3),
    ]
    made = forwarder(ListJournal(events), server, tmp_path)
    made.step()
    confirm(made)
    assert (made.cursor.confirmed, made.cursor.quarantined) == (3, 0)
    assert stored_metric(server, "alarm_active")[0]["alarm"] == alarm["alarm"]
    assert stored_metric(server, "verdict_final")[0]["finding"] == "leak and moisture"


def test_what_lies_outside_the_retention_holds_nothing_up(tmp_path):
    """Rows answered with 204 and dropped are set aside in plain sight; the others are confirmed; the start warns of it."""
    server = TimeServer(tmp_path / "vm", retention="1d").start()
    try:
        old = readings(2, 50, time.time_ns() - 40 * 24 * 3600 * NS)
        new = readings(52, 50, time.time_ns() - 60 * NS)
        made = forwarder(ListJournal([declared(), *old, *new]), server, tmp_path)
        assert any("retentionPeriod" in warning for warning in made.look())
        for _ in range(2):
            while made.step():
                pass
            with pytest.raises(Unreachable, match="not kept"):
                made.confirm()
        while made.step():
            pass
        made.confirm()
        assert made.cursor.confirmed_seq == 101
        assert made.cursor.quarantined == 50
        aside = [json.loads(line) for line in CursorFile(tmp_path).quarantine.read_text().splitlines()]
        assert [row["rows"] for row in aside] == [50]
        time.sleep(1.5)  # the server works its counters out once a second
        made._journal.all += readings(102, 1, time.time_ns())
        made.step()
        made.confirm()
        assert any("dropped" in warning for warning in made.cursor.warnings)
        assert stored_times(server) == expected_times([*new, made._journal.all[-1]])
    finally:
        server.stop()


def test_a_replay_brings_a_span_back_and_doubles_nothing(server, tmp_path):
    """What a new, empty server lacks of a span is there after a replay; what it has is folded."""
    start = time.time_ns() - 3600 * NS
    journal = ListJournal([declared(), *readings(2, 1000, start)])
    window = (start + 200 * 10**7, start + 500 * 10**7)
    for turn in range(2):
        made = Forwarder(journal, "bay-1", Server(server.url), CursorFile(tmp_path, f"replay-{turn}"), window=window)
        made.run(threading.Event(), until_done=True)
        assert made.cursor.confirmed == 300
    assert stored_times(server) == expected_times(journal.all)[200:500]


FORWARDED = """
[bench]
name = "bay-7"
[forward]
url = "{url}"
"""


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_the_daemon_itself_brings_everything_through_a_crash_of_the_server(server, tmp_path):
    """`[forward]` in bench.toml, the server killed in mid-flow: soon after its return its export equals the journal."""
    with pseudo_terminal() as gauge:
        running = RunningBench(tmp_path, FORWARDED.format(url=server.url) + GAUGE.format(port=gauge.name)).start()
        try:
            running.until(lambda: gauge.write(b"512\n") or running.get("/api/bench")["forward"]["sent"] > 20)
            server.kill()
            for _ in range(40):
                gauge.write(b"400\n")
                time.sleep(0.05)
            running.until(lambda: running.get("/api/bench")["forward"]["state"] == "waiting for the server")
            assert running.channel("system_pressure")["shown"] == 400.0
            server.start()
            back = time.monotonic()

            def equal():
                with JournalReader(tmp_path / "journal") as journal:
                    stored = [item for item in journal.items() if isinstance(item, Stored)]
                return len(stored) > 40 and len(stored_times(server)) == len(stored)

            running.until(equal, within_s=60.0)
            assert time.monotonic() - back < 60.0
            assert len(set(stored_times(server))) == len(stored_times(server))
            with urllib.request.urlopen(running.url + "/metrics") as answer:
                assert b'baytrace_forward_rows_total{what="sent"}' in answer.read()
            status = subprocess.run(
                [sys.executable, "-m", "baytrace", "forward", "status", "--json", "--config", str(running.file)],
                capture_output=True,
                check=True,
            )
            assert json.loads(status.stdout)["quarantined"] == 0
        finally:
            running.stop()
