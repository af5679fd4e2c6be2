"""Events as lines of JSON: what the journal chained, with the sequence number and a readable time added."""

from __future__ import annotations

import json
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import IO, Any

from baytrace.measure.faults import VerificationFailed
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.records.limits import MOST_EVENT_WEIGHT, MOST_LINE
from baytrace.records.plain_json import read_json

_FAR = 1 << 63


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
    number = 0
    try:
        with path.open("rb") as file:
            for number, line in enumerate(lines_of(file, MOST_LINE), 1):
                event = _event(line)
                if event_text(event) != line.decode().rstrip("\n"):
                    raise VerificationFailed(f"events.jsonl, line {number}: is not written as Baytrace writes it")
                yield event
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        raise VerificationFailed(f"events.jsonl, line {number + 1}: is no event of Baytrace") from None


def _event(line: bytes) -> Event:
    """Raises ValueError, KeyError or TypeError for what is none."""
    said = read_json(line, MOST_EVENT_WEIGHT)
    event = Event(said["time_ns"], said["mono_ns"], said["kind"], said["session"], said["data"], said["seq"])
    whole = all(type(number) is int and -_FAR <= number < _FAR for number in (event.time_ns, event.mono_ns, event.seq))
    if not whole or type(event.kind) is not str or type(event.session) is not str or type(event.data) is not dict:
        raise ValueError("something in it is of another type")
    return event


def lines_of(file: IO[bytes], most: int) -> Iterator[bytes]:
    """The lines of a file, none held beyond `most` bytes. Raises ValueError for a longer one."""
    while line := file.readline(most + 1):
        if len(line) > most:
            raise ValueError(f"a line has more than {most} bytes")
        yield line
