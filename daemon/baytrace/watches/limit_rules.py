"""What a user may write as a limit, and one threshold with its deadband and delays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.watches.alarms import Condition
from baytrace.watches.limits_table import limit
from baytrace.watches.watch import WatchSettings

NO_SESSION = "no session"


class Rule(WatchSettings):
    """One user-written limit; as `[[limit]]` in a bench file."""

    name: str = ""
    """How the alarm is called; as the page calls the channel when empty."""
    channel: str = ""
    """The channel it watches; or give `role`."""
    role: Role | None = None
    """Watches every channel of this role."""
    high: float | None = None
    """Alarm above this."""
    low: float | None = None
    """Alarm below this."""
    rate_high: float | None = None
    """Alarm when rising faster than this, in the unit per minute."""
    rate_low: float | None = None
    """Alarm when changing by less than this per minute; negative for falling."""
    stale_after_s: float | None = Field(default=None, gt=0.0)
    """Alarm when nothing usable was heard for this long."""
    unit: str = ""
    """Unit of the numbers; the channel's own when empty. A pressure may end in a (absolute) or g (gauge)."""
    deadband: float = Field(default_factory=lambda: float(limit("limits.deadband")), ge=0.0)
    """How far back inside the limit it must come to clear."""
    on_delay_s: float = Field(default_factory=lambda: float(limit("limits.on_delay_s")), ge=0.0)
    """How long it must last to raise."""
    off_delay_s: float = Field(default_factory=lambda: float(limit("limits.off_delay_s")), ge=0.0)
    """How long it must be clear to return."""
    rate_window_s: float = Field(default_factory=lambda: float(limit("limits.rate_window_s")), gt=0.0)
    """Over how long a rate is taken."""
    priority: Literal["low", "medium", "high", "critical"] = "medium"
    """How urgent."""
    latched: bool = False
    """Whether it must be reset by hand."""
    quiet_in: tuple[str, ...] = ()
    """Phases in which it is suppressed by design: `no session`, or a watch and its phase as in `evacuation: pull-down`. The
    bench's standing limits only."""
    text: str = ""
    """What to do about it, shown with the alarm."""

    @model_validator(mode="after")
    def _makes_sense(self) -> Rule:
        if not self.channel and self.role is None:
            raise ValueError("name a channel or a role")
        if all(each is None for each in (self.high, self.low, self.rate_high, self.rate_low, self.stale_after_s)):
            raise ValueError("give at least one of high, low, rate_high, rate_low, stale_after_s")
        if self.high is not None and self.low is not None and self.high - self.low <= self.deadband:
            raise ValueError("high must be above low by more than the deadband")
        for phase in self.quiet_in:
            if phase != NO_SESSION and ": " not in phase:
                raise ValueError(
                    f"quiet_in {phase!r} is no phase: write {NO_SESSION!r}, or like 'evacuation: pull-down'"
                )
        return self


def parse_rules(tables: Iterable[Mapping[str, Any]], where: str = "limit") -> list[Rule]:
    """Rules from a bench file's `[[limit]]` tables. Raises BadInput naming every fault."""
    rules, faults = [], []
    for index, table in enumerate(tables):
        try:
            rules.append(Rule.model_validate(dict(table)))
        except ValidationError as error:
            for fault in error.errors():
                key = ".".join([f"{where}[{index}]", *(str(part) for part in fault["loc"])])
                faults.append(f"{key}: {fault['msg']}")
    if faults:
        raise BadInput("; ".join(faults))
    return rules


@dataclass(slots=True)
class Check:
    """One threshold with its delays. `sign` is +1 above, -1 below; `level` and `deadband` in the rule's unit."""

    alarm: str
    sign: float
    level: float
    deadband: float
    on_ns: int
    off_ns: int
    raised: bool = False
    over: bool | None = None
    clear: bool = False
    since: int | None = None

    def take(self, value: float | None, now: int) -> Condition:
        """None is unknown: what was waiting to raise goes on waiting, what was waiting to clear begins anew."""
        if value is None:
            self.over = None
            if self.raised:
                self.since = None
            return Condition.UNKNOWN
        beyond = self.sign * (value - self.level)
        self.over, self.clear = beyond > 0.0, beyond <= 0.0 and beyond <= -self.deadband
        return self.at(now)

    def at(self, now: int) -> Condition:
        """The condition with what was last heard still holding at `now`."""
        if self.over is None:
            return Condition.UNKNOWN
        wanted, delay = (self.clear, self.off_ns) if self.raised else (self.over, self.on_ns)
        if not wanted:
            self.since = None
        else:
            self.since = now if self.since is None else self.since
            if now - self.since >= delay:
                self.raised, self.since = not self.raised, None
        return Condition.ALARM if self.raised else Condition.NORMAL
