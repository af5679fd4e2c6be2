"""The clock every part is handed; nothing below the bench asks the machine for the time."""

from __future__ import annotations

import asyncio
import time
from typing import Protocol

NS = 1_000_000_000


class Clock(Protocol):
    """UTC for stamps, monotonic for spans; both in nanoseconds."""

    def wall_ns(self) -> int: ...
    def mono_ns(self) -> int: ...
    async def sleep(self, seconds: float) -> None:
        """Wait `seconds` of this clock's time."""
        ...

    def real_seconds(self, seconds: float) -> float:
        """How many seconds of the machine's time pass in `seconds` of this clock's (for timeouts of libraries)."""
        ...


_STEADY = getattr(time, "CLOCK_BOOTTIME", None)


class SystemClock:
    """In whole microseconds: nothing arrives in finer steps, and the idle digits halve a sealed reading.

    Where the system has such a clock, the steady one counts the time the machine slept, too.
    """

    def wall_ns(self) -> int:
        return time.time_ns() // 1000 * 1000

    def mono_ns(self) -> int:
        now = time.monotonic_ns() if _STEADY is None else time.clock_gettime_ns(_STEADY)
        return now // 1000 * 1000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    def real_seconds(self, seconds: float) -> float:
        return seconds


class FastClock:
    """A clock that runs `rate` times as fast as the machine's, from a shared start (UTC ns on the machine's clock).

    Two processes given the same `start_ns` and `rate` agree on the time.
    """

    def __init__(self, rate: float, start_ns: int) -> None:
        self.rate, self.start_ns = rate, start_ns
        self._mono_at_start = time.monotonic_ns() - (time.time_ns() - start_ns)

    def _scaled(self) -> int:
        return int((time.monotonic_ns() - self._mono_at_start) * self.rate)

    def wall_ns(self) -> int:
        return self.start_ns + self._scaled()

    def mono_ns(self) -> int:
        return self._mono_at_start + self._scaled()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self.rate)

    def real_seconds(self, seconds: float) -> float:
        return seconds / self.rate
