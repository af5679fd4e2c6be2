"""What a person is writing on a session's page stays theirs while the record grows under it."""

import re

import pytest

from browser_kit import CALLS, Technician
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(150)]

WHAT_IS_FOCUSED = "() => [document.activeElement.id, document.activeElement.selectionStart]"


@pytest.fixture
def record(tmp_path, visit):
    """A running session of the healthy car, its page open; the bench and the page."""
    with PlayedBench(tmp_path, "healthy", rate=10.0, more=CALLS) as bench:
        window = visit(bench.url)
        window.open("/")
        kim = Technician(window)
        kim.starts("Hose replaced", Vehicle_number="BAY 31", Refrigerant="R134a", Label_charge=560)
        kim.page.get_by_role("link", name="Steps, sheet, verdicts").click()
        kim.page.get_by_role("heading", name="… still running").wait_for()
        yield bench, window, kim.page
        bench.stop()


def elsewhere(bench, page, text):
    """Another person marks something and ticks the first open step; wait until this page tells both."""
    session = bench.get("/api/bench")["session"]["id"]
    step = next(step for step in bench.get(f"/api/sessions/{session}")["steps"] if step["state"] == "open")
    bench.post("/api/marks", {"text": text, "who": "Lo"})
    bench.post(f"/api/sessions/{session}/steps", {"step": step["id"], "state": "done", "who": "Lo"})
    page.get_by_role("region", name="What happened").get_by_text(text).first.wait_for(timeout=20_000)
    page.get_by_role("listitem").filter(has_text=step["text"]).filter(has_text="✓ done").first.wait_for(timeout=20_000)


def test_a_note_being_written_keeps_its_words_and_the_caret(record):
    """Marks and steps of others appear while the field has the focus; letters go on landing where the caret was."""
    bench, window, page = record
    note = page.get_by_label("Note", exact=True)
    note.click()
    page.keyboard.type("hose is to the high side")
    for _ in range(len("high side")):
        page.keyboard.press("ArrowLeft")
    elsewhere(bench, page, "oil checked")
    assert page.evaluate(WHAT_IS_FOCUSED) == ["n-text", len("hose is to the ")]
    page.keyboard.type("warm ")
    assert note.input_value() == "hose is to the warm high side"
    page.get_by_role("button", name="Add note").click()
    page.get_by_role("listitem").filter(has_text="hose is to the warm high side").wait_for()
    assert note.input_value() == ""
    assert window.complained() == []


def test_a_figure_for_a_step_survives_the_steps_being_drawn_anew(record):
    """Written beside one step while another is ticked, here or elsewhere: words, caret and choice stay."""
    bench, window, page = record
    field = page.locator("#steps input").first
    place = field.get_attribute("id")
    field.click()
    page.keyboard.type("612")
    page.keyboard.press("ArrowLeft")
    page.get_by_label("Entry", exact=True).select_option(index=3)
    chosen = page.get_by_label("Entry", exact=True).input_value()
    field.click()
    page.keyboard.press("End")
    page.keyboard.press("ArrowLeft")
    elsewhere(bench, page, "first look")
    assert page.evaluate(WHAT_IS_FOCUSED) == [place, 2]
    assert field.input_value() == "612"
    page.get_by_role("button", name=re.compile("^(Done|Skip): ")).last.click()
    page.get_by_role("listitem").filter(has_text=re.compile("✓ done|– skipped")).nth(1).wait_for()
    assert field.input_value() == "612"
    assert page.get_by_label("Entry", exact=True).input_value() == chosen
    assert window.complained() == []
