"""The watch of a session's own limits; `watches.limit_engine` has the rules, `watches.alarms` the states.

Verdict: fail when an alarm was raised and its extreme is surely beyond the limit, pass when every extreme is surely within
and the channel was never silent; else undecided. Findings: `limits kept`, `limit broken`, `undecided`.
"""

from __future__ import annotations

import json
from typing import Any, ClassVar

from pydantic import Field, field_validator

from baytrace.measure.channel import Channel
from baytrace.measure.decision import assess, worst
from baytrace.measure.instant import NS
from baytrace.measure.interpret import standard_pressure
from baytrace.measure.reading import Mark, Quality, Reading, usable
from baytrace.measure.roles import FACTS, Quantity, Role, called
from baytrace.measure.uncertainty import K95
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, si_unit_name
from baytrace.measure.verdict import Figure, Outcome, Status, Verdict
from baytrace.watches.alarms import Transition
from baytrace.watches.bands import rule_bands
from baytrace.watches.limit_engine import Follower, LimitEngine, Seen
from baytrace.watches.limit_rules import Check, Rule, parse_rules
from baytrace.watches.limits_table import limit
from baytrace.watches.watch import View, WatchSettings

_NO_ATMOSPHERE = int(Quality.NO_ATMOSPHERE)

__all__ = ["WATCH", "LimitEngine", "Limits", "LimitsSettings", "Rule", "parse_rules"]


class LimitsSettings(WatchSettings):
    """The limits of one session."""

    limits: list[Rule] = Field(default_factory=list)
    """The limits, as a list of tables or as JSON text."""
    elevation_m: float | None = None
    """Height of the bench above sea level, for gauge limits without a barometer."""

    @field_validator("limits", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        if isinstance(value, str):
            try:
                return json.loads(value)
            except ValueError as error:
                raise ValueError(f"not JSON ({error})") from None
        return value


class Limits:
    """The watch: a session's own limits, alarms live and a verdict on how the session kept them."""

    name: ClassVar[str] = "limits"
    roles: ClassVar[frozenset[str]] = frozenset(str(role) for role in Role)
    summary: ClassVar[str] = "User-written limits on any channel, with alarms."

    Settings: ClassVar[type[WatchSettings]] = LimitsSettings

    def __init__(self, settings: Any, view: View) -> None:
        elevation = settings.elevation_m
        atmosphere = STANDARD_ATMOSPHERE_PA if elevation is None else standard_pressure(elevation)
        self._engine = LimitEngine(settings.limits, view.channels, atmosphere)
        self._elevation_said = elevation is not None
        self._barometer_heard = False

    def reading(self, reading: Reading) -> None:
        self._barometer_heard |= reading.role is Role.BAROMETER and usable(reading.quality)
        self._engine.reading(reading)

    def mark(self, mark: Mark) -> None:
        self._engine.advance(mark.time_ns)

    def advance(self, time_ns: int) -> None:
        self._engine.advance(time_ns)

    def transitions(self) -> list[Transition]:
        """Alarm transitions since the last call, in order."""
        return self._engine.transitions()

    def status(self) -> Status:
        standing = self._engine.book.standing()
        bands = rule_bands(self._engine.followers, self._engine.atmosphere_pa)
        details: dict[str, Any] = {"alarms": standing, "bands": bands}
        if not standing:
            return Status("watching", self._untold() or "Every limit is kept.", details=details)
        first, others = standing[0], len(standing) - 1
        more = f", and {others} other alarm{'' if others == 1 else 's'}" if others else ""
        return Status("alarm", f"{first['name']}: {first['text']} ({first['state']}){more}.", details=details)

    def _untold(self) -> str:
        """What keeps one from saying that every limit is kept; empty when nothing does."""
        if not self._engine.followers and not self._engine.unheard:
            return "No limit is set."
        unknown = [_rule_called(rule) for rule in self._engine.unheard]
        unknown += [_channel_called(each.channel) for each in self._engine.followers if not each.known]
        if not unknown:
            return ""
        names = ", ".join(dict.fromkeys(unknown))
        return f"Not known whether every limit is kept: nothing usable is heard from {names}."

    def verdict(self) -> Verdict:
        """Fail when a raised alarm's extreme is surely beyond its limit, pass when every extreme is surely within."""
        outcomes: list[Outcome] = []
        reasons: list[str] = []
        evidence: dict[str, Figure] = {}
        for rule in self._engine.unheard:
            outcomes.append(Outcome.UNDECIDED)
            reasons.append(f"{_rule_called(rule)} was never heard")
        for follower in self._engine.followers:
            self._judge(follower, outcomes, reasons, evidence)
        outcome = worst(outcomes)
        if not outcomes:
            reasons.append("no limit was set")
        finding = {Outcome.PASS: "limits kept", Outcome.FAIL: "limit broken"}.get(outcome, "undecided")
        return Verdict(self.name, outcome, finding, tuple(reasons), evidence)

    def _judge(
        self, follower: Follower, outcomes: list[Outcome], reasons: list[str], evidence: dict[str, Figure]
    ) -> None:
        channel, seen = follower.channel, follower.seen
        name = _channel_called(channel)
        if seen.highest is None or seen.lowest is None:
            outcomes.append(Outcome.UNDECIDED)
            reasons.append(f"{name} was never heard")
            return
        if seen.unknown_ns:
            outcomes.append(Outcome.UNDECIDED)
            reasons.append(f"{name} was silent for {seen.unknown_ns / NS:.0f} s")
        if seen.still and (follower.levels or follower.rates):
            outcomes.append(Outcome.UNDECIDED)
            reasons.append(
                f"{name} showed the same value all the while, to the last digit, as an instrument that stands still does: see that it "
                "moves, or give it a finer resolution"
            )
        evidence[f"{channel.name}_highest"] = _figure(channel, seen.highest)
        evidence[f"{channel.name}_lowest"] = _figure(channel, seen.lowest)
        for check in follower.levels:
            outcome = self._level(follower, check, seen)
            outcomes.append(outcome)
            if outcome is not Outcome.PASS:
                unsure = outcome is Outcome.UNDECIDED and self._air_unknown(follower, _extreme(follower, check))
                side = "above" if check.sign > 0 else "below"
                level = f"{side} {check.level:g} {follower.unit.text}"
                gauge = channel.instrument or channel.name
                if outcome is Outcome.FAIL:
                    reasons.append(f"{name} went {level}")
                elif unsure:
                    reasons.append(
                        f"whether {name} went {level} depends on the air pressure, which is unknown: set elevation_m or connect a "
                        "barometer"
                    )
                elif check.alarm in seen.raised:
                    reasons.append(f"{name} was shown {level}, but {gauge} is not accurate enough to be sure")
                else:
                    reasons.append(f"{name} came so near to it that {gauge} cannot tell whether it went {level}")
        for check in follower.rates:
            broken = check.alarm in seen.raised
            if not broken and not seen.sloped:
                outcomes.append(Outcome.UNDECIDED)
                window = follower.rule.rate_window_s
                reasons.append(
                    f"{name} was read too seldom or too briefly for a rate over {window:g} s: read it oftener or set a longer "
                    "rate_window_s"
                )
                continue
            outcomes.append(Outcome.FAIL if broken else Outcome.PASS)
            if broken:
                reasons.append(f"{name} changed faster than {check.level:g} {follower.unit.text} a minute")
        if follower.stale and follower.stale in seen.raised:
            outcomes.append(Outcome.UNDECIDED)
            reasons.append(f"{name} was silent for more than {follower.rule.stale_after_s:g} s")

    def _level(self, follower: Follower, check: Check, seen: Seen) -> Outcome:
        """In the rule's unit, where a vacuum unit counts the other way from SI."""
        extreme = _extreme(follower, check)
        air = self._engine.atmosphere_pa
        value = follower.shown(extreme.value, air)
        u = follower.channel.standard_uncertainty(extreme.value, air) / abs(follower.unit.scale)
        spread = 0.0
        if self._air_unknown(follower, extreme):
            lowest, highest = limit("decision.atmosphere_pa")
            spread = max(air - float(lowest), float(highest) - air) / abs(follower.unit.scale)
        edge = {"upper": check.level} if check.sign > 0 else {"lower": check.level}
        low, high = value - K95 * u - spread, value + K95 * u + spread
        outcome = assess(Figure(value, follower.unit.text, low, high, 0.95), **edge).outcome
        raised = check.alarm in seen.raised
        agrees = outcome is (Outcome.FAIL if raised else Outcome.PASS)
        return outcome if agrees else Outcome.UNDECIDED

    def _air_unknown(self, follower: Follower, extreme: Reading) -> bool:
        """Whether a pressure stands against its limit by an air pressure that nobody told this watch, or the bench."""
        relative, wanted = (
            unit.against in (Against.GAUGE, Against.VACUUM) for unit in (follower.channel.unit, follower.unit)
        )
        assumed = bool(extreme.quality & _NO_ATMOSPHERE)
        if relative and wanted:
            # what was added must be taken off again: sea level where the bench took that, else what was heard or said
            return not self._barometer_heard and self._elevation_said is assumed
        if relative:
            return assumed
        return wanted and not (self._barometer_heard or self._elevation_said)


def _extreme(follower: Follower, check: Check) -> Reading:
    """The reading that came nearest to the limit or furthest beyond."""
    inverse = follower.unit.scale < 0.0
    extreme = follower.seen.highest if (check.sign > 0) is not inverse else follower.seen.lowest
    assert extreme is not None
    return extreme


def _rule_called(rule: Rule) -> str:
    return FACTS[rule.role].label if rule.role is not None and not rule.channel else rule.channel


def _channel_called(channel: Channel) -> str:
    return called(channel.role, channel.name)


def _figure(channel: Channel, reading: Reading) -> Figure:
    quantity = FACTS[channel.role].quantity
    u = channel.standard_uncertainty(reading.value)
    if quantity is Quantity.TEMPERATURE:
        return Figure.between(reading.value - 273.15, u, "degC")
    return Figure.between(reading.value, u, si_unit_name(quantity))


WATCH = Limits
