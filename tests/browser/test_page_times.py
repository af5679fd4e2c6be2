"""Times on the pages on the day that has 25 hours: the hour that comes twice is told apart, and no line folds back."""

from itertools import pairwise

import pytest

from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.timeout(120)]

FIRST, SECOND = "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"
"""Half past two in Berlin, before and after the clocks are set back at three (IANA time zone database)."""
CLOCKS = """async times => {
  const { clock, day, minute, zone } = await import("/static/format.js");
  return [zone(), ...times.flatMap(time => [clock(time), minute(time), day(time)])];
}"""
AXIS = """async times => { const { local } = await import("/static/plots.js"); return times.map(time => local(Date.parse(time))); }"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with PlayedBench(tmp_path_factory.mktemp("times"), "healthy", rate=10.0) as one:
        yield one


def page_at(visit, bench, now):
    page = visit(bench.url, timezone_id="Europe/Berlin", locale="en-GB").open("/sessions")
    page.clock.set_fixed_time(now)
    return page


def test_before_the_change_the_bar_says_which_hour_it_is(visit, bench):
    """While summer time holds, an instant of summer time needs no word, one of winter time has its own."""
    said = page_at(visit, bench, FIRST).evaluate(CLOCKS, [FIRST, SECOND])
    assert said[0] == "UTC+2"
    assert said[1:3] == ["02:30:00", "02:30"]
    assert said[4:6] == ["02:30:00 UTC+1", "02:30 UTC+1"]


def test_after_the_change_the_hour_before_is_told_apart(visit, bench):
    """Marks of an hour ago would read as now: they say their offset; dates always do."""
    said = page_at(visit, bench, SECOND).evaluate(CLOCKS, [FIRST, SECOND])
    assert said[0] == "UTC+1"
    assert said[1:4] == ["02:30:00 UTC+2", "02:30 UTC+2", "25 Oct 2026, 02:30 UTC+2"]
    assert said[4:7] == ["02:30:00", "02:30", "25 Oct 2026, 02:30 UTC+1"]


def test_no_picture_folds_back(visit, bench):
    """On an axis an hour is an hour, whatever the clocks did in between."""
    at = page_at(visit, bench, SECOND).evaluate(AXIS, ["2026-10-25T00:00:00Z", FIRST, "2026-10-25T01:00:00Z", SECOND])
    assert [after - before for before, after in pairwise(at)] == [1_800_000] * 3


def test_the_bar_says_the_offset(visit, bench):
    """Beside the clock of the bench, for anybody to see."""
    page = visit(bench.url, timezone_id="Europe/Berlin", locale="en-GB").open("/")
    page.locator("#bench-time").filter(has_text="UTC+").wait_for()
