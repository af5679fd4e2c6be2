"""A hold of a day: what the watch keeps stays the same, and so does what it says when played again."""

import gc
import pickle
import tracemalloc

import numpy as np
import pytest

import hold_traces as traces
from baytrace.watches.evacuation import assess

HOUR_S = 3600


def day(from_h, to_h):
    """Readings every six seconds, with strays, a silence each hour and a thermometer."""
    rng = np.random.default_rng(21)
    for second in range(from_h * HOUR_S, to_h * HOUR_S, 6):
        if second % HOUR_S < 50:
            continue
        wild = 4000.0 if second % 996 == 0 else 0.0
        yield traces.pressure(second, 40.0 + 0.02 * second + wild + float(rng.normal()))
        if second % 30 == 0:
            yield traces.temperature(second, 295.0 + 1.5 * np.sin(second / 7000.0))


@pytest.mark.timeout(120)
def test_evacuation_keeps_no_more_after_a_day_than_after_two_hours():
    """The state of the watch, pickled, and the memory it takes up do not grow from hour 2 to hour 24 of one hold."""
    watch = traces.follow(traces.watch(phase="hold", hold_s=100_000.0), day(0, 2))
    early = len(pickle.dumps(watch))
    gc.collect()
    tracemalloc.start()
    traces.follow(watch, day(2, 13))
    gc.collect()
    middle, _ = tracemalloc.get_traced_memory()
    traces.follow(watch, day(13, 24))
    gc.collect()
    late, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert watch.hold is not None
    assert watch.hold.seconds > 23 * HOUR_S, watch.seen
    assert len(pickle.dumps(watch)) < 1.25 * early
    assert late < middle + 50_000


def test_evacuation_outlook_replays_to_the_bit():
    """An undecided hold, asked in between or not, ends in the same evidence and the same time still needed."""
    items = traces.hold(seconds=400.0, rate=0.06, noise=0.6)
    quiet = traces.follow(traces.watch(phase="hold", hold_s=390.0), items)
    asked = traces.watch(phase="hold", hold_s=390.0)
    for index, item in enumerate(items):
        traces.follow(asked, [item])
        if index % 300 == 0:
            asked.status()
            asked.verdict()
    first, second = quiet.verdict().to_json(), asked.verdict().to_json()
    assert first == second
    assert first["finding"] == "undecided"
    assert any("more of hold" in reason for reason in first["reasons"])


def test_evacuation_outlook_is_the_same_whoever_asked_before():
    """At any instant of an undecided hold the time still needed follows from the readings, not from earlier questions."""
    items = traces.hold(seconds=400.0, rate=0.06, noise=0.6)
    asked = traces.watch(phase="hold", hold_s=3000.0)
    told = []
    for index, item in enumerate(items):
        traces.follow(asked, [item])
        if index % 29 == 0:
            told.append((index, asked.status().sentence, asked.verdict().to_json()))
    needed = {json["evidence"].get("more_time_needed", {}).get("value") for _, _, json in told}
    assert len(needed) > 10
    for index, sentence, json in told[5::4]:
        fresh = traces.follow(traces.watch(phase="hold", hold_s=3000.0), items[: index + 1])
        assert (fresh.status().sentence, fresh.verdict().to_json()) == (sentence, json)


def test_evacuation_asked_all_the_time_looks_ahead_seldom(monkeypatch):
    """A page that asks ten times between two readings, for a hold that stays undecided, costs a look ahead a twentieth of the hold."""
    looks = []
    real = assess.more_time
    monkeypatch.setattr(assess, "more_time", lambda *args: looks.append(1) or real(*args))
    watch = traces.watch(phase="hold", hold_s=3000.0)
    for item in traces.hold(seconds=400.0, rate=0.06, noise=0.6):
        traces.follow(watch, [item])
        watch.verdict()
    assert watch.weighed(ahead=True).cause == "undecided"
    assert 5 < len(looks) < 120
