"""Without a pointer: every control is reached by Tab, seen when it has the focus and left again; a whole session is worked that way."""

import re

import pytest

from browser_kit import CALLS, Technician
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(240)]

SHOP = """
[preset.coils]
title = "Two coils"
job = "Injector coils"
[preset.coils.plan]
sweep = { coils = 2, low_ohm = 11.4, high_ohm = 12.6 }
"""

SIGNATURE = """((node) => [node.tagName, node.id, node.getAttribute("aria-label"), node.textContent.replace(/[\\d.,]+/g, "").slice(0, 30)].join("|"))"""
"What a control is known by, also after the page has drawn it anew with newer figures."

FOCUSED = """
() => {
  const node = document.activeElement;
  if (!node || node === document.body) { return null; }
  const label = node.labels && node.labels[0] ? node.labels[0].innerText : "";
  const by = node.getAttribute("aria-labelledby") ? document.getElementById(node.getAttribute("aria-labelledby")).innerText : "";
  const image = node.querySelector("img[alt]") ? node.querySelector("img[alt]").alt : "";
  const name = (node.getAttribute("aria-label") || by || label || node.innerText.trim() || image || "").trim().replace(/\\s+/g, " ");
  const style = getComputedStyle(node), box = node.getBoundingClientRect();
  const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  const inView = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
  window.visited = (window.visited || new Set()).add(SIGNATURE(node));
  return { name, html: node.outerHTML.slice(0, 160), tag: node.tagName.toLowerCase(), type: node.type || "", ring, inView };
}
"""
MISSED = """
() => {
  const root = [...document.querySelectorAll("dialog[open]")].pop() || document.body;
  return [...root.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")]
    .filter((node) => !node.disabled && node.checkVisibility({ visibilityProperty: true }) && !window.visited.has(SIGNATURE(node)))
    .map((node) => `${node.tagName.toLowerCase()}#${node.id} ${(node.innerText || "").slice(0, 40)}`);
}
"""


FOCUSED, MISSED = (script.replace("SIGNATURE", SIGNATURE) for script in (FOCUSED, MISSED))


class Keys:
    """A keyboard, and eyes for where its focus stands."""

    def __init__(self, page):
        self.page = page

    def focused(self):
        return self.page.evaluate(FOCUSED)

    def to(self, name, tag="", most=160):
        """Tab until the control of that name (a pattern) has the focus."""
        wanted = re.compile(name, re.IGNORECASE)
        passed = []
        for _ in range(most):
            self.page.keyboard.press("Tab")
            found = self.focused()
            if found and wanted.search(found["name"]) and (not tag or found["tag"] == tag):
                assert found["ring"], f"the focus on {found['name']!r} cannot be seen"
                return
            passed.append(found and found["name"])
        raise AssertionError(f"{name!r} was not reached by Tab; passed {passed[:60]}")

    def types(self, label, words):
        self.to(label)
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(words)

    def press(self, name, key="Enter", tag=""):
        self.to(name, tag)
        self.page.keyboard.press(key)

    def round(self, most=300):
        """Tab from the top of the page until it comes round; every stop."""
        stops = []
        for _ in range(most):
            self.page.keyboard.press("Tab")
            found = self.focused()
            if found is None:
                if stops:
                    return stops
                continue
            stops.append(found)
        raise AssertionError(f"Tab never comes round; last stops {[stop['name'] for stop in stops[-8:]]}")


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with PlayedBench(tmp_path_factory.mktemp("keyboard"), "healthy", rate=10.0, more=SHOP + CALLS) as one:
        yield one


def checked_round(page):
    """Every control is a stop, each stop is seen, and Tab comes round."""
    stops = Keys(page).round()
    assert page.evaluate(MISSED) == []
    unseen = [stop["html"] for stop in stops if not stop["ring"] or not stop["inView"]]
    assert unseen == [], "the focus cannot be seen there"
    assert [stop["html"] for stop in stops if not stop["name"]] == [], "has no name"


def test_tab_reaches_everything_and_comes_round(bench, visit):
    """On the bench with a session, a session's page, the list and the manual: no control left out, no trap, focus seen."""
    session = bench.post("/api/sessions", {"title": "Tab through", "plan": {"evacuation": {}, "sweep": {"coils": 2}}})[
        "id"
    ]
    window = visit(bench.url)
    page = window.open("/")
    page.get_by_role("status").filter(has_text="live").wait_for()
    page.get_by_role("region", name="Parts of the job").wait_for()
    page.locator("canvas").first.wait_for()
    checked_round(page)
    for path in (f"/sessions/{session}", "/sessions", "/manual"):
        page = window.open(path)
        page.wait_for_timeout(1500)
        checked_round(page)
    bench.post(f"/api/sessions/{session}/close", {"who": "Kim Aas"})
    assert window.complained() == []


def test_a_dialog_keeps_the_focus_and_gives_it_back(bench, visit):
    """Tab stays among the form and the browser's own controls, never on the page behind; Escape returns to what opened it."""
    window = visit(bench.url)
    page = window.open("/")
    page.get_by_role("status").filter(has_text="live").wait_for()
    keys = Keys(page)
    keys.press("Start a session", tag="button")
    page.get_by_role("dialog").wait_for()
    for _ in range(80):
        page.keyboard.press("Tab")
        assert page.evaluate(
            "() => document.activeElement === document.body || Boolean(document.activeElement.closest('dialog'))"
        )
    page.keyboard.press("Escape")
    page.get_by_role("dialog").wait_for(state="hidden")
    assert keys.focused()["name"] == "Start a session"


def test_a_whole_session_by_keyboard_alone(bench, visit):
    """Started, marked, its alarm acknowledged, ended and signed without touching a pointer."""
    window = visit(bench.url)
    page = window.open("/")
    page.get_by_role("status").filter(has_text="live").wait_for()
    keys, kim = Keys(page), Technician(window)
    keys.press("^Start a session", tag="button")
    page.get_by_role("dialog").wait_for()
    keys.to("Start from", tag="select")
    page.keyboard.type("Two coils")
    keys.types("^Job", "Injector coils, by keyboard")
    keys.types("^Technician", "Kim Aas")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="End the session").wait_for()
    for coil in (1, 2):
        keys.types("Another mark", f"coil {coil}")
        page.keyboard.press("Enter")
        kim.sees(f"Marked: coil {coil}")
        bench.does("coil", coil=coil, for_s=18, gap_s=8)
        page.wait_for_timeout(3500)
    kim.calling("above a tenth").wait_for()
    keys.press("^Acknowledge", key="Space", tag="button")
    page.get_by_role("dialog").wait_for()
    keys.types("Your name", "Kim Aas")
    keys.types("^Comment", "loop is open")
    keys.press("^Acknowledge", tag="button")
    page.get_by_role("dialog").wait_for(state="hidden")
    assert "acknowledged" in kim.quiet("above a tenth").inner_text()
    keys.press("^End the session", tag="button")
    keys.types("^Comment", "done by keyboard")
    keys.press("^End it", tag="button")
    page.wait_for_url("**/sessions/*")
    page.get_by_role("link", name=re.compile("Trace pack")).wait_for()
    keys.types("^Comment", "agreed")
    keys.press("^Sign", tag="button")
    page.get_by_role("region", name="Sign-off").get_by_role("listitem").filter(has_text="agreed").wait_for()
    with page.expect_download(timeout=60_000) as coming:
        keys.press("Trace pack")
    assert coming.value.suggested_filename.endswith(".zip")
    assert window.complained() == []
