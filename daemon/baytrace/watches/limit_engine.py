"""Limits followed on their channels: high, low, rate of change, silence. Alarm states are `watches.alarms`.

Rules of this file:
- A limit is checked in its own unit (the channel's unless `unit` says otherwise), gauge limits against the atmosphere last
  heard from a barometer, set by the bench (`LimitEngine.atmosphere_pa`) or worked out from `elevation_m`.
- Set at the limit, cleared a deadband inside it; either only after it lasted its delay without a break.
- A reading that cannot be used, or silence beyond `unknown_after_s` or five periods, makes the condition unknown. Unknown
  never clears: an off-delay begins again with the next reading.
- Time is the newest of readings and `advance`; nothing here asks a clock.

The bench owns one `LimitEngine` for its standing limits and feeds it everything:

    engine = LimitEngine(parse_rules(tables), channels)      engine.restore(journal.events(["alarm"]))
    engine.reading(reading)      engine.advance(time_ns)     each heartbeat
    engine.book.acknowledge(...) and the other actions       for t in engine.transitions(): journal Event("alarm", t.data())
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Event, Quality, Reading
from baytrace.measure.roles import Role, called
from baytrace.measure.uncertainty import fit_line
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, Unit, unit_for
from baytrace.watches.alarms import ACTIVE, AlarmBook, AlarmSpec, Condition, Transition
from baytrace.watches.limit_rules import Check, Rule
from baytrace.watches.limits_table import limit

_RATE_POINTS = 60


@dataclass(slots=True)
class Seen:
    """Extremes of one channel under one rule; an excursion counts only once it lasted long enough to raise."""

    highest: Reading | None = None
    lowest: Reading | None = None
    waiting: tuple[Reading, ...] = ()
    unknown_ns: int = 0
    raised: set[str] = field(default_factory=set)
    count: int = 0
    first: float | None = None
    moved: bool = False
    """Another value than the first was heard."""
    sloped: bool = False
    """A rate of change could be worked out."""

    def take(self, reading: Reading) -> None:
        if self.highest is None or reading.value > self.highest.value:
            self.highest = reading
        if self.lowest is None or reading.value < self.lowest.value:
            self.lowest = reading

    def wait(self, reading: Reading) -> None:
        """Keep the extremes of an excursion until it is known whether it counts."""
        kept = (*self.waiting, reading)
        self.waiting = (max(kept, key=lambda each: each.value), min(kept, key=lambda each: each.value))

    @property
    def still(self) -> bool:
        """One value all the while, to the last digit, as a frozen instrument shows."""
        return self.count > 1 and not self.moved

    def hear(self, value: float) -> None:
        """Of every usable reading, whether an excursion counts or not."""
        self.count += 1
        self.first = value if self.first is None else self.first
        self.moved |= value != self.first

    def settle(self, *, counts: bool) -> None:
        if counts:
            for reading in self.waiting:
                self.take(reading)
        self.waiting = ()


class Follower:
    """One rule on one channel."""

    def __init__(self, rule: Rule, channel: Channel, unit: Unit) -> None:
        self.rule, self.channel, self.unit = rule, channel, unit
        name = rule.name or called(channel.role, channel.name)
        slug = re.sub(r"[^a-z0-9_]+", "-", (rule.name or channel.name).lower()).strip("-") or "limit"
        if rule.name and rule.role is not None and not rule.channel:
            slug = f"{slug}-{re.sub(r'[^a-z0-9_]+', '-', channel.name.lower())}"
        self.specs: list[AlarmSpec] = []
        self.levels = self._checks(slug, name, (("high", 1.0, rule.high), ("low", -1.0, rule.low)))
        rates = (("rate_high", 1.0, rule.rate_high), ("rate_low", -1.0, rule.rate_low))
        self.rates = self._checks(slug, name, rates, "/min")
        self.stale = ""
        if rule.stale_after_s is not None:
            self.stale = f"{slug}-stale"
            said = rule.text or f"nothing heard for {rule.stale_after_s:g} s"
            self.specs.append(
                AlarmSpec(self.stale, f"{name} stale", channel.name, rule.priority, rule.latched, "s", said)
            )
        self.unknown_ns = int(max(5.0 * channel.period_s, limit("limits.unknown_after_s")) * NS)
        self.stale_ns = int((rule.stale_after_s or 0.0) * NS)
        self.heard: int | None = None
        self.known = False
        self.window: deque[tuple[int, float]] = deque()
        self.seen = Seen()

    def _checks(
        self, slug: str, name: str, wanted: Iterable[tuple[str, float, float | None]], per: str = ""
    ) -> list[Check]:
        rule, checks = self.rule, []
        for kind, sign, level in wanted:
            if level is None:
                continue
            alarm, words = f"{slug}-{kind.replace('_', '-')}", kind.replace("_", " ")
            side = "above" if sign > 0 else "below"
            said = rule.text or f"{side} {level:g} {self.unit.text}{per}"
            self.specs.append(
                AlarmSpec(
                    alarm, f"{name} {words}", self.channel.name, rule.priority, rule.latched, self.unit.text + per, said
                )
            )
            deadband = 0.0 if per else rule.deadband
            checks.append(Check(alarm, sign, level, deadband, int(rule.on_delay_s * NS), int(rule.off_delay_s * NS)))
        return checks

    def shown(self, value_si: float, atmosphere_pa: float) -> float:
        """In the rule's unit."""
        if self.unit.against is Against.GAUGE or self.unit.against is Against.VACUUM:
            value_si -= atmosphere_pa
        return self.unit.from_si(value_si)

    def slope(self, now: int, value: float) -> float | None:
        """Per minute over the window; None until half of it has been seen."""
        window_ns = int(self.rule.rate_window_s * NS)
        if not self.window or now - self.window[-1][0] >= window_ns // _RATE_POINTS:
            self.window.append((now, value))
        while now - self.window[0][0] > window_ns:
            self.window.popleft()
        if len(self.window) < 3 or now - self.window[0][0] < window_ns // 2:
            return None
        start = self.window[0][0]
        return 60.0 * fit_line([(t - start) / NS for t, _ in self.window], [v for _, v in self.window]).slope


class LimitEngine:
    """All limits of a bench or a session on their channels, with the book of their alarms."""

    def __init__(
        self,
        rules: Sequence[Rule],
        channels: Mapping[str, Channel] | Iterable[Channel],
        atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
    ) -> None:
        """Raises BadInput for a unit that does not fit its channel or two alarms of one name."""
        self.atmosphere_pa = atmosphere_pa
        self.book = AlarmBook()
        self._followers: list[Follower] = []
        self._by_channel: dict[str, list[Follower]] = {}
        self._now: int | None = None
        self._swept = 0
        self._start: int | None = None
        known = list(channels.values() if isinstance(channels, Mapping) else channels)
        self.unheard = [rule for rule in rules if not self._follow(rule, known)]

    def _follow(self, rule: Rule, channels: Sequence[Channel]) -> bool:
        matching = [
            channel
            for channel in channels
            if (rule.channel and channel.name == rule.channel) or (not rule.channel and channel.role is rule.role)
        ]
        for channel in matching:
            follower = Follower(rule, channel, unit_for(channel.role, rule.unit) if rule.unit else channel.unit)
            known = {spec.id for other in self._followers for spec in other.specs}
            for spec in follower.specs:
                if spec.id in known:
                    raise BadInput(
                        f"two limits make the alarm {spec.id!r}", where="limit", right="give each its own name"
                    )
                self.book.define(spec)
            self._followers.append(follower)
            self._by_channel.setdefault(channel.name, []).append(follower)
        return bool(matching)

    @property
    def followers(self) -> Sequence[Follower]:
        return self._followers

    def restore(self, events: Iterable[Event]) -> None:
        """Take up where the journal left off: states from its `alarm` events, conditions unknown."""
        self.book.restore(events)
        for follower in self._followers:
            for check in (*follower.levels, *follower.rates):
                check.raised = self.book.beneath(check.alarm) in ACTIVE

    def transitions(self) -> list[Transition]:
        return self.book.transitions()

    def reading(self, reading: Reading) -> None:
        """A late reading (older than its channel's newest) is passed over."""
        self.pass_time(reading.time_ns)
        if reading.role is Role.BAROMETER and Quality(reading.quality).usable and reading.value > 0.0:
            self.atmosphere_pa = reading.value
        for follower in self._by_channel.get(reading.channel, ()):
            if follower.heard is None or reading.time_ns >= follower.heard:
                self._take(follower, reading)

    def advance(self, time_ns: int) -> None:
        """Time passed: delays run out, channels fall silent, shelves end."""
        self.pass_time(time_ns, whole=True)

    def pass_time(self, time_ns: int, *, whole: bool = False) -> None:
        """Readings of any channel came up to this time; delays are looked at once a second, or now when `whole`."""
        self._start = time_ns if self._start is None else self._start
        now = self._now = time_ns if self._now is None else max(self._now, time_ns)
        if not whole and now - self._swept < NS:
            return
        self._swept = now
        for follower in self._followers:
            self._quiet(follower, now)
        self.book.advance(now)

    def _quiet(self, follower: Follower, now: int) -> None:
        """What time alone does to one follower."""
        since = follower.heard if follower.heard is not None else self._start
        silent = now - since if since is not None else 0
        if follower.stale and silent > follower.stale_ns:
            follower.seen.raised.add(follower.stale)
            self.book.condition(follower.stale, Condition.ALARM, now, silent / NS)
        if silent > follower.unknown_ns:
            if follower.known:
                follower.known = False
                follower.window.clear()
                for check in (*follower.levels, *follower.rates):
                    self._tell(follower, check, check.take(None, now), now, None)
            follower.seen.unknown_ns = max(follower.seen.unknown_ns, silent)
        else:
            for check in (*follower.levels, *follower.rates):
                self._tell(follower, check, check.at(now), now, None)

    def _take(self, follower: Follower, reading: Reading) -> None:
        now = self._now if self._now is not None else reading.time_ns
        quality = Quality(reading.quality)
        if not quality.usable or quality & Quality.SUSPECT or math.isnan(reading.value):
            for check in (*follower.levels, *follower.rates):
                self._tell(follower, check, check.take(None, now), now, None)
            follower.window.clear()
            return
        follower.heard, follower.known = reading.time_ns, True
        follower.seen.hear(reading.value)
        value = follower.shown(reading.value, self.atmosphere_pa)
        if follower.stale:
            self.book.condition(follower.stale, Condition.NORMAL, now, 0.0)
        for check in follower.levels:
            self._tell(follower, check, check.take(value, now), now, value)
        if follower.rates:
            slope = follower.slope(reading.time_ns, value)
            follower.seen.sloped |= slope is not None
            for check in follower.rates:
                self._tell(follower, check, check.take(slope, now), now, slope)
        _remember(follower.seen, follower.levels, reading)

    def _tell(self, follower: Follower, check: Check, condition: Condition, now: int, value: float | None) -> None:
        if condition is Condition.ALARM:
            follower.seen.raised.add(check.alarm)
            follower.seen.settle(counts=True)
        self.book.condition(check.alarm, condition, now, value)


def _remember(seen: Seen, checks: Sequence[Check], reading: Reading) -> None:
    if any(check.over and not check.raised for check in checks):
        seen.wait(reading)
    else:
        seen.settle(counts=False)
        seen.take(reading)
