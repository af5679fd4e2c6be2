"""A large commit made visible by columns: the same as reading by reading, for a fraction of the time.

Backlogs and fast instruments come in commits of hundreds of readings. Interpreting them at once, and making single readings only
of what a watch or a limit hears, leaves the event loop free. What the page, the watches and the limits know afterwards is the same;
only the look at which a limit's delay is seen to have run out (once a second) may be another one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from baytrace.bench.alarms import BenchAlarms
from baytrace.bench.live import Live
from baytrace.bench.session import RunningSession
from baytrace.journal.chain import Columns
from baytrace.journal.interpreting import Interpreted, Ints, interpret
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Raw
from baytrace.records.playing import readings_of

MANY = 256
"""From so many readings on, columns are worth their making."""
SLICE = 4_096
"""Readings between two moments left to others."""


class Followed(Protocol):
    """What of the bench is told of readings."""

    interpreter: Interpreter
    live: Live
    alarms: BenchAlarms
    session: RunningSession | None


def deliver(bench: Followed, raws: Sequence[Raw], first: int) -> None:
    """Tell live state, limits and watches of durable readings numbered from `first`."""
    channel, value, wall_ns, mono_ns, quality = zip(*raws, strict=True)
    names = list(dict.fromkeys(channel))
    number = {name: index for index, name in enumerate(names)}
    columns = Columns.of(list(map(number.__getitem__, channel)), wall_ns, mono_ns, value, quality)
    before_pa = bench.interpreter.atmosphere_pa
    read, strangers = interpret(bench.interpreter, columns, names.__getitem__)
    if strangers:
        raise KeyError(min(set(names) - bench.interpreter.channels.keys()))
    for one in read:
        bench.live.channels[one.channel.name].take_many(one, first, columns)
    numbers = range(first, first + len(raws))
    heard = readings_of([one for one in read if bench.alarms.hears(one.channel)], numbers)
    latest = _latest(read, len(raws))
    times_ns = [*latest[[reading.seq - first for reading in heard]].tolist(), int(latest[-1])]
    bench.alarms.readings(heard, times_ns, before_pa)
    if bench.session is not None:
        watches = bench.session.watches
        watches.play(readings_of([one for one in read if watches.wants(one.channel.role)], numbers))
        bench.session.seq = numbers[-1]


def _latest(read: Sequence[Interpreted], size: int) -> Ints:
    """The newest time of any channel at each place."""
    times = np.empty(size, np.int64)
    for one in read:
        times[one.places] = one.time_ns
    latest: Ints = np.maximum.accumulate(times)
    return latest
