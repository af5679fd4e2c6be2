"""One watch following one stream: live, after a restart, in `judge` and in `verify` alike.

It sends a watch only the roles it wants and passes every verdict through the gate (`watches.trust`), so that what is shown,
kept and replayed is worked out in one place. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.verdict import Status, Verdict
from baytrace.watches.trust import gate
from baytrace.watches.watch import View, build


class Follower:
    """Fed readings and marks in the order of the record. Raises BadInput for a watch or settings that do not exist."""

    def __init__(self, watch_name: str, settings: Mapping[str, Any], channels: Iterable[Channel]) -> None:
        self.name = watch_name
        self._channels = {channel.name: channel for channel in channels}
        self._watch = build(watch_name, settings, View(self._channels))
        self._roles = self._watch.roles
        self._heard: set[str] = set()
        self._last_ns: int | None = None

    def item(self, item: Reading | Mark) -> None:
        """Take the next reading or mark; readings of roles the watch does not want are left out."""
        if isinstance(item, Mark):
            self._watch.mark(item)
        elif item.role in self._roles:
            if item.channel not in self._heard and Quality(item.quality).usable:
                self._heard.add(item.channel)
            self._last_ns = item.time_ns
            self._watch.reading(item)

    def advance(self, time_ns: int) -> None:
        """Time passed without a reading."""
        self._watch.advance(time_ns)

    def status(self) -> Status:
        return self._watch.status()

    def verdict(self) -> Verdict:
        """The verdict so far as it may be shown; calling it changes nothing."""
        verdict = self._watch.verdict()
        if self._last_ns is None:
            return verdict
        day = datetime.fromtimestamp(self._last_ns // NS, UTC).date()
        return gate(verdict, [self._channels[name] for name in sorted(self._heard) if name in self._channels], day)
