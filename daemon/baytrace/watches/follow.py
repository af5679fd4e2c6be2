"""One watch being fed: only the readings of its roles, every mark, and every verdict through the trust gate.

The bench, a resumed session, a replayed pack and `judge` all use this, so they cannot differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.verdict import Status, Verdict
from baytrace.watches.trust import gate
from baytrace.watches.watch import View, build


class Follower:
    """Raises BadInput for settings the watch does not know."""

    def __init__(self, watch: str, settings: Mapping[str, Any], channels: Sequence[Channel]) -> None:
        self.name = watch
        self._channels = {channel.name: channel for channel in channels}
        self._watch = build(watch, settings, View(self._channels))
        self._roles = self._watch.roles
        self._heard: set[str] = set()
        self._last_ns = 0

    def item(self, item: Reading | Mark) -> None:
        """Take the next reading or mark."""
        if isinstance(item, Mark):
            self._watch.mark(item)
        elif item.role in self._roles:
            self._heard.add(item.channel)
            self._watch.reading(item)
        self._last_ns = max(self._last_ns, item.time_ns)

    def advance(self, time_ns: int) -> None:
        self._watch.advance(time_ns)
        self._last_ns = max(self._last_ns, time_ns)

    def status(self) -> Status:
        return self._watch.status()

    def verdict(self) -> Verdict:
        """The gated verdict on what was seen so far; an overdue instrument that was heard cannot pass."""
        verdict = self._watch.verdict()
        used = [self._channels[name] for name in sorted(self._heard) if name in self._channels]
        return gate(verdict, used, datetime.fromtimestamp(self._last_ns / 1e9, UTC).date())
