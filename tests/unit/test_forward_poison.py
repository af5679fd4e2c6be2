"""Rows a server refuses, answers that ask for patience, and servers that say 204 and mean nothing."""

import http.server
import json
import re
import time
from email.utils import formatdate

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
from servers import served
from timeserver import ListJournal

ROLES = {1: ("vac", Role.SYSTEM_PRESSURE, "Pa"), 2: ("suction", Role.SUCTION_LINE, "K")}


class Picky(http.server.ThreadingHTTPServer):
    """Takes line protocol and answers 400 to a body with any line that matches `poison`; `answers` go first."""

    daemon_threads = True

    def __init__(self, poison="(?!)"):
        super().__init__(("127.0.0.1", 0), Handler)
        self.poison, self.taken, self.requests = re.compile(poison), [], 0
        self.answers = []

    @property
    def url(self):
        return f"http://127.0.0.1:{self.server_port}"


class Handler(http.server.BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def do_GET(self):
        self._answer(404)

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        self.server.requests += 1
        if self.server.answers:
            self._answer(*self.server.answers.pop(0))
        elif self.server.poison.search(body):
            self._answer(400)
        else:
            self.server.taken += body.splitlines()
            self._answer(204)

    def _answer(self, status, headers=()):
        self.send_response(status)
        for name, value in headers:
            self.send_header(name, value)
        if status != 204:
            self.send_header("Content-Length", "0")
        self.end_headers()


@pytest.fixture
def picky():
    with served(Picky()) as made:
        yield made


def journal(count):
    items = []
    for version, (name, role, unit) in ROLES.items():
        said = Channel(name, role, unit_for(role, unit), Accuracy.parse(f"1 {unit}"), "g").to_json()
        items.append(Event(10**9, 1, "channel_declared", "", {"version": version, "channel": said}, version))
    for seq in range(3, 3 + count):
        version = 1 + seq % 2
        items.append(Stored(seq, Raw(ROLES[version][0], float(seq), 10**18 + seq * 10**6, seq, 0), version, "b"))
    return ListJournal(items)


def forwarder(picky, folder, items):
    server = Server(picky.url)
    return Forwarder(items, "bay-1", server, CursorFile(folder))


def test_poison_rows_are_found_alone_and_set_aside(picky, tmp_path):
    """Two rows among a thousand are refused: they alone are kept aside, everything else arrives, and the cursor goes on."""
    picky.poison = re.compile(r"value=(333|700)\.0 ")
    made = forwarder(picky, tmp_path, journal(1000))
    while made.step():
        pass
    made.confirm()
    assert (made.cursor.quarantined, made.cursor.confirmed_seq) == (2, 1002)
    aside = [json.loads(line) for line in CursorFile(tmp_path).quarantine.read_text().splitlines()]
    assert [row["seq"] for row in aside] == [333, 700]
    assert len(set(picky.taken)) == 1000
    assert picky.requests < 100


def test_a_series_refused_whole_costs_few_requests(picky, tmp_path):
    """A server that refuses one channel takes the others, and is not asked once a row."""
    picky.poison = re.compile("channel=suction")
    made = forwarder(picky, tmp_path, journal(4000))
    while made.step():
        pass
    assert made.cursor.quarantined == 2000
    assert sum("channel=vac" in line for line in set(picky.taken)) == 2000
    assert picky.requests < 200


def test_rows_set_aside_are_counted_once(picky, tmp_path):
    """Sent again after a crash of the forwarder, the same poison is not another row."""
    picky.poison = re.compile(r"value=30\.0 ")
    first = forwarder(picky, tmp_path, journal(100))
    first.step()
    CursorFile(tmp_path).write(first.cursor)
    again = forwarder(picky, tmp_path, journal(100))
    again.step()
    assert again.cursor.quarantined == 1


@pytest.mark.parametrize("after", ["7", None])
def test_the_wait_a_server_asks_for_is_kept(picky, tmp_path, after):
    """`Retry-After` in seconds or as a date is what the error carries."""
    value = after or formatdate(time.time() + 60, usegmt=True)
    picky.answers = [(503, [("Retry-After", value)])]
    made = forwarder(picky, tmp_path, journal(10))
    with pytest.raises(Unreachable) as told:
        made.step()
    assert told.value.after_s == (7.0 if after else pytest.approx(60, abs=3))


def test_what_was_not_taken_is_sent_again_unchanged(picky, tmp_path):
    """After a refused connection or a 503 the very same lines are sent: no time is moved, no row marked."""
    picky.answers = [(503, ()), (429, ()), (500, ()), (200, ())]
    made = forwarder(picky, tmp_path, journal(50))
    for _ in range(4):
        with pytest.raises(Unreachable):
            made.step()
        assert made.cursor.sent == 0
    made.step()
    rows = [line for line in picky.taken if line.startswith("reading")]
    assert len(rows) == 50
    assert not any("quality" in line for line in rows)
    assert sorted(int(line.split()[-1]) for line in rows) == [10**18 + seq * 10**6 for seq in range(3, 53)]


def test_a_wrong_address_is_told_at_the_start(picky, tmp_path):
    """A server that refuses a plain row is no server for this, and the warning says so."""
    picky.poison = re.compile("baytrace_probe")
    assert "InfluxDB v2" in forwarder(picky, tmp_path, journal(1)).look()[0]


def test_no_token_is_in_what_is_told(picky, tmp_path):
    """Neither the error nor the cursor's file holds the token."""
    picky.answers = [(401, ())]
    made = Forwarder(journal(5), "b", Server(picky.url, token="sesame-open"), CursorFile(tmp_path))
    with pytest.raises(Unreachable) as told:
        made.step()
    CursorFile(tmp_path).write(made.cursor)
    assert "sesame" not in str(told.value) + CursorFile(tmp_path).file.read_text()
