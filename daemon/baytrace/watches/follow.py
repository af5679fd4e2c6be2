"""Watches following one stream: live, after a restart, in `judge` and in `verify` alike.

`Follower` sends a watch only the roles it wants and passes every verdict through the gate (`watches.trust`), so that what is shown,
kept and replayed is worked out in one place. `Followers` keeps a session's watches together, and apart from each other's faults.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import utc_day
from baytrace.measure.reading import Mark, Reading, usable
from baytrace.measure.verdict import Status, Verdict
from baytrace.watches.trust import gate
from baytrace.watches.watch import View, build

log = logging.getLogger(__name__)

T = TypeVar("T")


Items = Sequence[Reading | Mark | int]
"""In the order of the record; a number is a heartbeat, UTC ns."""


class Run(NamedTuple):
    """Readings on end, the last heartbeat among them, and the mark that ends them."""

    readings: Sequence[Reading]
    beat_ns: int | None
    mark: Mark | None


def runs_of(items: Items) -> list[Run]:
    """Parted at the marks."""
    marks = [(place, item) for place, item in enumerate(items) if isinstance(item, Mark)]
    runs, start = [], 0
    for end, mark in [*marks, (len(items), None)]:
        part = items[start:end]
        beats = [item for item in part if isinstance(item, int)]
        readings = [item for item in part if isinstance(item, Reading)]
        runs.append(Run(readings, max(beats, default=None), mark))
        start = end + 1
    return runs


class Follower:
    """Fed readings and marks in the order of the record. Raises BadInput for a watch or settings that do not exist."""

    def __init__(self, watch_name: str, settings: Mapping[str, Any], channels: Iterable[Channel]) -> None:
        self.name = watch_name
        self._channels = {channel.name: channel for channel in channels}
        self._watch = build(watch_name, settings, View(self._channels))
        self._roles = self._watch.roles
        self._take_many: Callable[[Sequence[Reading]], None] | None = getattr(self._watch, "readings", None)
        self._heard: set[str] = set()
        self._last_ns: int | None = None

    def item(self, item: Reading | Mark) -> None:
        """Take the next reading or mark; readings of roles the watch does not want are left out."""
        if isinstance(item, Mark):
            self._watch.mark(item)
        elif item.role in self._roles:
            if item.channel not in self._heard and usable(item.quality):
                self._heard.add(item.channel)
            self._last_ns = item.time_ns
            self._watch.reading(item)

    def advance(self, time_ns: int) -> None:
        """Time passed without a reading."""
        self._watch.advance(time_ns)

    def wants(self, role: str) -> bool:
        return role in self._roles

    def play(self, items: Items, runs: Sequence[Run]) -> None:
        """As `item` for readings and marks and `advance` for a number, many at a time; `runs` are those of `items`."""
        if self._take_many is not None and self._last_ns is not None:
            for run in runs:
                self._run(run, self._take_many)
            return
        roles, heard, take = self._roles, self._heard, self._watch.reading
        for item in items:
            if isinstance(item, Reading):
                time_ns, channel, role, _, quality, _ = item
                if role in roles:
                    if channel not in heard and usable(quality):
                        heard.add(channel)
                    self._last_ns = time_ns
                    take(item)
            elif isinstance(item, int):
                self._watch.advance(item)
            else:
                self._watch.mark(item)

    def _run(self, run: Run, take: Callable[[Sequence[Reading]], None]) -> None:
        roles = self._roles
        wanted = [reading for reading in run.readings if reading.role in roles]
        if wanted:
            for name in {reading.channel for reading in wanted} - self._heard:
                if any(usable(reading.quality) for reading in wanted if reading.channel == name):
                    self._heard.add(name)
            self._last_ns = wanted[-1].time_ns
            take(wanted)
        if run.beat_ns is not None:
            self._watch.advance(run.beat_ns)
        if run.mark is not None:
            self._watch.mark(run.mark)

    def status(self) -> Status:
        return self._watch.status()

    def verdict(self) -> Verdict:
        """The verdict so far as it may be shown; calling it changes nothing."""
        verdict = self._watch.verdict()
        if self._last_ns is None:
            return verdict
        day = utc_day(self._last_ns)
        return gate(verdict, [self._channels[name] for name in sorted(self._heard) if name in self._channels], day)


class Followers:
    """The watches of one session, fed together. One that breaks is set aside with its reason; the rest go on.

    Raises BadInput for settings a watch does not know; with `lenient` such a watch counts as broken from the start.
    """

    def __init__(
        self, plan: Mapping[str, Mapping[str, Any]], channels: Sequence[Channel], *, lenient: bool = False
    ) -> None:
        self.broken: dict[str, str] = {}
        self._going: dict[str, Follower] = {}
        for name, settings in plan.items():
            try:
                self._going[name] = Follower(name, settings, channels)
            except BadInput as error:
                if not lenient:
                    raise
                self.broken[name] = str(error)

    def item(self, item: Reading | Mark) -> None:
        self._each(lambda follower: follower.item(item))

    def advance(self, time_ns: int) -> None:
        self._each(lambda follower: follower.advance(time_ns))

    def wants(self, role: str) -> bool:
        """Whether any watch that goes on hears this role."""
        return any(follower.wants(role) for follower in self._going.values())

    def play(self, items: Items) -> None:
        """As `item` and `advance` (for a number), many at a time. Watches know nothing of each other, so one after the other."""
        runs = runs_of(items)
        self._each(lambda follower: follower.play(items, runs))

    def verdict(self, name: str) -> Verdict | None:
        """None for a watch that broke; `broken` says why."""
        return self._asked(name, Follower.verdict)

    def status(self, name: str) -> Status | None:
        """As `verdict`."""
        return self._asked(name, Follower.status)

    def _each(self, tell: Callable[[Follower], None]) -> None:
        for name in tuple(self._going):
            self._asked(name, tell)

    def _asked(self, name: str, question: Callable[[Follower], T]) -> T | None:
        follower = self._going.get(name)
        try:
            return question(follower) if follower is not None else None
        except Exception as error:  # noqa: BLE001 - a broken watch must not stop the record
            self._set_aside(name, error)
            return None

    def _set_aside(self, name: str, error: Exception) -> None:
        log.error("watch %s broke and is set aside", name, exc_info=error)
        self.broken[name] = f"{type(error).__name__}: {error}"
        del self._going[name]
