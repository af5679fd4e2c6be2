"""What marks say of engine speed, doors, air and blower."""

import pytest

from baytrace.watches.running.own_conditions import Conditions, History, is_work, same


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("engine idle", {"speed": "idle"}),
        ("engine fast", {"speed": "fast"}),
        ("raised speed 2000 rpm", {"speed": "2000 rpm"}),
        (
            "idle, doors open, recirculation, blower high",
            {"speed": "idle", "doors": "open", "air": "recirculation", "blower": "high"},
        ),
        ("doors closed, fresh air, blower low", {"doors": "shut", "air": "fresh air", "blower": "low"}),
        ("lunch", {}),
    ],
)
def test_a_mark_says_several_at_once(text, said):
    """Words of the trade, in any order."""
    assert Conditions().told(text).to_json() == said


def test_what_was_said_holds_until_something_else_is_said():
    """Doors stay as they were when the engine is started again; its speed does not."""
    after = Conditions().told("idle, doors open").told("engine off").told("engine on")
    assert after.to_json() == {"doors": "open"}
    assert after.told("doors shut").to_json() == {"doors": "shut"}


def test_a_later_word_counts_before_the_table():
    """`table conditions`, and then the engine is run faster."""
    now = Conditions().told("table conditions").told("engine fast")
    assert now.under({"speed": "idle", "doors": "open"}).to_json() == {"speed": "fast", "doors": "open"}


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("idle", "850 rpm", True),
        ("2000 rpm", "fast", True),
        ("idle", "fast", False),
        ("1500 rpm", "1600 rpm", True),
        ("1500 rpm", "2000 rpm", False),
    ],
)
def test_speeds_are_the_same_by_word_or_number(one, other, alike):
    """Idle is up to 1100 rpm; two numbers may differ by a tenth."""
    assert same("speed", one, other) is alike
    assert same("speed", other, one) is alike


def test_a_mark_that_comes_late_counts_from_its_own_instant():
    """Said after `engine fast`, for an instant before it: the fast part stays fast."""
    history = History()
    history.mark(10.0, "engine on")
    history.mark(300.0, "engine fast")
    history.mark(12.0, "engine idle")
    assert [history.at(time)[0].speed for time in (11.0, 13.0, 301.0)] == ["", "idle", "fast"]


def test_work_on_the_loop_is_counted():
    """Runs before and after it are of two states of the car."""
    history = History()
    for time_s, text in (
        (10.0, "engine on"),
        (90.0, "engine off"),
        (100.0, "recovered"),
        (200.0, "pump on"),
        (300.0, "engine on"),
    ):
        history.mark(time_s, text)
    assert [history.at(time)[1] for time in (11.0, 150.0, 301.0)] == [0, 1, 2]
    assert not is_work("engine fast")


def test_a_long_day_is_remembered_in_bounds():
    """Thousands of marks, and the newest conditions."""
    history = History()
    for number in range(3000):
        history.mark(float(number), "engine fast" if number % 2 else "engine idle, doors open")
    assert len(history._marks) <= 200
    assert history.at(1e9)[0].to_json() == {"speed": "fast", "doors": "open"}
