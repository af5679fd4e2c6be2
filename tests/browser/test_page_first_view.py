"""What a page needs before it is of use, and what it draws of readings that are not there."""

import time

import pytest

from browser_kit import Technician, every_width
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(180)]

FIRST_VIEW_BYTES = 2_000_000


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """A job pulling down, ten times as fast as life."""
    with PlayedBench(tmp_path_factory.mktemp("running"), "healthy", rate=10.0) as bench:
        bench.post("/api/sessions", {"title": "Hose replaced", "refrigerant": "R134a", "plan": {"evacuation": {}}})
        bench.post("/api/marks", {"text": "pump on", "who": "Kim Aas"})
        bench.does("pump on")
        yield bench


def test_the_first_view_is_small(running, visit):
    """Everything that comes over the wire until the trend is drawn is less than 2 MB."""
    window = visit(running.url)
    measuring = window.context.new_cdp_session(window.page)
    measuring.send("Network.enable")
    received = []
    measuring.on("Network.dataReceived", lambda said: received.append(said["dataLength"]))
    measuring.on("Network.loadingFinished", lambda said: received.append(0))
    page = window.open("/")
    page.locator("canvas").first.wait_for()
    page.wait_for_timeout(1000)
    assert 100_000 < sum(received) < FIRST_VIEW_BYTES


@every_width
def test_the_page_is_of_use_before_its_charts(running, visit, width):
    """With the chart code held back, the sentence, the figure, the channels and the mark buttons are there and work."""
    window = visit(running.url, width)
    held = []
    window.page.route("**/bokeh/**", lambda route: held.append(route))  # noqa: PLW0108 - needs a Python function
    page = window.page
    page.goto("/", wait_until="commit")
    kim = Technician(window)
    kim.waits_for("pulling down|deep vacuum")
    assert any(character.isdigit() for character in kim.sentence())
    assert page.get_by_role("article").count() >= 10
    kim.marks("vacuum pump warm")
    assert page.locator("canvas").count() == 0
    running.until(lambda: "vacuum pump warm" in [m["text"] for m in running.get("/api/bench")["session"]["marks"]])
    end = time.monotonic() + 30
    while page.locator("canvas").count() == 0:  # one script is asked for after the other
        assert time.monotonic() < end, "the chart does not come, once it may"
        while held:
            held.pop().continue_()
        page.wait_for_timeout(100)
    assert window.complained() == []


def test_the_figure_is_read_from_five_metres(running, visit):
    """On the screen on the wall the deciding figure's digits are at least 24 mm high at 96 px an inch: 5 m at 1:200."""
    window = visit(running.url)
    window.open("/")
    kim = Technician(window)
    kim.waits_for("pulling down|deep vacuum")
    largest = window.page.evaluate(
        """() => Math.max(...[...document.querySelector("main").querySelectorAll("*")]
            .filter((node) => [...node.childNodes].some((part) => part.nodeType === 3 && /\\d/.test(part.data)) && node.checkVisibility())
            .map((node) => parseFloat(getComputedStyle(node).fontSize)))"""
    )
    digit_height_mm = largest * 0.72 / 96 * 25.4  # capitals and digits are 0.72 of the letters' size in the page's type
    assert digit_height_mm >= 24
    assert window.complained() == []


@pytest.mark.parametrize("reloaded", [False, True], ids=["live", "reloaded"])
def test_a_gap_is_drawn_as_a_gap_and_silence_is_said(running, visit, reloaded):
    """While a gauge is silent its tile says for how long; afterwards its line has a hole there, live and from the journal."""
    window = visit(running.url)
    page = window.open("/")
    kim = Technician(window)
    kim.waits_for("pulling down|deep vacuum")
    page.locator("canvas").first.wait_for()
    page.wait_for_timeout(12_000)  # two minutes of the bench's time
    running.disturb("silence", "vacuum gauge", 120)
    tile = page.get_by_role("article").filter(has_text="System pressure").first
    tile.get_by_text("no data for").wait_for(timeout=15_000)
    first = tile.inner_text()
    page.wait_for_timeout(2000)
    assert tile.inner_text() != first, "the silence grows as it is told"
    running.until(lambda: not running.channel("system_pressure")["stale"], 30)
    tile.get_by_text("no data for").wait_for(state="hidden")
    page.wait_for_timeout(8000)
    if reloaded:
        page.reload()
        page.locator("canvas").first.wait_for()
        page.wait_for_timeout(1500)
    holes = page.evaluate(HOLES)
    assert any(60_000 < wide < 240_000 for wide in holes), f"holes of {holes} ms in the line"
    assert window.complained() == []


HOLES = """
() => {
  const found = [];
  for (const each of window.Bokeh.documents) {
    for (const source of [...each.all_models].filter((model) => model.type === "ColumnDataSource" && model.data.x && model.data.y)) {
      const { x, y } = source.data;
      let last = null, broken = false;
      for (let i = 0; i < x.length; i += 1) {
        if (Number.isFinite(y[i])) {
          if (broken && last !== null) { found.push(x[i] - last); }
          last = x[i]; broken = false;
        } else { broken = true; }
      }
    }
  }
  return found;
}
"""
