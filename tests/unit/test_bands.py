"""Limits drawn as bands beside the values they are for."""

import pytest

from baytrace.bench.live import Live
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.bands import band, bands_for, rule_bands
from baytrace.watches.limits import LimitEngine, parse_rules

AIR = 100_000.0


def channel(name, role, unit):
    return Channel(name, role, unit_for(role, unit), Accuracy.parse("1 % of reading"))


LOW = channel("low", Role.LOW_SIDE, "bar")
VAC = channel("vac", Role.SYSTEM_PRESSURE, "micron")


def bands_of(*tables):
    return rule_bands(LimitEngine(parse_rules(tables), [LOW, VAC]).followers, AIR)


def test_a_gauge_limit_is_drawn_against_the_atmosphere():
    """3 bar on a gauge is 4 bar absolute where the air has 1 bar."""
    (made,) = bands_of({"channel": "low", "name": "burst", "high": 3.0})
    assert made == {"channel": "low", "name": "burst", "kind": "limit", "low": None, "high": pytest.approx(400_000.0)}


def test_a_vacuum_unit_counts_the_other_way():
    """At most 20 inHg of vacuum means at least the rest of the atmosphere."""
    (made,) = bands_of({"channel": "low", "high": 20.0, "unit": "inHgv"})
    assert made["high"] is None
    assert made["low"] == pytest.approx(AIR - 20 * 3386.389, rel=1e-4)


def test_a_rate_or_silence_is_no_band():
    """Only levels can be drawn beside a value."""
    assert bands_of({"channel": "vac", "rate_high": 3.0}, {"channel": "low", "stale_after_s": 9.0}) == []


def test_bands_find_their_channel_by_name_or_role():
    """A rule's band is for its channel, a watch's for every channel of the role."""
    bands = [*bands_of({"channel": "low", "high": 3.0}), band(Role.SYSTEM_PRESSURE, "deep vacuum", None, 67.0)]
    assert [each["name"] for each in bands_for("low", "low_side", bands)] == ["limit"]
    assert [each["name"] for each in bands_for("vac", "system_pressure", bands)] == ["deep vacuum"]


def test_a_frame_carries_bands_and_focus():
    """What a page needs to draw limits and to know what is going on is in every frame."""
    live = Live([LOW, VAC])
    live.followers = LimitEngine(parse_rules([{"channel": "low", "high": 3.0}]), [LOW, VAC]).followers
    details = {"bands": [band(Role.SYSTEM_PRESSURE, "deep vacuum", None, 67.0)]}
    live.watches = [{"watch": "evacuation", "phase": "pull-down", "waiting_for": "deep vacuum", "details": details}]
    frame = live.frame(0, 0, AIR)
    assert {each["name"]: [b["name"] for b in each["bands"]] for each in frame["channels"]} == {
        "low": ["limit"],
        "vac": ["deep vacuum"],
    }
    assert frame["focus"]["watch"] == "evacuation"
