"""Which instant a start of the daemon means, when a session is to go on.

Rules of this file:
- While the machine was not started anew, its monotonic clock ran on: the pause is known to the nanosecond, wherever the wall
  clock was set to meanwhile.
- After a start of the machine the wall clock says how long the pause was, as far as it is known: a machine without a battery
  begins in the past. Behind what was already seen it says nothing, and the pause counts as `UNKNOWN_NS`, which no hold bridges.
- A machine whose clock is set forward later, by a time server, was away for longer than it thought (`unsure`): the session's
  time goes on from there, and what was being held has a gap.
"""

from __future__ import annotations

from typing import NamedTuple

from baytrace.journal.sqlite import SqliteJournal
from baytrace.measure.interpret import Interpreter
from baytrace.records.vocabulary import Kind

UNKNOWN_NS = 3_600_000_000_000
"""Counted for a pause of unknown length; longer than any gap a watch bridges."""
OFF_NS = 500_000_000
"""A wall clock that differs this much from the bench's time is told."""


class Anchor(NamedTuple):
    """`ns`: the instant the start means. `pause`: what is to be said of a pause whose length is not known, else ''."""

    ns: int
    unsure: bool = False
    pause: str = ""


def machine(boot: str) -> str:
    """What a boot id says of the start of the machine; '' when it says nothing."""
    start, dash, _ = boot.partition("-")
    return start if dash else ""


def anchor(
    *, wall_ns: int, mono_ns: int, newest_ns: int, ahead_ns: int | None, boots: tuple[str, str], steady: bool
) -> Anchor:
    """`newest_ns`: when the bench was last heard of. `ahead_ns`: instant minus monotonic clock before. `boots`: the earlier, this one.

    `steady`: whether monotonic stamps of one start of the machine can be compared (not those of a demo's fast clock).
    """
    before, now = (machine(boot) for boot in boots)
    if steady and before and before == now and ahead_ns is not None:
        return Anchor(mono_ns + ahead_ns)
    if wall_ns > newest_ns:
        return Anchor(wall_ns, unsure=steady)
    return Anchor(
        newest_ns + UNKNOWN_NS, unsure=steady, pause="; for how long is not known, the machine's clock is behind"
    )


_HEARD = (Kind.HEARTBEAT, Kind.BENCH_STARTED, Kind.SESSION_STARTED, Kind.BENCH_STOPPED)


def find_anchor(
    journal: SqliteJournal, interpreter: Interpreter, wall_ns: int, mono_ns: int, *, steady: bool
) -> Anchor:
    """For a session that goes on, from what the journal holds; `interpreter` stands where the session does."""
    before, newest = journal.last_event((Kind.BENCH_STARTED,)), journal.last_event(_HEARD)
    if before is None or newest is None:
        return Anchor(wall_ns)
    return anchor(
        wall_ns=wall_ns,
        mono_ns=mono_ns,
        newest_ns=newest.time_ns,
        ahead_ns=interpreter.state()["ahead_ns"],
        boots=(before.data["boot"], journal.boot),
        steady=steady,
    )
