"""Faults built into a daemon from outside: it dies at one step of a reading's way, stores slowly, or its clock is set.

`build_in(faults)` is called in the daemon's own process before it starts. The faults, a JSON object:
`die_at` (a name in `STEPS`) and `die_after` (how often the step is passed before), `commit_takes_s`, `clock_file` (holds the
nanoseconds the wall clock is off; read anew on SIGUSR1), `machine` (8 characters: this start of the machine).
"""

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
    from baytrace.journal.writer import _Draft

    after(_Draft, "write")


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


def store_slowly(seconds):
    from baytrace.journal.writer import Writer

    whole = Writer._transaction

    def slow(writer, group):
        time.sleep(seconds)
        return whole(writer, group)

    Writer._transaction = slow


def set_clock(file):
    from baytrace.measure.clock import SystemClock

    off = {"ns": 0}

    def look(*_):
        off["ns"] = int(file.read_text())

    look()
    signal.signal(signal.SIGUSR1, look)
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
    if "commit_takes_s" in faults:
        store_slowly(float(faults["commit_takes_s"]))
    if "clock_file" in faults:
        set_clock(Path(faults["clock_file"]))
