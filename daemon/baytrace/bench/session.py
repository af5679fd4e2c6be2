"""The running session: its watches follow what the journal holds, live and after a restart in the same way."""

from __future__ import annotations

import contextlib
import gc
import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Reading
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.records.playing import Player, channels_of, mark_of
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Followers
from baytrace.watches.watch import watch_named

JOB_WATCHES = ("evacuation", "charge", "pressures")
"""What a session follows when its plan names nothing; coils are measured where they are asked for, with their count and limits."""
MOST_TEXT = 2000
"""Characters of a mark, note or comment."""


def session_id(start_ns: int, title: str) -> str:
    """`20261125T093000Z-blue-van`: sorts by start, and is safe as a file name."""
    stamp = format_instant(start_ns, 0).replace("-", "").replace(":", "")
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-")
    return f"{stamp}-{slug}" if slug else stamp


def unused_id(journal: JournalReader, start_ns: int, title: str) -> str:
    """As `session_id`, with a number behind it where a session of this journal has that already: within a second, or by a clock set back."""
    first = session_id(start_ns, title)
    tried, number = first, 1
    while journal.last_event((Kind.SESSION_STARTED,), tried) is not None:
        number += 1
        tried = f"{first}-{number}"
    return tried


def mark_text(text: str) -> str:
    """What is kept of a mark's text: control characters, which no table can hold, become blanks. Raises BadInput."""
    plain = "".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in text).strip()
    if not plain:
        raise BadInput("a mark needs a text", where="text", right="say what happened, such as 'pump on'")
    if len(plain) > MOST_TEXT:
        raise BadInput(f"a mark has {len(plain)} characters", where="text", right=f"at most {MOST_TEXT}")
    return plain


def complete_plan(
    plan: Mapping[str, Mapping[str, Any]], refrigerant: str, label_g: float | None, elevation_m: float | None = None
) -> dict[str, dict[str, Any]]:
    """The plan with what the session knows filled in where a watch has such a setting. Raises BadInput for an unknown watch."""
    known: dict[str, Any] = {"refrigerant": refrigerant or None, "label_g": label_g, "elevation_m": elevation_m}
    whole: dict[str, dict[str, Any]] = {}
    for name, settings in (plan or {name: {} for name in JOB_WATCHES}).items():
        fields = watch_named(name).Settings.model_fields
        filled = {key: value for key, value in known.items() if key in fields and value is not None}
        whole[name] = filled | dict(settings)
    return whole


class RunningSession:
    """Fed every durable item of the session in order. A watch that breaks is set aside and says so; the rest go on."""

    def __init__(self, started: Event, watches: Followers) -> None:
        self.started = started
        self.id: str = started.session
        self.plan: Mapping[str, Mapping[str, Any]] = started.data["plan"]
        self.watches = watches
        self.seq = started.seq
        self.marks: list[dict[str, Any]] = []

    @classmethod
    def begun(cls, started: Event) -> RunningSession:
        """A session that begins now. Raises BadInput for settings a watch does not know."""
        return cls(started, Followers(started.data["plan"], channels_of(started)))

    def reading(self, reading: Reading) -> None:
        self.watches.item(reading)
        self.seq = reading.seq

    def event(self, event: Event) -> None:
        if event.kind == Kind.MARK:
            self.watches.item(mark_of(event))
        elif event.kind == Kind.HEARTBEAT:
            self.watches.advance(event.time_ns)
        self.noted(event)

    def noted(self, event: Event) -> None:
        """Keep what a page shows of an event the watches have had."""
        if event.kind == Kind.MARK:
            said = event.data
            self.marks.append({"time": format_instant(event.time_ns), "text": said["text"], "who": said.get("who", "")})
        self.seq = event.seq

    def verdict(self, name: str) -> Verdict:
        verdict = self.watches.verdict(name)
        if verdict is not None:
            return verdict
        reason = f"the watch itself broke ({self.watches.broken[name]}); its readings are kept"
        return Verdict(name, Outcome.UNDECIDED, "undecided", (reason,))

    def status(self, name: str) -> dict[str, Any]:
        """A watch's live status and verdict as JSON."""
        status = self.watches.status(name)
        verdict = self.verdict(name)
        data: dict[str, Any] = {"watch": name, "verdict": verdict.to_json()}
        if status is None:
            return data | {"phase": "broken", "sentence": verdict.reasons[0], "headline": ""}
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


def unclosed(journal: JournalReader) -> Event | None:
    """The `session_started` event of the newest session, when that was never closed."""
    started = journal.last_event((Kind.SESSION_STARTED,))
    if started is None:
        return None
    closed = journal.last_event((Kind.SESSION_CLOSED,), started.session)
    return started if closed is None or closed.seq < started.seq else None


def resume(journal: JournalReader, started: Event) -> tuple[RunningSession, Interpreter]:
    """The session as it stood, by playing its items again. Raises BadInput when the journal names an unknown channel."""
    player = Player(started)
    session = RunningSession(started, player.watches)
    with _no_collecting():
        _play(journal, player, session)
    return session, player.interpreter


@contextlib.contextmanager
def _no_collecting() -> Iterator[None]:
    """A million small tuples make no cycles; looking for some costs a fifth of the time."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _play(journal: JournalReader, player: Player, session: RunningSession) -> None:
    for chunk in journal.columns(after=session.seq):
        player.play(chunk, journal.channel_name)
        for event in chunk.events:
            session.noted(event)
        if len(chunk.seq):
            session.seq = max(session.seq, int(chunk.seq[-1]))
