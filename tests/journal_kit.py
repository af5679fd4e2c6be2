"""What the journal's tests share: a bench's clock, events, and journals with something in them."""

from __future__ import annotations

import time

from baytrace.journal.sqlite import SqliteJournal, open_journal
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw

CLOCK = SystemClock()
START_NS = 1_764_061_200_000_000_000


def event(kind: str, session: str = "", **data: object) -> Event:
    return Event(CLOCK.wall_ns(), CLOCK.mono_ns(), kind, session, data)


def declared(*names: str) -> list[Event]:
    return [event("channel_declared", version=i, channel={"name": name}) for i, name in enumerate(names, 1)]


def opened(directory, *names: str, boot: str | None = None) -> SqliteJournal:
    """A journal in which `names` are declared."""
    journal = open_journal(directory, clock=CLOCK, boot=boot)
    if names and journal.head() is None:
        journal.append([], declared(*names)).result(10)
    return journal


def filled(
    journal: SqliteJournal, commits: int, channel: str = "vacuum", a_commit: int = 8, start: int = 0
) -> list[Raw]:
    """Readings 1 s apart, `a_commit` a commit, a mark in every tenth commit; returns the readings."""
    made, future = [], None
    for index in range(start, start + commits):
        stamps = [START_NS + (index * a_commit + i) * 1_000_000_000 for i in range(a_commit)]
        raws = [Raw(channel, round(200.0 + (stamp // 10**9 % 97) / 10, 1), stamp, stamp - START_NS) for stamp in stamps]
        future = journal.append(raws, [event("mark", "s1", text=f"mark {index}")] if index % 10 == 0 else [])
        made.extend(raws)
    if future is not None:
        future.result(60)
    return made


def sealed(journal: SqliteJournal, within_s: float = 30.0) -> SqliteJournal:
    """Wait until the writer has sealed what is closed."""
    end = time.monotonic() + within_s
    while journal.health()["sealing_due"]:
        assert time.monotonic() < end, "the writer did not seal"
        time.sleep(0.02)
    return journal
