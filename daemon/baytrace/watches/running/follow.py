"""The running loop as a watch follows it: series by role, the stretch to judge, and each channel's settling, jointly."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from baytrace.measure.reading import Mark, Quality, Reading, usable
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.physics.cycles import Cycles, find_cycles
from baytrace.physics.settling import LOOK_S, MIN_SPAN_S, Settling, judge_settling
from baytrace.watches.running.own_conditions import History
from baytrace.watches.running.series import Floats, Series
from baytrace.watches.running.stretches import Stretch, ends_running, still_needed, stretches
from baytrace.watches.watch import View

NS = 1_000_000_000
NEEDED = (Role.LOW_SIDE, Role.HIGH_SIDE, Role.SUCTION_LINE, Role.LIQUID_LINE, Role.VENT_AIR)
ASIDE = (Role.DISCHARGE_LINE, Role.AMBIENT_AIR, Role.AMBIENT_HUMIDITY, Role.SYSTEM_TEMPERATURE)
ROLES = frozenset({*NEEDED, *ASIDE, Role.SYSTEM_PRESSURE, Role.BAROMETER})
"""`system_pressure` is heard only because the trace may start with it."""
_KEPT = frozenset({*NEEDED, *ASIDE})
_NO_ATMOSPHERE = int(Quality.NO_ATMOSPHERE)
_FIRST_RUNS, _LAST_RUNS = 8, 24
"""Of the runs that are over, so many of the first and of the last are kept."""
_LONGER = 1.3
"""A cycle of the high side so many times the low side's is the fan's (common practice, no source)."""
_LOOK_BACK_S = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0)
"""How long before the end of a stretch somebody may have seen it settled and gone to end it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Bands:
    """What counts as settled: pressures relative to their mean, temperatures in K; modes up to `slowest_s` are seen."""

    pressure: float
    temperature_k: float
    slowest_s: float
    cycle_swing: float
    least_s: float = MIN_SPAN_S
    hold_s: float = 0.0
    needed: tuple[Role, ...] = NEEDED
    """Channels that must have settled, where they are read."""


@dataclass(frozen=True, slots=True)
class ChannelState:
    """One needed channel over the judged stretch. `silent_s` is how long it has said nothing at the end."""

    role: Role
    settling: Settling
    silent_s: float = 0.0
    stale: bool = False

    @property
    def settled(self) -> bool:
        return self.settling.settled and not self.stale


@dataclass(frozen=True, slots=True)
class Running:
    """What is known of one stretch. `means` and `scatter` (k = 1) are SI by role; `settled_at_s` from the trace's start."""

    stretch: Stretch
    channels: Mapping[Role, ChannelState]
    cycles: Cycles | None
    means: Mapping[Role, float]
    scatter: Mapping[Role, float] = field(default_factory=dict)

    @property
    def complete(self) -> bool:
        return Role.LOW_SIDE in self.channels and Role.HIGH_SIDE in self.channels

    @property
    def settled(self) -> bool:
        return self.complete and all(channel.settled for channel in self.channels.values())

    @property
    def settled_at_s(self) -> float | None:
        if not self.settled:
            return None
        return max(channel.settling.since_s or 0.0 for channel in self.channels.values())

    @property
    def unsettled(self) -> list[ChannelState]:
        return [channel for channel in self.channels.values() if not channel.settled]

    @property
    def expected_s(self) -> float | None:
        waits = [channel.settling.expected_s for channel in self.unsettled]
        if not waits or any(wait is None for wait in waits):
            return None
        return max(wait for wait in waits if wait is not None)


class RunningFollower:
    """Feed it readings and marks in time order; ask `judged()` for the stretch a verdict rests on."""

    def __init__(self, bands: Bands, view: View) -> None:
        self.bands = bands
        self.view = view
        self.series: dict[Role, Series] = {}
        self.marks: list[tuple[float, str]] = []
        self.now_s = 0.0
        self.start_ns: int | None = None
        self.atmosphere_assumed = False
        self._count = 0
        self._cache: tuple[int, list[Running]] = (-1, [])
        self._over: dict[Stretch, Running] = {}
        self.earlier: list[Running] = []
        """Settled runs from before the present running, oldest first: their means, no readings."""
        self.columns: dict[tuple[Stretch, bool], dict[str, Any]] = {}
        """What `own_runs` worked out of runs that are over, by stretch and whether the atmosphere is assumed."""
        self._history = History()

    def seconds(self, time_ns: int) -> float:
        """Seconds from the first thing seen."""
        if self.start_ns is None:
            self.start_ns = time_ns
        return (time_ns - self.start_ns) / NS

    def reading(self, reading: Reading) -> None:
        time_ns, channel, role, value, quality, _ = reading
        if self.start_ns is None:
            self.start_ns = time_ns
        time_s = (time_ns - self.start_ns) / NS
        self.now_s = max(self.now_s, time_s)
        series = self._series_for(role, channel)
        if series is None:
            return
        if not math.isfinite(value) or (quality and not usable(quality)):
            series.unusable += 1
            return
        if quality & _NO_ATMOSPHERE:
            self.atmosphere_assumed = True
        self._count += 1
        series.append(time_s, value)

    def readings(self, readings: Sequence[Reading]) -> None:
        """As `reading` for each; a channel keeps its role throughout."""
        time_ns, channel, role, value, quality, _ = zip(*readings, strict=True)
        if self.start_ns is None:
            self.start_ns = time_ns[0]
        times, values = (np.array(time_ns, np.int64) - self.start_ns) / NS, np.array(value, np.float64)
        self.now_s = max(self.now_s, float(times.max()))
        flags = np.array(quality, np.int64)
        good = np.isfinite(values) & ~np.isin(flags, [each for each in set(quality) if not usable(each)])
        number = {name: index for index, name in enumerate(dict.fromkeys(channel))}
        numbers = np.array(list(map(number.__getitem__, channel)))
        for name, index in number.items():
            places = np.flatnonzero(numbers == index)
            series = self._series_for(role[places[0]], name)
            if series is None:
                continue
            chosen = places[good[places]]
            series.unusable += len(places) - len(chosen)
            self.atmosphere_assumed |= bool((flags[chosen] & _NO_ATMOSPHERE).any())
            self._count += len(chosen)
            series.extend(times[chosen], values[chosen])

    def _series_for(self, role: Role, channel: str) -> Series | None:
        """None for a role that is not kept, and for a second instrument in the same role: the first one heard counts."""
        series = self.series.get(role)
        if series is None and role in _KEPT:
            series = self.series[Role(role)] = Series(channel)
        return series if series is not None and series.channel == channel else None

    def mark(self, mark: Mark) -> None:
        time_s = self.seconds(mark.time_ns)
        self.now_s = max(self.now_s, time_s)
        text = " ".join(mark.text.casefold().split())
        before = self._stretches()
        self.marks = still_needed([*self.marks, (time_s, text)])
        self._history.mark(time_s, text)
        self._count += 1
        # what a mark ended is looked at now, while its readings are still there one by one
        off, now = ends_running(text), self._stretches()
        self._keep([part for part in before if part.start_s not in {each.start_s for each in now}])
        self._over = {part: self._look_back_at(part) for part in now if off or part.end_s < time_s}

    def _keep(self, parts: Sequence[Stretch]) -> None:
        """Runs that a mark put an end to for good: those that had settled are kept."""
        over = [running for part in parts if (running := self._look_back_at(part)).settled]
        kept = [*self.earlier, *over]
        self.earlier = kept if len(kept) <= _FIRST_RUNS + _LAST_RUNS else kept[:_FIRST_RUNS] + kept[-_LAST_RUNS:]

    def advance(self, time_ns: int) -> None:
        self.now_s = max(self.now_s, self.seconds(time_ns))

    def all(self) -> list[Running]:
        """Every stretch of the present running, oldest first."""
        if self._cache[0] != self._count:
            self._cache = self._count, [self._look_at(part) for part in self._stretches()]
        return self._cache[1]

    def every(self) -> list[Running]:
        """Every run that was kept and every stretch of the present running, oldest first."""
        return [*self.earlier, *self.all()]

    def _stretches(self) -> list[Stretch]:
        found = stretches(self.marks, self.now_s, self.series.get(Role.LOW_SIDE), self.series.get(Role.HIGH_SIDE))
        under = [self._history.at(part.start_s) for part in found]
        return [replace(part, conditions=said[0], repair=said[1]) for part, said in zip(found, under, strict=True)]

    def judged(self) -> Running | None:
        """The last stretch that settled, else the last that is long enough, else the last; None while nothing runs."""
        found = self.all()
        settled = [running for running in found if running.settled]
        long_enough = [running for running in found if running.stretch.length_s >= self.bands.least_s]
        for some in (settled, long_enough, found):
            if some:
                return some[-1]
        return None

    def _look_at(self, part: Stretch) -> Running:
        known = self._over.get(part)
        return known if known is not None else self._judged(part)

    def _look_back_at(self, part: Stretch) -> Running:
        """A stretch that is over. Whoever ended it saw it settled a moment before: where it is not so by a hair at its very end, the
        last moments in which it was count.
        """
        if part in self._over:
            return self._over[part]
        found = self._judged(part)
        for back_s in _LOOK_BACK_S:
            if found.settled or part.length_s - back_s < self.bands.least_s:
                break
            earlier = self._judged(replace(part, end_s=part.end_s - back_s))
            found = earlier if earlier.settled else found
        return found

    def _judged(self, part: Stretch) -> Running:
        records = {
            role: self.series[role].between(part.start_s, part.end_s)
            for role in (*NEEDED, *ASIDE)
            if role in self.series
        }
        records = {role: record for role, record in records.items() if len(record[0]) >= 2}
        cycles = self._cycles(records)
        channels = {
            role: self._channel(role, part, records[role], cycles) for role in self.bands.needed if role in records
        }
        means = {role: state.settling.mean for role, state in channels.items()}
        scatter = {role: state.settling.mean_uncertainty for role, state in channels.items()}
        settled_at = max((state.settling.since_s or part.start_s for state in channels.values()), default=part.start_s)
        for role in records:
            if role not in channels:
                times, values = records[role]
                late = values[times >= settled_at] if (times >= settled_at).any() else values[-1:]
                means[role] = float(late.mean())
                scatter[role] = 0.0
        return Running(part, channels, cycles, means, scatter)

    def _cycles(self, records: Mapping[Role, tuple[Floats, Floats]]) -> Cycles | None:
        """The clutch's cycle from the low side, or a fan's from the high side when that is longer for certain. Of one that both sides
        show the low side's stands: it falls while the compressor is on, and the high side rises then.
        """
        found: list[Cycles] = []
        for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
            if role in records:
                times, values = records[role]
                recent = int(np.searchsorted(times, times[-1] - LOOK_S))
                times, values = times[recent:], values[recent:]
                cycles = find_cycles(times, values, least_swing=self.bands.cycle_swing * float(np.mean(values)))
                if cycles is not None:
                    found.append(cycles)
        if len(found) == 2 and found[1].period_s <= _LONGER * found[0].period_s:
            return found[0]
        return found[-1] if found else None

    def _channel(self, role: Role, part: Stretch, record: tuple[Floats, Floats], cycles: Cycles | None) -> ChannelState:
        times, values = record
        band = self.bands.temperature_k
        if FACTS[role].quantity is Quantity.PRESSURE:
            band = self.bands.pressure * abs(float(np.mean(values[-max(len(values) // 4, 1) :])))
        settling = judge_settling(
            times,
            values,
            band,
            slowest_s=self.bands.slowest_s,
            cycles=cycles,
            least_s=self.bands.least_s,
            hold_s=self.bands.hold_s,
        )
        silent = part.end_s - float(times[-1])
        usual = float(np.median(np.diff(times)))
        return ChannelState(role, settling, silent, silent > max(15.0, 5.0 * usual))
