"""Whether a channel lives: a frozen one repeats its number, without noise and without the start of the engine.

A channel is frozen when, over a long run of readings that reaches to the end of what is judged, it never changes though
- it was heard before the start and did not move with it, while another channel did; or
- it showed noise earlier in the record, and no run without change was nearly as long; or
- the record shows no start, and another channel shows noise.
A coarse instrument that stands on one step, and a record without any noise, are not called frozen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from baytrace.measure.roles import Role
from baytrace.watches.limits_table import limit
from baytrace.watches.running.follow import NEEDED, Running, RunningFollower
from baytrace.watches.running.series import Floats

WATCHED = (*NEEDED, Role.DISCHARGE_LINE)
_BEFORE_S, _BEFORE_READINGS = 120.0, 10
_LONGER = 5  # times the longest run without change that was seen before
_TURNS = 0.3  # share of changes that turn back: noise turns back in two thirds, a creeping quantity never
_BLOCK = 20  # readings over which noise is looked at, so that the course of the loop is none
_SPANS = 0.7  # steps of the instrument: a value that falls to one of two steps by turns has 0.5
_CHANGES = 0.3  # share of readings that differ from the one before: fewer where the instrument's step hides its noise


def frozen_channels(follower: RunningFollower, running: Running) -> tuple[Role, ...]:
    """The channels that are frozen at the end of the judged stretch."""
    found = follower.all()
    start = found[0].stretch.start_s if found else running.stretch.start_s
    records = {
        role: follower.series[role].between(start - _BEFORE_S, running.stretch.end_s)
        for role in WATCHED
        if role in follower.series
    }
    records = {role: record for role, record in records.items() if len(record[0]) >= 2}
    return tuple(role for role in records if _frozen(role, records, start))


def _frozen(role: Role, records: Mapping[Role, tuple[Floats, Floats]], start_s: float) -> bool:
    times, values = records[role]
    run = _last_run(values)
    least = int(limit("laws.frozen_readings"))
    if run < least or times[-1] - times[-run] < limit("laws.frozen_seconds"):
        return False
    others = [record for other, record in records.items() if other is not role]
    if run < len(values):
        earlier = values[: len(values) - run]
        return noisy(earlier) and _wider_than_a_step(earlier) and run >= _LONGER * _longest_run(earlier)
    if int((times < start_s).sum()) >= _BEFORE_READINGS:
        return any(_moved(other, start_s) for other in others) or any(noisy(other[1]) for other in others)
    return run >= 2 * least and any(noisy(other[1]) for other in others)


def _last_run(values: Floats) -> int:
    changed = np.flatnonzero(values != values[-1])
    return len(values) - (int(changed[-1]) + 1 if len(changed) else 0)


def _longest_run(values: Floats) -> int:
    edges = np.flatnonzero(np.diff(values) != 0.0)
    ends = np.concatenate(([-1], edges, [len(values) - 1]))
    return int(np.diff(ends).max())


def noisy(values: Floats) -> bool:
    """Whether changes turn back again and again, as noise does and a smooth course does not."""
    steps = np.diff(values)
    changes = steps[steps != 0.0]
    if len(changes) < max(10, _CHANGES * len(steps)):
        return False
    return float((changes[1:] * changes[:-1] < 0.0).mean()) >= _TURNS


def _wider_than_a_step(values: Floats) -> bool:
    """Whether the noise spans several of the instrument's steps, so that it cannot rest on one by chance."""
    changes = np.diff(values)
    step = float(np.abs(changes[changes != 0.0]).min())
    blocks = [part for part in np.array_split(changes, max(len(changes) // _BLOCK, 1)) if len(part) > 1]
    return float(np.median([part.std() for part in blocks])) / math.sqrt(2.0) >= _SPANS * step


def _moved(record: tuple[Floats, Floats], start_s: float) -> bool:
    times, values = record
    return bool((times < start_s).sum() >= 2 and len(set(values.tolist())) > 1)
