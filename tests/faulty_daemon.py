"""Faults built into a daemon from outside: it dies at one step of a reading's way, its disk or an adapter fails, its clock is set.

`build_in(faults)` is called in the daemon's own process before it starts. The faults, a JSON object:
`die_at` (a name in `STEPS`) and `die_after` (how often the step is passed before), `machine` (8 characters: this start of the
machine), and files that are read anew on SIGUSR1: `clock_file` (the nanoseconds the wall clock is off), `disk_file` (a JSON object,
what the disk does: see `faulty_disk`), `breaks_file` (how often the adapter of a broker has broken down by now).
"""

import json
import os
import signal
import time
from pathlib import Path

_left = {"passes": 0}


def die():
    """As power loss would end the process, but for what the operating system still writes."""
    if _left["passes"] <= 0:
        os.kill(os.getpid(), signal.SIGKILL)
    _left["passes"] -= 1


def before(owner, name):
    whole = getattr(owner, name)

    def dying(*given, **named):
        die()
        return whole(*given, **named)

    setattr(owner, name, dying)


def after(owner, name):
    whole = getattr(owner, name)

    def dying(*given, **named):
        result = whole(*given, **named)
        die()
        return result

    setattr(owner, name, dying)


def arrived():
    from baytrace_adapters._mqtt_session import Session

    after(Session, "_on_message")


def handed_over():
    from baytrace.bench.sink import InstrumentSink

    before(InstrumentSink, "samples")


def written_not_committed():
    from baytrace.journal.draft import Draft

    after(Draft, "write")


def committed_not_told():
    from baytrace.journal.writer import Writer

    after(Writer, "_transaction")


def acknowledging():
    from baytrace_adapters._mqtt_session import Session

    before(Session, "acknowledge")


def acknowledged():
    from baytrace_adapters._mqtt_session import Session

    after(Session, "acknowledge")


def delivering():
    from baytrace.bench.daemon import Bench

    before(Bench, "_deliver")


STEPS = {
    "arrived": arrived,
    "handed over": handed_over,
    "written, not committed": written_not_committed,
    "committed, not told": committed_not_told,
    "acknowledging": acknowledging,
    "acknowledged": acknowledged,
    "delivering to watches": delivering,
}


_looks = []


def watch(look):
    """Call `look` now and on each SIGUSR1."""
    look()
    _looks.append(look)
    signal.signal(signal.SIGUSR1, lambda *_: [each() for each in _looks])


def break_adapter(file):
    """What came is lost with the adapter, before it was handed over."""
    from baytrace_adapters._mqtt_session import Session

    whole, wanted, done = Session.deliveries, {}, []
    watch(lambda: wanted.update(times=int(file.read_text())))

    async def breaking(session, *given):
        found = await whole(session, *given)
        if len(done) < wanted["times"]:
            done.append(1)
            raise RuntimeError("broken from outside")
        return found

    Session.deliveries = breaking


def fail_disk(file):
    from faulty_disk import FaultyDisk

    disk = FaultyDisk()
    watch(lambda: disk.do(json.loads(file.read_text())))


def set_clock(file):
    from baytrace.measure.clock import SystemClock

    off = {"ns": 0}

    watch(lambda: off.update(ns=int(file.read_text())))
    SystemClock.wall_ns = lambda _: time.time_ns() + off["ns"]


def started_machine(name):
    from baytrace.journal import sqlite

    whole = sqlite.new_boot
    sqlite.new_boot = lambda: name + whole()[8:]


def build_in(faults):
    if "machine" in faults:
        started_machine(faults["machine"])
    if "die_at" in faults:
        _left["passes"] = int(faults.get("die_after", 0))
        STEPS[faults["die_at"]]()
    for key, build in (("clock_file", set_clock), ("disk_file", fail_disk), ("breaks_file", break_adapter)):
        if key in faults:
            build(Path(faults[key]))
