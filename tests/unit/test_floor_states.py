"""The floor makes one page of whatever a broker holds."""

import json
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.commands.floor import broker_section
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant
from baytrace.web import floor as floors
from baytrace.web.floor import Floor

STATE = {
    "state": "online",
    "bench": "bay-1",
    "session": {"id": "s", "title": "Job", "refrigerant": "R134a"},
    "watches": [
        {"watch": "evacuation", "phase": "hold", "sentence": "holding", "verdict": "undecided", "time_left_s": 3}
    ],
    "alarms": [{"name": "high", "state": "unacknowledged", "alarm": "x"}],
    "url": "http://10.0.0.5:8321/",
}


def said(**changes):
    return json.dumps(STATE | changes).encode()


def shown(floor):
    return floor.document()["benches"]


def test_a_bench_is_shown_with_its_session_watches_and_alarms():
    """What the bench says of itself is what the floor shows, under the name of its topic."""
    floor = Floor()
    floor.take("baytrace/bay-7/state", said())
    (row,) = shown(floor)
    assert (row["bench"], row["session"]["title"], row["watches"][0]["phase"]) == ("bay-7", "Job", "hold")
    assert row["alarms"][0]["name"] == "high"
    assert row["url"] == STATE["url"]


def test_the_last_will_takes_a_bench_offline_and_an_empty_state_takes_it_away():
    """`offline` keeps what was known and says so; a cleared topic is a bench that is no more."""
    floor = Floor()
    floor.take("baytrace/bay-1/state", said())
    floor.take("baytrace/bay-1/state", b"offline")
    assert (shown(floor)[0]["state"], shown(floor)[0]["session"]["title"]) == ("offline", "Job")
    floor.take("baytrace/bay-2/state", b"offline", retained=True)
    assert [row["state"] for row in shown(floor)] == ["offline", "offline"]
    floor.take("baytrace/bay-1/state", b"")
    assert [row["bench"] for row in shown(floor)] == ["bay-2"]


def test_a_retained_state_is_as_old_as_its_own_stamp():
    """A floor that starts late does not take an hour-old state for news."""
    floor = Floor()
    floor.take("baytrace/old/state", said(time=format_instant(time.time_ns() - 3600 * 10**9)), retained=True)
    floor.take("baytrace/young/state", said(time=format_instant(time.time_ns() - 3600 * 10**9)))
    ages = {row["bench"]: row["seen_s"] for row in shown(floor)}
    assert ages["old"] == pytest.approx(3600, abs=5)
    assert ages["young"] < 5


@given(
    st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(),
        lambda each: st.lists(each) | st.dictionaries(st.text(), each),
    ).map(lambda value: json.dumps(value).encode())
)
def test_nothing_a_topic_holds_breaks_the_page(payload):
    """Any bytes and any JSON are shown as a bench or counted as refused, and the page's frame stays strict JSON."""
    floor = Floor()
    floor.take("baytrace/good/state", said())
    floor.take("baytrace/odd/state", payload)
    document = json.loads(floor.frame().split("data: ")[1], parse_constant=pytest.fail)
    assert "good" in [row["bench"] for row in document["benches"]]


@pytest.mark.parametrize(
    "payload",
    [
        b"[" * 60_000,
        b'{"alarms":' * 6000,
        b'{"watches":[{"watch":"x","time_left_s":NaN}]}',
        b'{"session":[1]}',
        b"x" * 70_000,
    ],
)
def test_what_is_no_state_is_counted(payload):
    """Too deep, not a number, of another shape or too large: refused, and counted where people see it."""
    floor = Floor()
    floor.take("baytrace/bay-1/state", payload)
    assert (floor.refused, shown(floor)) == (1, [])


def test_a_link_that_is_no_web_address_is_not_shown():
    """Whoever may publish cannot put a script behind a bench's name."""
    floor = Floor()
    floor.take("baytrace/bay-1/state", said(url="javascript:alert(1)"))
    assert shown(floor)[0]["url"] == ""


def test_the_number_of_benches_is_bounded(monkeypatch):
    """A broker gone wild fills the counter, not the memory; benches that are known go on."""
    monkeypatch.setattr(floors, "MOST_BENCHES", 3)
    floor = Floor()
    for number in range(10):
        floor.take(f"baytrace/bay-{number}/state", said())
    floor.take("baytrace/bay-1/state", said(session=None))
    assert (len(shown(floor)), floor.refused) == (3, 7)
    assert shown(floor)[1]["session"] is None


def test_long_texts_and_lists_are_cut():
    """A state is cut to a size a page can show."""
    floor = Floor()
    floor.take("baytrace/bay-1/state", said(alarms=[{"name": "x" * 2000}] * 20, stale=["c"] * 900))
    (row,) = shown(floor)
    assert len(row["alarms"][0]["name"]) == floors.MOST_TEXT
    assert len(row["stale"]) == floors.MOST_LISTED


@pytest.mark.parametrize(
    ("text", "url"),
    [("shop", "mqtt://shop"), ("10.0.0.2:1884", "mqtt://10.0.0.2:1884"), ("mqtts://shop:8883", "mqtts://shop:8883")],
)
def test_a_broker_is_named_as_people_write_it(text, url):
    """A host, a host with a port, or a whole address."""
    assert broker_section(text, "", "", None, None).url == url


@pytest.mark.parametrize("text", ["shop:0", "shop:x", "shop:99999", "http://shop", "kim:sesame@shop", ""])
def test_a_broker_that_is_none_is_refused_without_an_echo(text):
    """One line, and no password in it."""
    with pytest.raises(BadInput) as told:
        broker_section(text, "", "", None, None)
    assert "sesame" not in str(told.value)


def test_what_is_wrong_beside_the_address_is_said_itself():
    """A password without a user is no fault of the address."""
    with pytest.raises(BadInput, match="a password needs a username"):
        broker_section("shop", "", "SOME_VARIABLE", None, None)
