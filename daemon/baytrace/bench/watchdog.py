"""What time alone can show: a channel gone stale, a wall clock that stepped, a computer that was too busy. Pure state, told the time
by the bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from baytrace.bench.live import LiveChannel, stale_after_s
from baytrace.measure.clock import Clock

STEP_NS = 500_000_000
"""A wall clock this far from the monotonic one since the last look has been set, not drifted."""
LEAST_REAL_S = 3.0
"""A channel is never called stale sooner than this on the machine's own clock: a fast demo clock must not cry wolf."""
FIRST_REAL_S = 15.0
"""An instrument may take this long after the start of the daemon to be heard the first time."""

BUSY_REAL_S = 3.0
"""A bench that looks later than this after it meant to (s) was kept from running by the computer, and so was the reading of its wires."""


class Change(NamedTuple):
    channel: str
    stale: bool
    since_ns: int


def stale_changes(channels: Mapping[str, LiveChannel], clock: Clock, started_mono_ns: int) -> list[Change]:
    """Channels that just became stale or came back; updates them."""
    now = clock.mono_ns()
    changes: list[Change] = []
    for name, channel in channels.items():
        since = channel.seen_mono_ns if channel.seen_mono_ns is not None else started_mono_ns
        age_s = (now - since) / 1e9
        patience = LEAST_REAL_S if channel.seen_mono_ns is not None else FIRST_REAL_S
        silent = age_s > stale_after_s(channel.channel.period_s) and clock.real_seconds(age_s) > patience
        if silent != channel.stale:
            channel.stale = silent
            since_ns = channel.last.time_ns if channel.last is not None else 0
            changes.append(Change(name, silent, since_ns))
    return changes


class StepDetector:
    """Compares the two clocks at each look; slow drift is let through, a jump is told once."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ahead = clock.wall_ns() - clock.mono_ns()

    def look(self) -> int:
        """Nanoseconds the wall clock stepped since the last look; 0 when it did not."""
        ahead = self._clock.wall_ns() - self._clock.mono_ns()
        step, self._ahead = ahead - self._ahead, ahead
        return step if abs(step) > STEP_NS else 0


class BusyDetector:
    """Notices, from the bench's own heart, that nothing on this computer was served in time: what was silent then may have spoken."""

    def __init__(self, clock: Clock, every_s: float) -> None:
        self._clock, self._every_s = clock, every_s
        self._last_ns = clock.mono_ns()

    def look(self) -> float:
        """Seconds by which this look came too late; 0 where it came in time."""
        now_ns = self._clock.mono_ns()
        late_s = (now_ns - self._last_ns) / 1e9 - self._every_s
        self._last_ns = now_ns
        return late_s if self._clock.real_seconds(late_s) > BUSY_REAL_S else 0.0
