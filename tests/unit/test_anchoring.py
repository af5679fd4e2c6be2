"""Which instant a start means, and what a clock that is set does to order and spans."""

import time
from itertools import pairwise

import pytest

from baytrace.bench.anchoring import UNKNOWN_NS, anchor
from baytrace.bench.watchdog import BusyDetector, StepDetector
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS, format_instant, parse_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Quality, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.evacuation.settings import EvacuationSettings

NOW = parse_instant("2026-11-25T09:00:00Z")
BOOTS = ("aaaaaaaa-1", "aaaaaaaa-2")
OTHER = ("aaaaaaaa-1", "bbbbbbbb-2")


class Clock:
    """Two clocks in a test's hand."""

    def __init__(self, wall_ns=NOW, mono_ns=500 * NS):
        self.wall, self.mono = wall_ns, mono_ns

    def wall_ns(self):
        return self.wall

    def mono_ns(self):
        return self.mono

    def passes(self, seconds, *, wall_s=None):
        self.mono += round(seconds * NS)
        self.wall += round((seconds if wall_s is None else wall_s) * NS)


def started(boots, wall_ns, mono_ns=900 * NS, *, steady=True):
    """The daemon was last heard of at NOW, when the monotonic clock showed 500 s."""
    return anchor(wall_ns=wall_ns, mono_ns=mono_ns, newest_ns=NOW, ahead_ns=NOW - 500 * NS, boots=boots, steady=steady)


@pytest.mark.parametrize("wall_ns", [NOW + 400 * NS, NOW - 3600 * NS, NOW + 4000 * NS, 0])
def test_a_daemon_started_again_knows_its_pause_from_the_steady_clock(wall_ns):
    """Wherever the wall clock was set meanwhile, 400 s are 400 s."""
    assert started(BOOTS, wall_ns) == (NOW + 400 * NS, False, "")


def test_a_machine_started_again_believes_a_clock_that_went_on():
    """The wall clock is all there is, and what it says later may be better."""
    found = started(OTHER, NOW + 60 * NS, 7 * NS)
    assert found.ns == NOW + 60 * NS
    assert found.unsure


def test_a_pause_of_unknown_length_is_too_long_for_any_hold():
    """A machine that begins in the past cannot say how long it was away: no default of a watch bridges what is counted."""
    found = started(OTHER, parse_instant("1970-01-01T00:00:20Z"), 20 * NS)
    assert found.ns == NOW + UNKNOWN_NS
    assert found.unsure
    assert "not known" in found.pause
    assert 10 * EvacuationSettings().max_gap_s < UNKNOWN_NS / NS


def test_the_fast_clock_of_a_demo_is_taken_at_its_word():
    """Its monotonic stamps do not go on from one run to the next."""
    assert started(BOOTS, NOW + 60 * NS, steady=False) == (NOW + 60 * NS, False, "")


@pytest.mark.parametrize("step_s", [3600, -3600, 1, -1, 0.6, 56 * 365 * 86400.0])
def test_a_step_is_told_once_and_bends_no_span(step_s):
    """An hour, a leap second either way, or from 1970 to now: one event, and readings keep their order and distance."""
    clock = Clock()
    steps = StepDetector(clock)
    unit = unit_for(Role.VENT_AIR, "degC")
    interpreter = Interpreter([Channel("vent", Role.VENT_AIR, unit, Accuracy.parse("1 % of reading"))])
    interpreter.anchor(clock.wall, clock.mono)
    seen, told = [], []
    for index in range(20):
        clock.passes(1.0, wall_s=1.0 + (step_s if index == 10 else 0.0))
        told.append(steps.look())
        seen.append(interpreter.reading(Raw("vent", 20.0, clock.wall, clock.mono)))
    assert [step for step in told if step] == [round(step_s * NS)]
    assert {after.time_ns - before.time_ns for before, after in pairwise(seen)} == {NS}
    assert not any(reading.quality & Quality.OUT_OF_ORDER for reading in seen)


def test_a_smeared_leap_second_is_no_step():
    """A time server that spreads the second over a day drifts the clock by 12 ppm: nothing to tell."""
    clock = Clock()
    steps = StepDetector(clock)
    for _ in range(86_400):
        clock.passes(1.0, wall_s=1.0 + 1.0 / 86_400)
        assert steps.look() == 0


@pytest.fixture
def local_time(monkeypatch):
    """The machine's own time zone, as a test sets it."""

    def become(zone):
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield become
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("zone", "start", "hours"),
    [
        ("Europe/Berlin", "2026-10-24T22:00:00Z", 25),
        ("Europe/Berlin", "2026-03-28T23:00:00Z", 23),
        ("America/New_York", "2026-11-01T04:00:00Z", 25),
    ],
)
def test_a_day_of_25_or_23_hours_is_told_in_utc(local_time, zone, start, hours):
    """Texts of instants, as exports and reports carry them, ascend, repeat no hour, and come back exactly."""
    local_time(zone)
    start_ns = parse_instant(start)
    instants = [start_ns + minute * 60 * NS for minute in range(hours * 60 + 1)]
    midnights = [time.localtime(ns // NS)[3:5] for ns in (instants[0], instants[-1])]
    assert midnights == [(0, 0), (0, 0)], "the day is not that long in this zone"
    texts = [format_instant(ns, 0) for ns in instants]
    assert texts == sorted(set(texts))
    assert [parse_instant(text) for text in texts] == instants


def test_a_bench_that_was_kept_waiting_says_so():
    """Looks that come in time tell nothing; one that comes ten seconds late says by how much, once."""

    class Steady:
        now_s = 0.0

        def mono_ns(self):
            return int(self.now_s * 1e9)

        def real_seconds(self, seconds):
            return seconds

    clock = Steady()
    busy = BusyDetector(clock, 1.0)
    told = []
    for now_s in (1.0, 2.1, 3.0, 14.0, 15.0):
        clock.now_s = now_s
        told.append(busy.look())
    assert told == [0.0, 0.0, 0.0, 10.0, 0.0]
