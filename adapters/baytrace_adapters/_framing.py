"""Bytes into lines. Pure: no port, no clock.

Rules of this file:
- A line exists only once its terminator has arrived; a tail without one is never handed out, whatever the silence after it.
- After `broken()` (port opened amid traffic, bytes dropped) everything up to the next terminator is a fragment and is not
  a line, because its beginning is unknown.
- A line longer than `longest` is given back as `TooLong` with what was kept of it, and the rest up to its terminator is
  skipped: a wire that babbles without line ends costs bounded memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Terminator(StrEnum):
    """What ends a line. `AUTO` takes CR, LF and CR LF alike."""

    AUTO = "auto"
    LF = "lf"
    CR = "cr"
    CRLF = "crlf"

    @property
    def written(self) -> bytes:
        """What ends a line that is sent."""
        return {"cr": b"\r", "crlf": b"\r\n"}.get(self.value, b"\n")


class TooLong(NamedTuple):
    """The kept beginning of a line that never ended within the cap."""

    beginning: bytes


class Fragment(NamedTuple):
    """What came before the first terminator after a break."""

    tail: bytes


_END = {
    Terminator.AUTO: re.compile(rb"[\r\n]+"),
    Terminator.LF: re.compile(rb"\n"),
    Terminator.CR: re.compile(rb"\r"),
    Terminator.CRLF: re.compile(rb"\r\n"),
}


@dataclass
class LineBuffer:
    """Feed chunks in order; lines come out whole and without their terminator. Empty lines are left out."""

    terminator: Terminator = Terminator.AUTO
    longest: int = 1024

    def __post_init__(self) -> None:
        self._tail = bytearray()
        self._skipping: Fragment | TooLong | None = None
        self._end = _END[self.terminator]

    def feed(self, chunk: bytes) -> list[bytes | TooLong | Fragment]:
        self._tail += chunk
        pieces: list[bytes | TooLong | Fragment] = []
        start = 0
        for end in self._end.finditer(self._tail):
            if end.end() == len(self._tail) and self.terminator is Terminator.CRLF and end.end() - end.start() < 2:
                break
            self._close(bytes(self._tail[start : end.start()]), pieces)
            start = end.end()
        del self._tail[:start]
        if len(self._tail) > self.longest:
            self._overflow()
        return pieces

    def broken(self) -> None:
        """Bytes are missing before the next ones: drop the tail and skip to the next terminator."""
        self._tail.clear()
        self._skipping = Fragment(b"")

    def reset(self) -> None:
        """Forget everything; the next byte begins a line."""
        self._tail.clear()
        self._skipping = None

    @property
    def pending(self) -> bytes:
        """The unterminated tail."""
        return bytes(self._tail)

    def _close(self, line: bytes, pieces: list[bytes | TooLong | Fragment]) -> None:
        skipping, self._skipping = self._skipping, None
        if isinstance(skipping, TooLong):
            pieces.append(skipping)
        elif skipping is not None:
            pieces.append(Fragment(skipping.tail + line))
        elif len(line) > self.longest:
            pieces.append(TooLong(line[: self.longest]))
        elif line:
            pieces.append(line)

    def _overflow(self) -> None:
        if self._skipping is None:
            self._skipping = TooLong(bytes(self._tail[: self.longest]))
        elif isinstance(self._skipping, Fragment) and not self._skipping.tail:
            self._skipping = Fragment(bytes(self._tail[: self.longest]))
        self._tail.clear()
