"""Where an evacuation stands, found from the pressure alone or told by marks.

    waiting -> pull-down -> deep vacuum -> hold -> over        (and back to pull-down when the pump runs again)

The pump is seen by falling pressure. Every new lowest pressure starts a candidate for the hold; when the pressure turns and
climbs clear of it, the candidate is the hold, and it already holds every reading since the turn. A turn that falls back
below its start was a bounce. A hold ends by a mark, by a jump, by leaving the vacuum range, or by the pump drawing it down.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import NamedTuple


class Phase(StrEnum):
    WAITING = "waiting"
    PULL_DOWN = "pull-down"
    DEEP_VACUUM = "deep vacuum"
    HOLD = "hold"
    OVER = "over"


class Said(StrEnum):
    """What a mark means to an evacuation."""

    PUMP_ON = "pump on"
    ISOLATED = "isolated"
    ENDED = "ended"


_MEANINGS = (
    (
        Said.ISOLATED,
        re.compile(r"isolat|pump (is )?(off|stopp)|hold (start|begin)|start (of )?hold|valves? (closed|shut)"),
    ),
    (Said.PUMP_ON, re.compile(r"pump (is )?(on|start|runn)|start (the )?pump|pull-?down|evacuation start")),
    (
        Said.ENDED,
        re.compile(
            r"charge start|charging|start charg|hold (end|over|done)|end (of )?hold|engine on|valves? open|vacuum broken|"
            r"break vacuum|nitrogen|gauge (off|disconnected|removed)|evacuation end"
        ),
    ),
)


def meaning(text: str) -> Said | None:
    """None for a mark that has nothing to do with an evacuation."""
    plain = " ".join(text.lower().replace("_", " ").split())
    for said, pattern in _MEANINGS:
        if pattern.search(plain):
            return said
    return None


class Seen(NamedTuple):
    """A phase and when it began; `how` is what showed it."""

    phase: Phase
    start_ns: int
    how: str


class Tick(NamedTuple):
    """The mean pressure (Pa) of a few seconds, stamped with its last reading."""

    time_ns: int
    pressure: float


class Ticker:
    """Readings to ticks of at least `period_ns`. No tick mixes readings from both sides of a silence: that looks like a step."""

    _SILENCE = 3

    def __init__(self, period_ns: int = 2_000_000_000) -> None:
        self._period_ns = period_ns
        self._start_ns: int | None = None
        self._last_ns = 0
        self._sum, self._count = 0.0, 0

    def take(self, time_ns: int, pressure: float) -> Tick | None:
        if self._start_ns is None or (self._count and time_ns - self._last_ns > self._SILENCE * self._period_ns):
            self._start_ns, self._sum, self._count = time_ns, 0.0, 0
        self._last_ns = time_ns
        self._sum += pressure
        self._count += 1
        if time_ns - self._start_ns < self._period_ns:
            return None
        tick = Tick(time_ns, self._sum / self._count)
        self._start_ns, self._sum, self._count = time_ns, 0.0, 0
        return tick


class HoldEnd(NamedTuple):
    """Why a hold ended and at which instant its readings stop meaning the hold."""

    why: str
    time_ns: int


class HoldGuard:
    """Follows the ticks of a hold and says when it has ended by itself."""

    def __init__(self, vacuum_range_pa: float) -> None:
        self._range = vacuum_range_pa
        self._last: Tick | None = None
        self._fastest = 0.0
        self._high = 0.0
        self._jump: Tick | None = None
        self._rows = 0
        self._ticks = 0
        self._flicker = 0.0

    @property
    def jumping(self) -> bool:
        """A step is seen and not yet confirmed."""
        return self._jump is not None

    def take(self, tick: Tick, resolution: float = 0.0) -> HoldEnd | None:
        """`resolution`: the step of the gauge's display, Pa; flicker between two figures is neither a valve nor a pump."""
        last, self._last = self._last, tick
        self._flicker = 1.5 * resolution
        if last is None:
            self._high = tick.pressure
            return None
        self._ticks += 1
        seconds = (tick.time_ns - last.time_ns) / 1e9
        rate = (tick.pressure - last.pressure) / seconds if seconds > 0.0 else 0.0
        ended = self._opened(tick, last, rate) or self._drawn_down(tick)
        self._high = max(self._high - 0.002 * abs(self._high) * seconds, tick.pressure)
        return ended

    def _opened(self, tick: Tick, last: Tick, rate: float) -> HoldEnd | None:
        """A step up that no leak of this hold could draw, or the vacuum range left."""
        if self._jump is not None:
            self._rows += 1
            if tick.pressure < 1.1 * self._jump.pressure:
                self._jump = None
            elif self._rows >= 2 or tick.pressure > self._range:
                return HoldEnd("valve opened", self._jump.time_ns)
            return None
        if (
            self._ticks > 2
            and rate > max(5.0, 8.0 * self._fastest)
            and tick.pressure > 1.25 * last.pressure + self._flicker
        ):
            self._jump, self._rows = last, 0
            if tick.pressure > 2.0 * last.pressure + 100.0:
                # single stray readings never come this far: nothing to wait for
                return HoldEnd("valve opened", last.time_ns)
            return None
        if self._ticks <= 2 or rate < 8.0 * self._fastest or self._fastest == 0.0:
            self._fastest = max(self._fastest, rate)
        if tick.pressure > self._range:
            return HoldEnd("left the vacuum range", tick.time_ns)
        return None

    def _drawn_down(self, tick: Tick) -> HoldEnd | None:
        if tick.pressure < self._high - 0.2 * abs(self._high) - 1.0 - self._flicker:
            return HoldEnd("pump restarted", tick.time_ns)
        return None
