"""The newest state of the bench, for pages and the broker: one slot that is always current, never a queue.

A client waits for a change, then takes what is newest since its own cursor; a slow client skips states, and no reading is
lost by it (the journal has them all). Recent readings are kept in bounded rings so that a frame can carry them.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from baytrace.bench.focus import Focus, job_order
from baytrace.journal.chain import Columns
from baytrace.journal.interpreting import Interpreted
from baytrace.journal.thinning import thinned
from baytrace.measure.channel import Channel, found_off, overdue
from baytrace.measure.instant import format_instant, utc_day
from baytrace.measure.reading import Quality, Reading
from baytrace.measure.roles import FACTS
from baytrace.measure.units import Against
from baytrace.watches.bands import Band, bands_for, rule_bands
from baytrace.watches.limit_engine import Follower

RING = 4096
POINTS_A_FRAME = 60


def quality_words(quality: int) -> list[str]:
    """`['over range', 'source time']`; empty for a good reading."""
    return [str(flag.name).lower().replace("_", " ") for flag in Quality if flag and quality & flag]


def finite(value: float) -> float | None:
    """JSON has no inf or nan: the quality words say which."""
    return value if math.isfinite(value) else None


def stale_after_s(period_s: float, given: float | None = None) -> float:
    """Silence beyond this is stale: as given, else five periods and at least 10 s (common practice, no source)."""
    return given if given is not None else max(5.0 * period_s, 10.0)


class LiveChannel:
    """One channel as last seen. `stale` is told by the bench's watchdog."""

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.last: Reading | None = None
        self.raw_value = math.nan
        self.seen_mono_ns: int | None = None
        self.changed_ns = 0
        self.count = 0
        self.stale = False
        self.ring: deque[tuple[int, int, float]] = deque(maxlen=RING)

    def take(self, reading: Reading, raw_value: float, mono_ns: int) -> None:
        if self.last is None or reading.value != self.last.value:
            self.changed_ns = reading.time_ns
        self.last, self.raw_value, self.seen_mono_ns = reading, raw_value, mono_ns
        self.count += 1
        self.ring.append((reading.seq, reading.time_ns, reading.value))

    def take_many(self, read: Interpreted, first: int, columns: Columns) -> None:
        """As `take` for some of a commit's readings, numbered from `first` by their places."""
        value, last = read.value, int(read.places[-1])
        before = np.append(math.nan if self.last is None else self.last.value, value[:-1])
        changed = np.flatnonzero(value != before)
        if len(changed):
            self.changed_ns = int(read.time_ns[changed[-1]])
        self.last = Reading(
            int(read.time_ns[-1]),
            self.channel.name,
            self.channel.role,
            float(value[-1]),
            int(read.quality[-1]),
            first + last,
        )
        self.raw_value, self.seen_mono_ns = float(columns.value[last]), int(columns.mono_ns[last])
        self.count += len(value)
        newest = slice(-RING, None)
        numbers = (read.places[newest] + first).tolist()
        self.ring.extend(zip(numbers, read.time_ns[newest].tolist(), value[newest].tolist(), strict=True))

    def since(self, seq: int) -> tuple[list[int], list[float | None]] | None:
        """Readings after `seq`, at most `POINTS_A_FRAME` by min and max; None when there are none."""
        newer: list[tuple[int, float]] = []
        for number, time_ns, value in reversed(self.ring):
            if number <= seq:
                break
            newer.append((time_ns, value))
        if not newer:
            return None
        newer.reverse()
        times, values = zip(*newer, strict=True)
        line = thinned(np.array(times, np.int64), np.array(values), POINTS_A_FRAME)
        return line.times.tolist(), [finite(value) for value in line.values.tolist()]

    def to_json(self, now_mono_ns: int, atmosphere_pa: float) -> dict[str, Any]:
        channel, facts = self.channel, FACTS[self.channel.role]
        data: dict[str, Any] = {
            "name": channel.name,
            "role": str(channel.role),
            "label": facts.label,
            "instrument": channel.instrument,
            "unit": channel.si_unit,
            "shown_unit": channel.unit.text,
            **self._shown_line(atmosphere_pa),
            "against": str(channel.unit.against) if facts.quantity == "pressure" else None,
            "accuracy": channel.accuracy.text,
            "period_s": channel.period_s,
            "gap_s": stale_after_s(channel.period_s),
            "stale": self.stale,
            "count": self.count,
            "value": None,
        }
        if (off := found_off(channel)) is not None:
            data["found_off"] = off.words()
        if self.last is None:
            return data
        value = self.last.value
        day = utc_day(self.last.time_ns)
        data |= {
            "value": finite(value),
            "shown": finite(self._shown(value, atmosphere_pa)),
            "time": format_instant(self.last.time_ns),
            "seq": self.last.seq,
            "age_s": round((now_mono_ns - (self.seen_mono_ns or now_mono_ns)) / 1e9, 3),
            "changed": format_instant(self.changed_ns),
            "quality": quality_words(self.last.quality),
            "open_circuit": bool(self.last.quality & Quality.OPEN_CIRCUIT),
            "over_range": bool(self.last.quality & Quality.OVER_RANGE) and not self.last.quality & Quality.OPEN_CIRCUIT,
            "overdue": overdue(channel, day),
        }
        if math.isfinite(value):
            data["uncertainty"] = channel.standard_uncertainty(value, atmosphere_pa) * 1.96
        return data

    def _shown_line(self, atmosphere_pa: float) -> dict[str, float]:
        """`shown = value * shown_scale + shown_offset`, for pages that draw in the channel's own unit."""
        zero = self._shown(0.0, atmosphere_pa)
        return {"shown_scale": 1.0 / self.channel.unit.scale, "shown_offset": zero}

    def _shown(self, value: float, atmosphere_pa: float) -> float:
        unit = self.channel.unit
        return unit.from_si(value - atmosphere_pa if unit.against in (Against.GAUGE, Against.VACUUM) else value)


class Live:
    """The slot. `seq` is the newest durable sequence number it shows."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        self.channels = {channel.name: LiveChannel(channel) for channel in channels}
        self.followers: Sequence[Follower] = ()
        """The bench's standing limits, for the bands beside the values."""
        self.alarms: list[dict[str, Any]] = []
        self.session: dict[str, Any] | None = None
        self.seq = 0
        self.version = 0
        self._waiters: set[asyncio.Event] = set()
        self._watches: list[dict[str, Any]] = []
        self._focus = Focus()
        self.focus: dict[str, Any] = {}

    @property
    def watches(self) -> list[dict[str, Any]]:
        """What the session's watches say now; setting it moves the focus."""
        return self._watches

    @watches.setter
    def watches(self, statuses: list[dict[str, Any]]) -> None:
        self._watches = statuses = sorted(statuses, key=lambda status: job_order(status["watch"]))
        newest = max((live.last.time_ns for live in self.channels.values() if live.last is not None), default=0)
        self.focus = self._focus.of(statuses, newest)

    def checked(self, on: Callable[[Channel], Channel]) -> None:
        """Take what field checks now say of the channels."""
        for live in self.channels.values():
            live.channel = on(live.channel)

    def touch(self) -> None:
        """Something changed: wake every client."""
        self.version += 1
        for waiter in self._waiters:
            waiter.set()

    async def wait(self, version: int, timeout_s: float) -> bool:
        """Wait for a version newer than `version`; False after `timeout_s` real seconds without one."""
        if self.version > version:
            return True
        waiter = asyncio.Event()
        self._waiters.add(waiter)
        try:
            async with asyncio.timeout(timeout_s):
                await waiter.wait()
        except TimeoutError:
            return False
        finally:
            self._waiters.discard(waiter)
        return True

    def frame(self, since_seq: int, now_mono_ns: int, atmosphere_pa: float) -> dict[str, Any]:
        """Everything a page needs to be current."""
        trends: dict[str, Any] = {}
        for name, channel in self.channels.items():
            newer = channel.since(since_seq)
            if newer is not None:
                trends[name] = {"time_ms": [time // 1_000_000 for time in newer[0]], "value": newer[1]}
        return {
            "seq": self.seq,
            "channels": self.channel_list(now_mono_ns, atmosphere_pa),
            "trends": trends,
            "watches": self.watches,
            "focus": self.focus,
            "alarms": self.alarms,
            "session": self.session,
        }

    def oldest_seq(self) -> int:
        """The oldest sequence number from which frames can still go on without a hole."""
        full = [channel.ring[0][0] for channel in self.channels.values() if len(channel.ring) == RING]
        return max(full, default=0)

    def channel_list(self, now_mono_ns: int, atmosphere_pa: float) -> list[Mapping[str, Any]]:
        said = [band for status in self.watches for band in (status.get("details") or {}).get("bands", ())]
        bands = [*rule_bands(self.followers, atmosphere_pa), *said]
        return [_banded(live.to_json(now_mono_ns, atmosphere_pa), bands) for live in self.channels.values()]


def _banded(channel: dict[str, Any], bands: Sequence[Band]) -> dict[str, Any]:
    return channel | {"bands": bands_for(channel["name"], channel["role"], bands)}
