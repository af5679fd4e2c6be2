"""Many readings taken at once lead a watch to the same state as one after the other."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import load
from baytrace.watches.follow import Follower, runs_of
from baytrace.watches.running.series import FULL, Series

load()  # once, and all it needs, outside of any deadline
Follower("charge", {}, []).verdict()
ROLES = [Role.LOW_SIDE, Role.HIGH_SIDE, Role.SUCTION_LINE, Role.VENT_AIR, Role.TANK_MASS, Role.SYSTEM_PRESSURE]
QUALITIES = [Quality(0)] * 6 + [Quality.OVER_RANGE, Quality.NO_ATMOSPHERE, Quality.NOT_A_NUMBER, Quality.OUT_OF_ORDER]
TEXTS = ["engine on", "engine fast", "engine off", "charge start", "charge end", "lunch"]


@st.composite
def records(draw):
    """Readings of one or two channels a role, marks and heartbeats in order of time; some stamps are equal."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    items, now = [], 10**9 * NS
    for seq in range(draw(st.integers(1, 400))):
        now += int(rng.choice([0, 1, 10**6, NS, 3 * NS, 90 * NS], p=[0.2, 0.1, 0.2, 0.3, 0.19, 0.01]))
        kind = rng.random()
        if kind < 0.05:
            items.append(Mark(now, str(rng.choice(TEXTS)), "", seq))
        elif kind < 0.15:
            items.append(now)
        else:
            role = ROLES[rng.integers(len(ROLES))]
            name = f"{role}{rng.choice(['', '', '', '2'])}"
            value = math.nan if rng.random() < 0.02 else float(3e5 + 1e4 * rng.normal())
            items.append(Reading(now, name, role, value, int(QUALITIES[rng.integers(len(QUALITIES))]), seq))
    cuts = sorted(draw(st.lists(st.integers(0, len(items)), max_size=4)))
    return items, cuts


def one_by_one(follower, items):
    for item in items:
        if isinstance(item, int):
            follower.advance(item)
        else:
            follower.item(item)


@pytest.mark.parametrize("name", ["charge", "pressures"])
@settings(deadline=None)
@given(records())
def test_runs_lead_where_single_readings_lead(name, record):
    """However the record is cut: the same state, to the bit, and so the same verdict and status."""
    items, cuts = record
    single, many = Follower(name, {}, []), Follower(name, {}, [])
    one_by_one(single, items)
    for start, end in zip([0, *cuts], [*cuts, len(items)], strict=True):
        many.play(items[start:end], runs_of(items[start:end]))
    assert many.verdict() == single.verdict()
    assert state(many) == state(single)


def state(follower):
    """What a watch of the running loop keeps, and what the gate goes by."""
    running = follower._watch._follower
    kept = [
        (str(role), each.channel, each.unusable, each.late, *map(np.ndarray.tobytes, each.arrays()))
        for role, each in sorted(running.series.items())
    ]
    said = (running.now_s, running.start_ns, running.marks, running.atmosphere_assumed, running._count)
    return kept, said, sorted(follower._heard), follower._last_ns


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(1, 3 * FULL), min_size=1, max_size=6), st.integers(0, 2**32))
def test_a_series_extended_is_the_series_appended(sizes, seed):
    """Old readings become means at the same places, however many came at once."""
    rng = np.random.default_rng(seed)
    single, many, now = Series("a"), Series("a"), 0.0
    for size in sizes:
        times, values = now + np.cumsum(rng.uniform(0.1, 1.0, size)), rng.normal(size=size)
        now = float(times[-1])
        many.extend(times, values)
        for time_s, value in zip(times.tolist(), values.tolist(), strict=True):
            single.append(time_s, value)
    for a, b in zip(single.arrays(), many.arrays(), strict=True):
        assert a.tobytes() == b.tobytes()
