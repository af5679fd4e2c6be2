"""A fast clock that two processes share and that waits for them: slower on a busy computer, and right.

Theory. A clock that merely runs N times as fast turns every pause of the computer into N times as long a silence of the
instruments. This one runs on a lease. The board (a small file both processes map) holds a line, time = base + rate * real time
since then, and a limit that the line never passes. Whoever leads moves the limit on while all that was sent has been taken; where
nobody does, time stands still at the limit, in both processes at once.

Rules of this file:
- Time never runs backwards and never jumps: the line is laid anew only while it stands at its limit, from there.
- One process writes the line and the limit, the other only how far it has come (`done`): no lock is needed. A reader that
  meets a half-written line reads again.
- The limit is never further ahead than `LEASE_S`, and never beyond what the other has done by more than `AHEAD_S`.

Limits: the stamps of both are those of one line, to about a millisecond of real time. It is for simulated work alone; a real
instrument waits for nobody.
"""

from __future__ import annotations

import asyncio
import mmap
import time
from collections.abc import Callable
from pathlib import Path

from baytrace.measure.clock import NS

LEASE_S = 1.0
"""Clock seconds that may pass before the leader has looked again."""
AHEAD_S = 2.0
"""Clock seconds that the clock may be ahead of what the follower has done: two turns on their way."""
LOOK_REAL_S = 0.002
_WAIT_REAL_S = 0.001
_START, _RATE, _ANCHOR, _VERSION, _BASE, _SINCE, _LIMIT, _DONE = range(8)
_SIZE = 8 * 8
_MILLIONTH = 1_000_000


class Board:
    """Eight whole numbers in a file that two processes map: the clock's start (UTC ns), its rate in millionths, the machine's
    steady clock at the start, then the version of the line, the line's base and the steady instant it holds from, the limit
    and what the follower has done, all in ns.
    """

    def __init__(self, file: Path) -> None:
        with file.open("r+b") as opened:
            self._map = mmap.mmap(opened.fileno(), _SIZE)
        self._cells = memoryview(self._map).cast("q")

    @classmethod
    def made(cls, file: Path, rate: float, start_ns: int) -> Board:
        """A board for a clock that stands at `start_ns` (UTC) until it is led."""
        file.write_bytes(bytes(_SIZE))
        board = cls(file)
        now = time.monotonic_ns()
        for place, value in ((_START, start_ns), (_RATE, round(rate * _MILLIONTH)), (_ANCHOR, now), (_SINCE, now)):
            board._cells[place] = value
        board._cells[_DONE] = int(AHEAD_S * NS)
        return board

    @property
    def start_ns(self) -> int:
        return self._cells[_START]

    @property
    def rate(self) -> float:
        return self._cells[_RATE] / _MILLIONTH

    @property
    def anchor_ns(self) -> int:
        return self._cells[_ANCHOR]

    @property
    def limit_ns(self) -> int:
        return self._cells[_LIMIT]

    @property
    def done_ns(self) -> int:
        return self._cells[_DONE]

    def do(self, done_ns: int) -> None:
        """The follower has done all up to here (ns of the clock's own time)."""
        self._cells[_DONE] = done_ns

    def line(self) -> tuple[int, int]:
        """Base and the steady instant it holds from, as one was written."""
        while True:
            version = self._cells[_VERSION]
            found = self._cells[_BASE], self._cells[_SINCE]
            if version % 2 == 0 and version == self._cells[_VERSION]:
                return found

    def lay(self, base_ns: int, since_ns: int) -> None:
        self._cells[_VERSION] += 1
        self._cells[_BASE], self._cells[_SINCE] = base_ns, since_ns
        self._cells[_VERSION] += 1

    def allow(self, limit_ns: int) -> None:
        self._cells[_LIMIT] = limit_ns


class PacedClock:
    """The clock of a board; every process that maps it reads the same time."""

    def __init__(self, board: Board) -> None:
        self.board, self.rate, self.start_ns = board, board.rate, board.start_ns

    def elapsed_ns(self) -> int:
        """Clock time since the start."""
        base, since = self.board.line()
        return min(base + int((time.monotonic_ns() - since) * self.rate), self.board.limit_ns)

    def wall_ns(self) -> int:
        return self.start_ns + self.elapsed_ns()

    def mono_ns(self) -> int:
        return self.board.anchor_ns + self.elapsed_ns()

    def done(self, mono_ns: int) -> None:
        """Tell the leader that everything due before this instant (of `mono_ns`) has been done."""
        self.board.do(mono_ns - self.board.anchor_ns)

    async def sleep(self, seconds: float) -> None:
        due = self.elapsed_ns() + int(seconds * NS)
        while (left := due - self.elapsed_ns()) > 0:  # noqa: ASYNC110 - no event crosses processes
            await asyncio.sleep(max(left / NS / self.rate, _WAIT_REAL_S))
        if seconds <= 0.0:
            await asyncio.sleep(0)

    def real_seconds(self, seconds: float) -> float:
        return seconds / self.rate


class Leader:
    """Moves the limit on while `taken()` says that nothing is waiting. `stood_s` is how long the clock stood still, real time."""

    def __init__(self, clock: PacedClock, taken: Callable[[], bool] = lambda: True) -> None:
        self._clock, self.taken = clock, taken
        self.stood_s = 0.0

    def look(self) -> bool:
        """One look; whether time may go on."""
        board, now = self._clock.board, self._clock.elapsed_ns()
        limit = min(now + int(LEASE_S * NS), board.done_ns + int(AHEAD_S * NS))
        if limit <= board.limit_ns or not self.taken():
            return now < board.limit_ns
        if now >= board.limit_ns:
            base, since = board.line()
            self.stood_s += max((time.monotonic_ns() - since) / NS - (now - base) / NS / self._clock.rate, 0.0)
            board.lay(board.limit_ns, time.monotonic_ns())
        board.allow(limit)
        return True

    async def lead(self) -> None:
        """Until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_REAL_S)
