"""When a simulated bench may let its clock go on: once every channel that is due has been heard, stored and shown.

A channel that says nothing for `MOST_REAL_S` of the machine's own time is silent indeed (unplugged by the script, say): it is waited
for no longer, until it is heard again.
"""

from __future__ import annotations

import time
from collections.abc import Mapping

from baytrace.bench.live import LiveChannel
from baytrace.measure.clock import NS, Clock

MOST_REAL_S = 1.5
_PERIODS, _LEAST_S = 2.0, 2.0


class Taken:
    """Called at each look of the clock's leader."""

    def __init__(self, channels: Mapping[str, LiveChannel], clock: Clock) -> None:
        self._channels, self._clock = channels, clock
        self._waited: dict[str, float] = {}
        self._silent: set[str] = set()

    def __call__(self) -> bool:
        late = self._late(self._clock.mono_ns())
        self._silent &= late
        now = time.monotonic()
        self._waited = {name: self._waited.get(name, now) for name in late - self._silent}
        self._silent |= {name for name, since in self._waited.items() if now - since > MOST_REAL_S}
        return not late - self._silent

    def _late(self, now_ns: int) -> set[str]:
        return {
            name
            for name, live in self._channels.items()
            if live.seen_mono_ns is not None
            and now_ns - live.seen_mono_ns
            > max(_PERIODS * live.channel.period_s, live.channel.period_s + _LEAST_S) * NS
        }
