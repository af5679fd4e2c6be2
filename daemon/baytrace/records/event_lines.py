"""Events as lines of JSON: what the journal chained, with the sequence number and a readable time added."""

from __future__ import annotations

import json
from collections.abc import Generator
from pathlib import Path
from typing import Any

from baytrace.measure.faults import VerificationFailed
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event


def event_text(event: Event) -> str:
    """One line, keys sorted, without the line feed."""
    said: dict[str, Any] = {
        "seq": event.seq,
        "time": format_instant(event.time_ns),
        "time_ns": event.time_ns,
        "mono_ns": event.mono_ns,
        "kind": event.kind,
        "session": event.session,
        "data": event.data,
    }
    return json.dumps(said, sort_keys=True, separators=(",", ":"), allow_nan=False)


def read_events(path: Path) -> Generator[Event]:
    """Raises VerificationFailed naming the line that is not one of ours."""
    with path.open("r", encoding="utf-8", newline="\n") as file:
        number = 0
        try:
            for number, line in enumerate(file, 1):
                said = json.loads(line)
                event = Event(
                    said["time_ns"], said["mono_ns"], said["kind"], said["session"], said["data"], said["seq"]
                )
                if event_text(event) != line.rstrip("\n"):
                    raise VerificationFailed(f"events.jsonl, line {number}: is not written as Baytrace writes it")
                yield event
        except (ValueError, KeyError, TypeError):
            raise VerificationFailed(f"events.jsonl, line {number + 1}: is no event of Baytrace") from None
