"""The running session: its watches follow what the journal holds, live and after a restart in the same way."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping, Sequence
from typing import Any

from baytrace.journal.store import Journal, Stored
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Mark, Reading
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Follower
from baytrace.watches.watch import watch_named

log = logging.getLogger(__name__)

JOB_WATCHES = ("evacuation", "charge", "pressures", "sweep")
"""What a session follows when its plan names nothing."""


def session_id(start_ns: int, title: str) -> str:
    """`20261125T093000Z-blue-van`: sorts by start, and is safe as a file name."""
    stamp = format_instant(start_ns, 0).replace("-", "").replace(":", "")
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-")
    return f"{stamp}-{slug}" if slug else stamp


def complete_plan(
    plan: Mapping[str, Mapping[str, Any]], refrigerant: str, label_g: float | None
) -> dict[str, dict[str, Any]]:
    """The plan with what the session knows filled in where a watch has such a setting. Raises BadInput for an unknown watch."""
    known: dict[str, Any] = {"refrigerant": refrigerant or None, "label_g": label_g}
    whole: dict[str, dict[str, Any]] = {}
    for name, settings in (plan or {name: {} for name in JOB_WATCHES}).items():
        fields = watch_named(name).Settings.model_fields
        filled = {key: value for key, value in known.items() if key in fields and value is not None}
        whole[name] = filled | dict(settings)
    return whole


class RunningSession:
    """Fed every durable item of the session in order. A watch that breaks is set aside and says so; the rest go on."""

    def __init__(self, started: Event, channels: Sequence[Channel]) -> None:
        self.started = started
        self.id: str = started.session
        self.plan: Mapping[str, Mapping[str, Any]] = started.data["plan"]
        self.followers = {name: Follower(name, settings, channels) for name, settings in self.plan.items()}
        self.broken: dict[str, str] = {}
        self.seq = started.seq
        self.marks: list[dict[str, Any]] = []

    def reading(self, reading: Reading) -> None:
        for name, follower in self.followers.items():
            if name not in self.broken:
                try:
                    follower.item(reading)
                except Exception as error:  # noqa: BLE001 - a broken watch must not stop the record
                    self._set_aside(name, error)
        self.seq = reading.seq

    def event(self, event: Event) -> None:
        if event.kind == Kind.MARK:
            self.marks.append(
                {"time": format_instant(event.time_ns), "text": event.data["text"], "who": event.data.get("who", "")}
            )
            mark = Mark(event.time_ns, event.data["text"], event.data.get("who", ""), event.seq)
            self._each("item", mark)
        elif event.kind == Kind.HEARTBEAT:
            self._each("advance", event.time_ns)
        self.seq = event.seq

    def _each(self, method: str, argument: Any) -> None:
        for name, follower in self.followers.items():
            if name not in self.broken:
                try:
                    getattr(follower, method)(argument)
                except Exception as error:  # noqa: BLE001 - as in `reading`
                    self._set_aside(name, error)

    def _set_aside(self, name: str, error: Exception) -> None:
        log.error("watch %s broke and is set aside", name, exc_info=error)
        self.broken[name] = f"{type(error).__name__}: {error}"

    def verdict(self, name: str) -> Verdict:
        if name not in self.broken:
            try:
                return self.followers[name].verdict()
            except Exception as error:  # noqa: BLE001 - as in `reading`
                self._set_aside(name, error)
        reason = f"the watch itself broke ({self.broken[name]}); its readings are kept"
        return Verdict(name, Outcome.UNDECIDED, "undecided", (reason,))

    def status(self, name: str) -> dict[str, Any]:
        """A watch's live status and verdict as JSON."""
        verdict = self.verdict(name)
        data: dict[str, Any] = {"watch": name, "verdict": verdict.to_json()}
        if name in self.broken:
            return data | {"phase": "broken", "sentence": verdict.reasons[0], "headline": ""}
        status = self.followers[name].status()
        data |= {
            "phase": status.phase,
            "sentence": status.sentence,
            "headline": status.headline,
            "waiting_for": status.waiting_for,
            "time_left_s": status.time_left_s,
            "progress": status.progress,
            "caution": status.caution,
            "details": dict(status.details),
        }
        if status.curve is not None:
            curve = status.curve
            data["curve"] = {
                "role": curve.role,
                "time_ms": [time // 1_000_000 for time in curve.times_ns],
                "value": list(curve.values),
                "low": list(curve.low),
                "high": list(curve.high),
            }
        return data

    def to_json(self) -> dict[str, Any]:
        data = self.started.data
        return {
            "id": self.id,
            "title": data.get("title", ""),
            "vehicle": data.get("vehicle", {}),
            "refrigerant": data.get("refrigerant", ""),
            "plan": {name: dict(settings) for name, settings in self.plan.items()},
            "started": format_instant(self.started.time_ns),
            "marks": self.marks[-50:],
        }


def unclosed(journal: Journal) -> Event | None:
    """The `session_started` event of a session that was never closed."""
    last: Event | None = None
    for event in journal.events(kinds=(Kind.SESSION_STARTED, Kind.SESSION_CLOSED)):
        if event.kind == Kind.SESSION_STARTED:
            last = event
        elif last is not None and event.session == last.session:
            last = None
    return last


def resume(journal: Journal, started: Event) -> tuple[RunningSession, Interpreter]:
    """The session as it stood, by feeding its items again. Raises BadInput when the journal names an unknown channel."""
    versions = {int(number): Channel.from_json(data) for number, data in started.data["channels"].items()}
    interpreter = Interpreter(versions.values())
    interpreter.restore(started.data["interpreter"])
    session = RunningSession(started, list(versions.values()))
    for item in journal.items(after=started.seq):
        if isinstance(item, Stored):
            if item.raw.channel not in interpreter.channels:
                raise BadInput(f"the journal holds readings of {item.raw.channel!r}, which was never declared")
            session.reading(interpreter.reading(item.raw, item.seq))
        else:
            session.event(item)
            if item.kind == Kind.BENCH_STARTED:
                interpreter.anchor(item.data["wall_ns"], item.data["mono_ns"])
            elif item.kind == Kind.CHANNEL_DECLARED:
                interpreter.redeclare(Channel.from_json(item.data["channel"]))
    return session, interpreter
