"""What the page's own modules make of what the bench says: units, powers of ten, gaps."""

import pytest

from browser_kit import Technician, every_width
from page_checks import barriers, misfits
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(180)]

UNNAMED = """
[[limit]]
channel = "vent_air"
low = 90
"""


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """A job pulling down with a gauge that shows micron, and a limit that its shop gave no name."""
    with PlayedBench(tmp_path_factory.mktemp("running"), "healthy", rate=10.0, more=UNNAMED) as bench:
        begin(bench)
        bench.does("pump on")
        yield bench


def begin(bench):
    vehicle = {"model": "Estate " + "A" * 60, "number": "W" * 40}
    plan = {"evacuation": {}, "sweep": {"coils": 2}}
    bench.post("/api/sessions", {"title": "Hose replaced", "refrigerant": "R134a", "vehicle": vehicle, "plan": plan})
    bench.post("/api/marks", {"text": "pump on", "who": "Kim Aas"})


def end(bench):
    bench.post(f"/api/sessions/{bench.get('/api/bench')['session']['id']}/close", {"who": "Kim Aas", "comment": ""})


def test_a_vacuum_is_told_in_the_unit_its_gauge_shows(running, visit):
    """Sentence and figure say micron, as the tile does, and 500 for a target of 66.66 Pa; the bench itself says Pa."""
    window = visit(running.url)
    page = window.open("/")
    kim = Technician(window)
    running.until(lambda: any(" Pa" in each["sentence"] for each in running.get("/api/frame")["watches"]))
    said = kim.waits_for(r"\b500 micron")
    assert " Pa" not in said
    assert "micron" in page.get_by_role("article").filter(has_text="System pressure").first.inner_text()
    assert window.complained() == []


def test_a_limit_without_a_name_is_called_as_its_tile_is(running, visit):
    """The alarm of a nameless limit reads as people speak, with its unit as instruments write it."""
    window = visit(running.url)
    window.open("/")
    said = Technician(window).calling("Vent air").inner_text()
    assert "Vent air low" in said
    assert "below 90 °C" in said
    assert "vent_air" not in said


FIGURES = [
    # the value lies far below its interval's end, against which a limit is held
    (
        {"value": 7e-7, "low": 0.0, "high": 2.68e-5, "unit": "Pa*m3/s"},
        ("0.1", "×10⁻⁵ Pa·m³/s", "between 0 and 2.7 ×10⁻⁵ Pa·m³/s (95 %)"),
    ),
    ({"value": 2.0e-5, "low": 1.7e-5, "high": 2.3e-5, "unit": "Pa*m3/s"}, ("2.00", "×10⁻⁵ Pa·m³/s", None)),
    ({"value": 0.0, "low": 0.0, "high": 2.58e-5, "unit": "Pa*m3/s"}, ("< 2.58", "×10⁻⁵ Pa·m³/s", None)),
    ({"value": 5e-6, "low": 0.0, "high": 5e-3, "unit": "1"}, ("0", "", None)),
    ({"value": 0.01, "low": 0.008, "high": 0.012, "unit": "Pa/s"}, ("0.60", "Pa/min", None)),
    ({"value": 66.66, "unit": "Pa"}, ("66.66", "Pa", "")),
]


@pytest.mark.parametrize(("data", "shown"), FIGURES)
def test_a_figure_and_its_interval_share_one_power_of_ten(running, visit, data, shown):
    """What stands beside each other can be compared, a rate is told by the minute, and what is not measured is not shown."""
    page = visit(running.url).open("/")
    made = page.evaluate("async (data) => (await import('/static/format.js')).figure(data)", data)
    value, unit, interval = shown
    assert (made["value"], made["unit"]) == (value, unit)
    assert interval is None or made["interval"] == interval


def test_a_leak_is_written_in_the_power_of_ten_of_its_limit(running, visit):
    """However little is known yet, figure, interval and limit can be held against each other at a glance."""
    page = visit(running.url).open("/")
    made = page.evaluate(
        """async () => {
            const { figure, powerOf } = await import("/static/format.js");
            const allowed = { value: 5e-5, unit: "Pa*m3/s" }, power = powerOf(allowed.value);
            return [figure({ value: 0.0005, low: 0, high: 0.0075, unit: "Pa*m3/s" }, power), figure(allowed, power)];
        }"""
    )
    assert [each["value"] for each in made] == ["50", "5.00"]
    assert {each["unit"] for each in made} == {"×10⁻⁵ Pa·m³/s"}
    assert made[0]["interval"] == "between 0 and 750 ×10⁻⁵ Pa·m³/s (95 %)"


SAID = [
    ("evacuation", "Pulling down, 21018 Pa, target 67 Pa", "Pulling down, 157650 micron, target 500 micron"),
    ("evacuation", "steady rise 0.62 Pa/min, water unlikely", "steady rise 4.7 micron/min, water unlikely"),
    ("evacuation", "Air comes in at 1.2e-05 Pa m3/s", "Air comes in at 1.2e-05 Pa·m³/s"),
    (
        "charge",
        "low side still moving, up to 22 kPa to come, about 89 s more",
        "low side still moving, up to 0.22 bar to come, about 89 s more",
    ),
    ("charge", "low side 345 kPa absolute", "low side 345 kPa absolute"),
    ("pressure_hold", "falling 24 Pa/min at one temperature", "falling 24 Pa/min at one temperature"),
    ("sweep", "Steady at 12.64 ohm. Lift off.", "Steady at 12.64 Ω. Lift off."),
]


@pytest.mark.parametrize(("watch", "said", "read"), SAID)
def test_a_sentence_is_told_in_units_of_the_bench(running, visit, watch, said, read):
    """No more digits than were said; what cannot be read off one gauge alone stays as it was."""
    page = visit(running.url).open("/")
    told = """async ([watch, said]) => {
        const { allWatches } = await import("/static/watches.js"), { told } = await import("/static/units.js");
        await allWatches();
        const frame = await (await fetch("/api/frame")).json();
        return told(frame, { watch }, said);
    }"""
    assert page.evaluate(told, [watch, said]) == read


def test_no_data_is_hatched_from_the_last_reading_to_the_next(running, visit):
    """Readings without a value in the gap, or several breaks in it, do not leave a part of it looking measured."""
    page = visit(running.url).open("/")
    page.locator("canvas").first.wait_for()
    drawn = page.evaluate(
        """async () => {
            const { Panel } = await import("/static/panel.js"), { local } = await import("/static/plots.js");
            const channel = (await (await fetch("/api/channels")).json()).find((each) => each.role === "system_pressure");
            const panel = new Panel(window.Bokeh, { roles: ["system_pressure"] }, [{ ...channel, stale: false, bands: [] }]);
            panel.start = 0;
            panel.filled = true;
            const time_ms = [0, 1000, 2000, 90000, 91000, 200000, 201000];
            panel.take([], { [channel.name]: { time_ms, value: [50, 51, 52, null, null, 53, 54] } });
            panel.draw({ time: new Date(201000).toISOString(), session: null }, null);
            return { left: panel.holes.data.left, right: panel.holes.data.right, ends: [local(2000), local(200000)] };
        }"""
    )
    assert (drawn["left"], drawn["right"]) == ([drawn["ends"][0]], [drawn["ends"][1]])


def test_a_page_nobody_touched_says_that_it_is_mute(running, visit):
    """A browser lets a page be heard only after a touch: that is said before an alarm calls, and no longer than it is so."""
    page = visit(running.url).open("/")
    said = page.get_by_text("Muted until the page is touched once")
    said.wait_for()
    page.get_by_text("Sound when an alarm calls").click()
    said.wait_for(state="hidden")
    page.get_by_text("Sound when an alarm calls").click()
    page.wait_for_timeout(1500)
    assert not said.is_visible()


def test_the_next_job_begins_with_nothing_of_the_last(running, visit):
    """A page left open: neither the part somebody looked at nor what was marked last stands there when another session runs."""
    window = visit(running.url)
    page = window.open("/")
    kim = Technician(window)
    kim.about("Sweep")
    kim.waits_for("touch coil 1")
    kim.marks("hoses tight")
    page.get_by_text("✓ Marked: hoses tight").wait_for()
    end(running)
    kim.waits_for("no session is running")
    begin(running)
    kim.waits_for(r"\b500 micron")
    assert page.get_by_text("✓ Marked").filter(visible=True).count() == 0
    assert window.complained() == []


def test_a_coil_check_misses_no_refrigerant(running, visit):
    """The sheet of a job whose steps ask for no refrigerant and no oil does not list them as missing; that of another does."""
    page = visit(running.url).open(f"/sessions/{running.get('/api/bench')['session']['id']}")
    page.locator("#ledger").get_by_text("not entered yet").first.wait_for()
    end(running)
    coils = running.post("/api/sessions", {"title": "Coils checked", "plan": {"sweep": {"coils": 2}}})
    page = visit(running.url).open(f"/sessions/{coils['id']}")
    page.get_by_text("Steps of the job: 0 of").wait_for()
    assert page.locator("#ledger").inner_text() == ""
    end(running)
    begin(running)


def test_a_wide_fan_does_not_flatten_the_readings(running, visit):
    """Early in a hold the interval ahead is wide; the readings still fill a fifth of the picture."""
    page = visit(running.url).open("/")
    page.locator("canvas").first.wait_for()
    bottom, top = page.evaluate(
        """async () => {
            const { Panel } = await import("/static/panel.js");
            const found = (await (await fetch("/api/channels")).json()).find((each) => each.role === "system_pressure");
            const channel = { ...found, stale: false, bands: [], shown_scale: 1, shown_offset: 0 };
            const panel = new Panel(window.Bokeh, { roles: ["system_pressure"], fit: true }, [channel]);
            panel.start = 0;
            panel.filled = true;
            panel.take([], { [channel.name]: { time_ms: [0, 30000, 60000], value: [50, 75, 100] } });
            const curve = { role: "system_pressure", time_ms: [0, 60000, 90000], value: [50, 100, 125], low: [49, 99, 60], high: [51, 101, 9000] };
            panel.draw({ time: new Date(60000).toISOString(), session: null }, { curve, details: {} });
            return [panel.y.start, panel.y.end];
        }"""
    )
    assert (100 - 50) / (top - bottom) > 0.2


@every_width
def test_words_without_a_break_stay_on_the_page(running, visit, width):
    """A long number of a vehicle is broken, and a list of notes that scrolls can be reached by the keyboard."""
    session = running.get("/api/bench")["session"]["id"]
    for _ in range(3):
        running.post(f"/api/sessions/{session}/notes", {"text": "note " * 60 + "N" * 90, "who": "K" * 70})
    window = visit(running.url, width)
    for path in ("/", f"/sessions/{session}", "/sessions"):
        page = window.open(path)
        page.get_by_text("W" * 40).first.wait_for()
        page.wait_for_timeout(1500)
        assert [*misfits(page), *barriers(page)] == []


@every_width
def test_a_session_that_is_not_there_says_so_and_no_more(running, visit, width):
    """An address with a wrong name leads to one line, not to empty forms."""
    window = visit(running.url, width)
    page = window.open("/sessions/nothing")
    page.get_by_text("is not known here").wait_for()
    assert page.get_by_role("button").count() == 0
    assert [*misfits(page), *barriers(page)] == []


def test_a_balance_below_nothing_is_called_by_what_it_is(running, visit):
    """`31.5 g under the label`, and its interval turned with it; what is over stays over."""
    page = visit(running.url).open("/")
    turned = page.evaluate(
        """async () => { const { balance } = await import("/static/sheet.js");
            return [balance(["charged_over_label", { value: -31.5, low: -40.5, high: -22.5, unit: "g" }]),
                    balance(["charged_over_label", { value: 2, unit: "g" }])]; }"""
    )
    assert turned[0] == ["charged_under_label", {"value": 31.5, "low": 22.5, "high": 40.5, "unit": "g"}]
    assert turned[1] == ["charged_over_label", {"value": 2, "unit": "g"}]
