"""A watch left on for a day: it keeps what its verdict needs and no more, stays quick, and a replay says the same."""

import pickle
import time

import numpy as np
import pytest

from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.watches.watch import View, build
from charge_bench import KINDS, NS, START, relaxing, si, view, weighed

HOUR = 3600
MARKS = {
    "marked": {100: "charge start", 260: "charge end", 400: "engine on", 1300: "raised speed", 2200: "engine off"},
    "running": {400: "engine on"},
    "unmarked": {},
}


def day(hours, marks):
    """Items of every role once a second; the loop starts at 400 s, and what relaxes once stays where it is."""
    length = min(hours * HOUR, 3000)
    times = np.arange(0.0, length)
    columns = relaxing(times, 400.0)
    columns[Role.TANK_MASS] = np.round(weighed(times, 100.0, 250.0, 600.0))
    for role in KINDS:
        columns.setdefault(role, np.full(length, 40.0))
    rows = np.array([si(role, columns[role]) for role in KINDS])
    names = [(str(role), role) for role in KINDS]
    for second in range(hours * HOUR):
        at = START + second * NS
        if second in marks:
            yield Mark(at, marks[second])
        row = rows[:, second if second < length else length - 500 + second % 500]
        for (name, role), value in zip(names, row.tolist(), strict=True):
            yield Reading(at, name, role, value, 0)


def fed_by(name, hours, marks, *, asked_every_s=None, at=()):
    """A watch after so many hours, and its states pickled after the hours in `at`; asked now and then, as a page does."""
    watch = build(name, {"label_g": 600.0} if name == "charge" else {}, View(view().channels))
    states = {}
    for item in day(hours, marks):
        if isinstance(item, Mark):
            watch.mark(item)
            continue
        watch.reading(item)
        if item.role is not Role.TANK_MASS:
            continue
        second = (item.time_ns - START) // NS + 1
        if asked_every_s and second % asked_every_s == 0:
            watch.status()
        if second in [hour * HOUR for hour in at]:
            states[second // HOUR] = pickle.dumps(watch)
    return watch, states


def seconds_of_a_status(watch):
    """Processor time of one status that has to be worked out; the quickest of several."""
    found = []
    for step in range(12):
        at = watch._follower.start_ns + round(watch._follower.now_s * NS) + NS
        for role in KINDS:
            watch.reading(Reading(at, str(role), role, float(si(role, 40.0 + 0.01 * (step % 2))), 0))
        begun = time.process_time()
        watch.status()
        found.append(time.process_time() - begun)
    return min(found)


@pytest.mark.parametrize("name", ["charge", "pressures"])
@pytest.mark.parametrize("marks", MARKS)
def test_a_day_takes_no_more_than_a_morning(name, marks):
    """24 h of ten channels at one reading a second: no more is kept than after 6 h, and a status costs milliseconds."""
    watch, states = fed_by(name, 24, MARKS[marks], at=(6, 24))
    assert len(states[24]) < 1.25 * len(states[6])
    assert len(states[24]) < 4_000_000
    young, _ = fed_by(name, 1, MARKS[marks])
    assert seconds_of_a_status(watch) < 3.0 * seconds_of_a_status(young) + 0.002
    assert watch.verdict().finding == young.verdict().finding


@pytest.mark.parametrize("name", ["charge", "pressures"])
@pytest.mark.parametrize("marks", MARKS)
def test_asking_changes_nothing_over_hours(name, marks):
    """A watch that was asked every few minutes and one that was never asked say the same to the bit after four hours."""
    asked, _ = fed_by(name, 4, MARKS[marks], asked_every_s=300)
    never, _ = fed_by(name, 4, MARKS[marks])
    assert asked.verdict().to_json() == never.verdict().to_json()
    assert asked.status() == never.status()


def test_what_a_closed_stretch_said_stands_for_the_day():
    """The figures of idle and of raised speed, weighed grams and settled instant after 24 h are those after one."""
    late, _ = fed_by("charge", 24, MARKS["marked"])
    soon, _ = fed_by("charge", 1, MARKS["marked"])
    assert late.verdict().to_json() == soon.verdict().to_json()
