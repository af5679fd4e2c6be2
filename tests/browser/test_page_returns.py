"""A page reloaded, a daemon killed and started again in the middle of a job: nothing is lost on the screen, and silence is said."""

import re
import time

import pytest

from browser_kit import CALLS, Technician
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(180)]

GONE = ("ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED", "ERR_CONNECTION_RESET", "ERR_EMPTY_RESPONSE")


@pytest.fixture
def job(tmp_path, visit):
    """A bench ten times as fast as life, pulling down, with a mark and an alarm; and the technician at its page."""
    with PlayedBench(tmp_path, "healthy", rate=10.0, more=CALLS) as bench:
        window = visit(bench.url)
        window.open("/")
        kim = Technician(window)
        kim.starts("Hose replaced", Vehicle_number="BAY 31", Refrigerant="R134a", Label_charge=560)
        kim.about("Evacuation")
        kim.marks("pump on")
        kim.calling("above a tenth").wait_for()
        bench.does("pump on")
        kim.waits_for("pulling down|pull-down")
        yield bench, window, kim


def on_screen(kim):
    """What must survive: session, marks, phase, figure's unit, alarms, channels."""
    page = kim.page
    page.get_by_role("status").filter(has_text="live").wait_for()
    page.get_by_role("list", name="Marks so far").get_by_role("listitem").first.wait_for()
    kim.about("Evacuation")
    kim.waits_for("pull|deep")
    marks = page.get_by_role("list", name="Marks so far").get_by_role("listitem").all_inner_texts()
    return {
        "job": page.get_by_text("Hose replaced").count() > 0 and page.get_by_text("BAY 31").count() > 0,
        "marks": [" ".join(line.split()) for line in marks],
        "channels": page.get_by_role("article").count(),
        "parts": page.get_by_role("region", name="Parts of the job").get_by_role("button").count(),
        "alarm": page.get_by_role("region", name="Alarms calling").get_by_text("above a tenth").count(),
    }


def drawn_points(page):
    """Points of the longest line that the trend holds."""
    return page.evaluate(
        """() => Math.max(0, ...(window.Bokeh ? window.Bokeh.documents : []).flatMap((each) => [...each.all_models])
            .filter((model) => model.type === "ColumnDataSource" && model.data.y).map((model) => model.data.y.length))"""
    )


def trend_is_drawn(page, least):
    end = time.monotonic() + 30
    while drawn_points(page) < least:
        assert time.monotonic() < end, f"the trend has {drawn_points(page)} points"
        page.wait_for_timeout(200)


def test_a_reload_loses_nothing(job):
    """Session, marks, alarm, phase and the trend since the session's start are back, and what was being written still stands."""
    bench, window, kim = job
    page = kim.page
    trend_is_drawn(page, 60)
    before, points = on_screen(kim), drawn_points(page)
    page.get_by_label("Another mark").fill("hose warm to the ha")
    page.reload()
    assert on_screen(kim) == before
    trend_is_drawn(page, points)
    assert page.get_by_label("Another mark").input_value() == "hose warm to the ha"
    bench.stop()
    assert window.complained(*GONE) == []


def test_a_killed_daemon_is_said_within_five_seconds_and_nothing_is_lost(job):
    """`connection lost` stands there within 5 s of the kill; once the daemon is back the page goes on by itself."""
    bench, window, kim = job
    page = kim.page
    trend_is_drawn(page, 60)
    before, points = on_screen(kim), drawn_points(page)
    page.get_by_label("Another mark").fill("hose warm to the ha")
    page.evaluate("() => { window.neverReloaded = true; }")
    asked = len(window.requests)
    bench.kill()
    killed = time.monotonic()
    page.get_by_role("status").filter(has_text="connection lost").wait_for(timeout=5000)
    assert time.monotonic() - killed < 5.0
    assert page.get_by_text("Hose replaced").count() > 0, "what was on the screen stays there"
    bench.start()
    page.get_by_role("status").filter(has_text="live").wait_for(timeout=20_000)
    assert on_screen(kim) == before
    trend_is_drawn(page, points)
    assert page.evaluate("() => window.neverReloaded"), "the page went on by itself"
    assert page.get_by_label("Another mark").input_value() == "hose warm to the ha"
    again = [one for one in window.requests[asked:] if one.url.endswith("/api/stream")]
    assert again, "the stream was asked for again"
    assert re.fullmatch(r"\d+", again[-1].all_headers().get("last-event-id", "")), "and from where it had ended"
    kim.marks("isolated")
    bench.until(lambda: "isolated" in [mark["text"] for mark in bench.get("/api/bench")["session"]["marks"]])
    bench.stop()
    assert window.complained(*GONE) == []
