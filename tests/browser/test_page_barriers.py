"""Every page at every width: no barrier that WCAG 2 A or AA names, nothing cut, overlapped, too small to hit or out of sight."""

import contextlib
import re

import pytest

from browser_kit import CALLS, WIDTHS, Technician
from page_checks import barriers, misfits
from played_bench import PlayedBench
from running_bench import GAUGE, RunningBench
from servers import free_port, mosquitto, pseudo_terminal

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(240)]


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A bench with a finished session, a running one with marks, an alarm that calls and one that was answered."""
    with PlayedBench(tmp_path_factory.mktemp("shop"), "healthy", rate=10.0, more=CALLS) as bench:
        plan = {"sweep": {"coils": 2, "low_ohm": 11.4, "high_ohm": 12.6}}
        first = bench.post("/api/sessions", {"title": "Injector coils", "vehicle": {"number": "BAY 7"}, "plan": plan})
        for coil in (1, 2):
            bench.post("/api/marks", {"text": f"coil {coil}", "who": "Kim Aas"})
            bench.does("coil", coil=coil, for_s=18, gap_s=8)
            bench.until(lambda: len(coils(bench)) == 2)
        bench.post(f"/api/sessions/{first['id']}/notes", {"text": "connector cleaned", "who": "Kim Aas"})
        bench.post(f"/api/sessions/{first['id']}/close", {"who": "Kim Aas", "comment": "done"})
        bench.post(f"/api/sessions/{first['id']}/sign-off", {"who": "Ola Berg", "comment": "agreed"})
        bench.finished = first["id"]
        bench.current = bench.post(
            "/api/sessions",
            {
                "title": "Compressor replaced",
                "vehicle": {"model": "Harrier estate, grey", "number": "BAY 104"},
                "refrigerant": "R134a",
                "label_g": 560,
                "people": ["Kim Aas"],
                "plan": {"evacuation": {"volume_l": 2.5}, "charge": {}, "pressures": {}, "sweep": {"coils": 4}},
            },
        )["id"]
        bench.post("/api/marks", {"text": "pump on", "who": "Kim Aas"})
        yield bench


def coils(bench):
    said = next(each for each in bench.get("/api/frame")["watches"] if each["watch"] == "sweep")
    return said["verdict"].get("coils", [])


@pytest.fixture
def idle(tmp_path):
    """A bench without a session."""
    with pseudo_terminal() as gauge:
        bench = RunningBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        bench.until(lambda: gauge.write(b"512\n") or bench.channel("system_pressure")["count"])
        try:
            yield bench
        finally:
            if bench.process is not None and bench.process.poll() is None:
                bench.stop()


def at_every_width(page):
    """Resizes the window from wide to narrow; yields after each."""
    for across, down in WIDTHS.values():
        page.set_viewport_size({"width": across, "height": down})
        page.wait_for_timeout(200)
        yield


class Faults:
    """Gathers what is wrong over many states, each at every width, so that one run tells all."""

    def __init__(self):
        self.found = []

    def look(self, page, what):
        for _ in at_every_width(page):
            self.found += [f"[{what}] {line}" for line in (*barriers(page), *misfits(page))]

    def none(self, window, *forgiven):
        assert not self.found, "\n" + "\n".join(sorted(set(self.found)))
        assert window.complained(*forgiven) == []


def live(page):
    page.get_by_role("status").filter(has_text="live").wait_for()


def test_the_bench_at_work_has_no_barrier(shop, visit):
    """Running session, calling alarm, its dialog, the dialog that ends the session."""
    window, faults = visit(shop.url), Faults()
    page, kim = window.open("/"), Technician(window)
    live(page)
    kim.calling("above a tenth").wait_for()
    page.wait_for_timeout(1500)  # the chart
    faults.look(page, "at work, alarm calls")
    kim.calling("above a tenth").get_by_role("button", name="Acknowledge").click()
    faults.look(page, "answering an alarm")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="End the session").click()
    faults.look(page, "ending")
    page.keyboard.press("Escape")
    for part in ("Charge", "Sweep", "Pressures"):
        kim.about(part)
        page.wait_for_timeout(700)
        faults.look(page, f"about {part}")
    faults.none(window)


def test_the_bench_at_rest_has_no_barrier(idle, visit):
    """No session; the form that starts one; and the bench gone."""
    window, faults = visit(idle.url), Faults()
    page = window.open("/")
    live(page)
    faults.look(page, "at rest")
    page.get_by_role("button", name="Start a session").click()
    page.get_by_role("dialog").get_by_role("checkbox").first.wait_for()
    faults.look(page, "form")
    page.keyboard.press("Escape")
    idle.kill()
    page.get_by_role("status").filter(has_text="connection lost").wait_for(timeout=8000)
    faults.look(page, "bench gone")
    faults.none(
        window, "ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED", "ERR_CONNECTION_RESET", "ERR_EMPTY_RESPONSE"
    )


def test_the_record_has_no_barrier(shop, visit):
    """The list of sessions, a finished and a running session's page, and one that does not exist."""
    window, faults = visit(shop.url), Faults()
    page = window.open("/sessions")
    page.get_by_role("link", name="Injector coils").wait_for()
    faults.look(page, "sessions")
    for session in (shop.finished, shop.current):
        page = window.open(f"/sessions/{session}")
        page.get_by_role("heading", name=re.compile("pass|undecided|fail|running")).first.wait_for()
        page.wait_for_timeout(1500)  # the pictures
        faults.look(page, "finished session" if session == shop.finished else "running session")
    faults.none(window)


def test_the_manual_has_no_barrier(shop, visit):
    """Every page the manual's own list leads to."""
    window, faults = visit(shop.url), Faults()
    page = window.open("/manual")
    listed = page.get_by_role("navigation").get_by_role("link").all()
    paths = sorted({path for link in listed if (path := link.get_attribute("href")).startswith("/manual")})
    assert len(paths) >= 5
    for path in paths:
        faults.look(window.open(path), path)
    faults.none(window)


@contextlib.contextmanager
def floor(port, broker):
    """`baytrace floor` beside a broker."""
    import subprocess
    import sys
    import time
    import urllib.request

    command = [sys.executable, "-m", "baytrace", "floor", "--broker", f"127.0.0.1:{broker}", "--port", str(port)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 30
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/api/floor", timeout=5).close()
                break
            except OSError:
                assert time.monotonic() < end, "the floor does not come up"
                time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(15)


def test_login_and_floor_have_no_barrier(shop, visit):
    """The page that asks for a token, and the page of all benches, empty and with one bench gone, which says since when."""
    import json

    from servers import publisher

    faults = Faults()
    login = visit(shop.url)
    faults.look(login.open("/login"), "login")
    with mosquitto() as broker, floor(free_port(), broker.port) as address:
        window = visit(address)
        page = window.open("/")
        page.get_by_text("No bench has published").wait_for()
        faults.look(page, "empty floor")
        state = {
            "state": "online",
            "session": {"id": "20260504T090000Z-compressor-replaced", "title": "Compressor replaced", "refrigerant": "R134a"},
            "url": "http://127.0.0.1:9/",
            "alarms": [{"name": "High side too high", "state": "unacknowledged"}],
            "watches": [{"watch": "evacuation", "phase": "hold", "verdict": "undecided", "sentence": "Holding vacuum", "time_left_s": 300}],
        }  # fmt: skip
        with publisher(broker.port) as client:
            client.publish("baytrace/bay-1/state", json.dumps(state), retain=True)
            client.publish("baytrace/bay-2/state", json.dumps({"state": "offline"}), retain=True)
            page.get_by_text("Holding vacuum").wait_for()
            page.get_by_text("last heard of").wait_for()
            assert page.title() == "⚠ 1 alarm · Floor"
            page.get_by_role("link", name="bay-1").focus()
            client.publish("baytrace/bay-1/state", json.dumps(state | {"alarms": []}), retain=True)
            page.wait_for_function("() => document.title === 'Floor'")
            assert page.evaluate("() => document.activeElement.innerText") == "bay-1", "the keyboard's place is kept"
        faults.look(page, "floor")
        faults.none(window)
    assert login.complained() == []
