"""Alarm states after IEC 62682:2014 (ISA-18.2), as a pure state machine. Detection is somebody else's (`watches.limits`).

Rules of this file:
- Two things are kept apart for each alarm: its *condition* (normal, alarm, unknown: what the process does) and its *state*
  (what people still owe it). Unknown never changes a state: silence neither raises nor clears.
- States: normal; unacknowledged (in alarm, nobody answered); acknowledged (in alarm, answered); returned (back to normal,
  never answered); latched unacknowledged and latched acknowledged (back to normal, but held until reset).
- Shelved (by a person, always with an end time) and suppressed (by design) lie over that state and hide it; beneath, the
  machine runs on. When the cover goes, an alarm whose condition stands is unacknowledged again, so nothing is lost below.
- Every change is a `Transition`; `Transition.data()` is the journal's `alarm` event. Folding those events in order gives
  the book back (`restore`), with every condition unknown until readings come.
- Time never runs backwards: an earlier stamp counts as the newest seen.

    book.condition(id, Condition.ALARM, time_ns, value=...)   the process        book.advance(time_ns)   shelves end
    book.acknowledge / shelve / unshelve / suppress / unsuppress / reset (id, who, time_ns, comment)     people
    for transition in book.transitions(): ...                 drained, in order
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from baytrace.measure.faults import BadInput, NotNow, Unknown
from baytrace.measure.instant import NS, format_instant
from baytrace.measure.reading import Event
from baytrace.watches.limits_table import limit

PRIORITIES = ("low", "medium", "high", "critical")


class Condition(StrEnum):
    NORMAL = "normal"
    ALARM = "alarm"
    UNKNOWN = "unknown"


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"


ACTIVE = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""States beneath which the condition was last known to be in alarm."""


@dataclass(frozen=True, slots=True)
class AlarmSpec:
    """What an alarm is. `id` is stable, unique and safe in a URL."""

    id: str
    name: str
    channel: str = ""
    priority: str = "medium"
    latched: bool = False
    unit: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alarm. `beneath` is the state under a shelf or suppression, `value` in the spec's unit or None.

    `action` is raised, returned, acknowledged, reset, shelved, unshelved, shelf ended, suppressed, unsuppressed or retired.
    """

    time_ns: int
    spec: AlarmSpec
    action: str
    state: State
    beneath: State
    condition: Condition
    activations: int
    flapping: bool
    since_ns: int
    value: float | None = None
    who: str = ""
    comment: str = ""
    until_ns: int | None = None
    suppressed: str = ""

    @property
    def sounds(self) -> bool:
        """Whether people are to be called: newly unacknowledged, and not hidden."""
        return self.state is State.UNACKNOWLEDGED

    def data(self) -> dict[str, Any]:
        """The data of an `alarm` event (records.vocabulary), enough to fold the book back."""
        spec = self.spec
        data: dict[str, Any] = {
            "alarm": spec.id,
            "name": spec.name,
            "channel": spec.channel,
            "state": str(self.state),
            "priority": spec.priority,
            "text": spec.text,
            "unit": spec.unit,
            "who": self.who,
            "comment": self.comment,
            "action": self.action,
            "beneath": str(self.beneath),
            "condition": str(self.condition),
            "activations": self.activations,
            "flapping": self.flapping,
            "since_ns": self.since_ns,
            "latched": spec.latched,
            "suppressed": self.suppressed,
        }
        if self.value is not None and math.isfinite(self.value):
            data["value"] = self.value
        if self.until_ns is not None:
            data["until_ns"] = self.until_ns
        return data


@dataclass(slots=True)
class _Alarm:
    spec: AlarmSpec
    defined: bool = True
    beneath: State = State.NORMAL
    condition: Condition = Condition.UNKNOWN
    activations: int = 0
    since_ns: int = 0
    until_ns: int | None = None
    suppressed: str = ""
    value: float | None = None
    who: str = ""
    comment: str = ""
    recent: deque[int] = field(default_factory=deque)

    @property
    def state(self) -> State:
        if self.suppressed:
            return State.SUPPRESSED
        return State.SHELVED if self.until_ns is not None else self.beneath


class AlarmBook:
    """All alarms of a bench, or of one session's watch."""

    def __init__(self, specs: Iterable[AlarmSpec] = ()) -> None:
        self._alarms: dict[str, _Alarm] = {}
        self._out: list[Transition] = []
        self._now = 0
        self._flap_ns = int(limit("limits.flap_window_s") * NS)
        self._flap_times = int(limit("limits.flap_times"))
        self._shelf_ns = int(limit("limits.shelf_max_s") * NS)
        for spec in specs:
            self.define(spec)

    def define(self, spec: AlarmSpec) -> None:
        """Make an alarm known, or change what it says; its state stays. Raises BadInput for an unknown priority."""
        if spec.priority not in PRIORITIES:
            raise BadInput(f"priority {spec.priority!r} of {spec.id}", right=f"one of: {', '.join(PRIORITIES)}")
        alarm = self._alarms.get(spec.id)
        if alarm is None:
            self._alarms[spec.id] = _Alarm(spec)
        else:
            alarm.spec, alarm.defined = spec, True

    def condition(self, alarm_id: str, condition: Condition, time_ns: int, value: float | None = None) -> None:
        """What the process does, after deadband and delays. Raises KeyError for an alarm never defined."""
        now, alarm = self._at(time_ns), self._alarms[alarm_id]
        alarm.condition = condition
        if condition is Condition.UNKNOWN:
            return
        alarm.value = value
        if condition is Condition.ALARM and alarm.beneath not in ACTIVE:
            alarm.activations += 1
            alarm.since_ns = now
            alarm.recent.append(now)
            while len(alarm.recent) > self._flap_times:
                alarm.recent.popleft()
            self._change(alarm, "raised", State.UNACKNOWLEDGED, now)
        elif condition is Condition.NORMAL and alarm.beneath in ACTIVE:
            answered = alarm.beneath is State.ACKNOWLEDGED
            if alarm.spec.latched:
                after = State.LATCHED_ACKNOWLEDGED if answered else State.LATCHED_UNACKNOWLEDGED
            else:
                after = State.NORMAL if answered else State.RETURNED
            self._change(alarm, "returned", after, now)

    def advance(self, time_ns: int) -> None:
        """Shelves whose end has come are taken off."""
        now = self._at(time_ns)
        for alarm in self._alarms.values():
            if alarm.until_ns is not None and now >= alarm.until_ns:
                alarm.until_ns = None
                self._uncovered(alarm, "shelf ended", now, "", "")

    def acknowledge(self, alarm_id: str, who: str, time_ns: int, comment: str = "") -> None:
        """Raises BadInput when there is nothing to acknowledge; works beneath a shelf too."""
        now, alarm = self._at(time_ns), self._named(alarm_id)
        after = {
            State.UNACKNOWLEDGED: State.ACKNOWLEDGED,
            State.RETURNED: State.NORMAL,
            State.LATCHED_UNACKNOWLEDGED: State.LATCHED_ACKNOWLEDGED,
        }.get(alarm.beneath)
        if after is None:
            raise NotNow(f"alarm {alarm_id} is {alarm.beneath}: nothing to acknowledge", where="acknowledge")
        if not alarm.defined:
            # no limit watches it any more, so nothing could ever return it
            self._change(alarm, "retired", State.NORMAL, now, who=who, comment=comment)
        else:
            self._change(alarm, "acknowledged", after, now, who=who, comment=comment)

    def reset(self, alarm_id: str, who: str, time_ns: int, comment: str = "") -> None:
        """Lets a latched alarm go. Raises BadInput unless it is latched, acknowledged and back to normal."""
        now, alarm = self._at(time_ns), self._named(alarm_id)
        if alarm.beneath is not State.LATCHED_ACKNOWLEDGED:
            raise NotNow(
                f"alarm {alarm_id} is {alarm.beneath}: only a latched, acknowledged alarm can be reset", where="reset"
            )
        self._change(alarm, "reset", State.NORMAL, now, who=who, comment=comment)

    def shelve(self, alarm_id: str, who: str, time_ns: int, until_ns: int, comment: str = "") -> None:
        """Hide it until `until_ns`. Raises BadInput for an end in the past or too far away; shelving again moves the end."""
        now, alarm = self._at(time_ns), self._named(alarm_id)
        if not now < until_ns <= now + self._shelf_ns:
            raise BadInput(
                f"a shelf until {format_instant(until_ns, 0)} is not possible",
                where="shelve",
                right=f"at most {self._shelf_ns // NS // 3600} h from now",
            )
        alarm.until_ns = until_ns
        self._change(alarm, "shelved", alarm.beneath, now, who=who, comment=comment)

    def unshelve(self, alarm_id: str, who: str, time_ns: int, comment: str = "") -> None:
        now, alarm = self._at(time_ns), self._named(alarm_id)
        if alarm.until_ns is None:
            raise NotNow(f"alarm {alarm_id} is not shelved", where="unshelve")
        alarm.until_ns = None
        self._uncovered(alarm, "unshelved", now, who, comment)

    def suppress(self, alarm_id: str, who: str, time_ns: int, comment: str) -> None:
        """Hide it by design (its equipment is off, this step does not need it); `comment` is the reason and must be given."""
        now, alarm = self._at(time_ns), self._named(alarm_id)
        if not comment.strip():
            raise BadInput(f"suppressing alarm {alarm_id} needs its reason", where="suppress")
        alarm.suppressed = comment
        self._change(alarm, "suppressed", alarm.beneath, now, who=who, comment=comment)

    def unsuppress(self, alarm_id: str, who: str, time_ns: int, comment: str = "") -> None:
        now, alarm = self._at(time_ns), self._named(alarm_id)
        if not alarm.suppressed:
            raise NotNow(f"alarm {alarm_id} is not suppressed", where="unsuppress")
        alarm.suppressed = ""
        self._uncovered(alarm, "unsuppressed", now, who, comment)

    def transitions(self) -> list[Transition]:
        """Every change since the last call, in order."""
        out, self._out = self._out, []
        return out

    def restore(self, events: Iterable[Event]) -> None:
        """Fold `alarm` events, oldest first; others are passed over. Alarms no limit defines any more are kept until answered."""
        for event in events:
            if event.kind == "alarm" and "beneath" in event.data:
                self._fold(event.time_ns, event.data)
        for alarm in self._alarms.values():
            alarm.condition = Condition.UNKNOWN

    def beneath(self, alarm_id: str) -> State:
        return self._alarms[alarm_id].beneath

    def state(self, alarm_id: str) -> State:
        return self._named(alarm_id).state

    def suppression(self, alarm_id: str) -> str:
        """Why it is suppressed; empty when it is not."""
        return self._named(alarm_id).suppressed

    def standing(self) -> list[dict[str, Any]]:
        """Every alarm that is not simply normal, most urgent first, as JSON for pages; keys as in the journal's event."""
        shown = [alarm for alarm in self._alarms.values() if alarm.state is not State.NORMAL]
        shown.sort(key=lambda alarm: (-PRIORITIES.index(alarm.spec.priority), alarm.since_ns, alarm.spec.id))
        return [self._transition(alarm, "", self._now).data() for alarm in shown]

    def snapshot(self) -> dict[str, tuple[Any, ...]]:
        """What must survive a restart, by alarm id: everything but the condition and the last value."""
        return {
            name: (alarm.state, alarm.beneath, alarm.activations, alarm.since_ns, alarm.until_ns, alarm.suppressed)
            for name, alarm in self._alarms.items()
            if alarm.activations or alarm.state is not State.NORMAL
        }

    def _at(self, time_ns: int) -> int:
        self._now = max(self._now, time_ns)
        return self._now

    def _named(self, alarm_id: str) -> _Alarm:
        try:
            return self._alarms[alarm_id]
        except KeyError:
            raise Unknown(f"no alarm is called {alarm_id!r}", right=f"there are: {', '.join(self._alarms)}") from None

    def _uncovered(self, alarm: _Alarm, action: str, now: int, who: str, comment: str) -> None:
        again = alarm.beneath is State.ACKNOWLEDGED and alarm.state is State.ACKNOWLEDGED
        self._change(alarm, action, State.UNACKNOWLEDGED if again else alarm.beneath, now, who=who, comment=comment)

    def _change(
        self, alarm: _Alarm, action: str, beneath: State, now: int, *, who: str = "", comment: str = ""
    ) -> None:
        alarm.beneath, alarm.who, alarm.comment = beneath, who, comment
        self._out.append(self._transition(alarm, action, now))

    def _transition(self, alarm: _Alarm, action: str, now: int) -> Transition:
        times = alarm.recent
        flapping = len(times) >= self._flap_times and now - times[-self._flap_times] <= self._flap_ns
        return Transition(
            now,
            alarm.spec,
            action,
            alarm.state,
            alarm.beneath,
            alarm.condition,
            alarm.activations,
            flapping,
            alarm.since_ns,
            alarm.value,
            alarm.who,
            alarm.comment,
            alarm.until_ns,
            alarm.suppressed,
        )

    def _fold(self, time_ns: int, data: Mapping[str, Any]) -> None:
        alarm_id = data["alarm"]
        alarm = self._alarms.get(alarm_id)
        if alarm is None:
            spec = AlarmSpec(
                alarm_id,
                data.get("name", alarm_id),
                data.get("channel", ""),
                data.get("priority", "medium"),
                data.get("latched", False),
                data.get("unit", ""),
                data.get("text", ""),
            )
            alarm = self._alarms[alarm_id] = _Alarm(spec, defined=False)
        self._at(time_ns)
        alarm.beneath = State(data["beneath"])
        alarm.activations, alarm.since_ns = data["activations"], data["since_ns"]
        alarm.until_ns, alarm.suppressed = data.get("until_ns"), data.get("suppressed", "")
        alarm.value, alarm.who, alarm.comment = data.get("value"), data.get("who", ""), data.get("comment", "")
        if data["action"] == "raised":
            alarm.recent.append(time_ns)
            while len(alarm.recent) > self._flap_times:
                alarm.recent.popleft()
