"""The forwarder: reads the journal by cursor, sends in order, confirms by what the server kept, and never gives up.

It runs as a process of its own, reading the journal read-only: nothing here can slow or stop the bench.

    send a body after sent_seq -> 204 -> sent_seq      barrier, read-back -> confirmed_seq
    server restarted, or a row missing in the read-back -> start again from confirmed_seq (times are fixed, so nothing doubles)
    a refused body is halved until the rows the server will not take are alone; those are set aside and counted
    rows answered with 204 and still missing after being sent again to the same run of the server are set aside too
"""

from __future__ import annotations

import itertools
import logging
import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Protocol

import numpy as np

from baytrace.forward.cursor import Cursor, CursorFile
from baytrace.forward.looking import dropped, growth, run_of, warnings
from baytrace.forward.rows import Body, Encoder, Part, Row, cut
from baytrace.forward.server import Refused, Server, Times, Unreachable, missing_of
from baytrace.journal.stretch import Chunk
from baytrace.measure.patience import rest_s

log = logging.getLogger(__name__)

ROWS_A_BODY = 10_000
ROWS_A_CONFIRMATION = 400_000
CONFIRM_EVERY_S = 15.0
SHOW_EVERY_S = 1.0
IDLE_S = 1.0
TRIES = 3
"""Rows the same run of the server did not keep this often are not sent again."""
REFUSED_IN_A_ROW = 32
"""After so many refused rows of one series without a taken one, the rest of its rows in this body share their fate."""
IN_MEMORY_S = 12.0
"""A server that cannot be asked for a barrier has put to disk what is older than this (measured: at most 10 s)."""


class Source(Protocol):
    """What is read of a journal."""

    def columns(self, after: int = 0, until: int | None = None) -> Iterator[Chunk]: ...

    def channel_name(self, version: int) -> str: ...


class Forwarder:
    """`steps` forever in `run`; `monotonic` is a parameter so that a test needs no patience.

    `window` (UTC ns) sends only what happened inside, with the very stamps it was or will be sent with otherwise.
    """

    def __init__(
        self,
        journal: Source,
        bench: str,
        server: Server,
        files: CursorFile,
        *,
        window: tuple[int, int] | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal, self._server, self._files = journal, server, files
        self._bench, self._now, self._window = bench, monotonic, window
        self.cursor: Cursor = files.read()
        self._lost_in: tuple[str, int, int] = ("", 0, 0)
        self._dropped: dict[str, int] | None = None
        self._restart()
        self._confirm_at = self._show_at = self._now() + CONFIRM_EVERY_S

    def _restart(self) -> None:
        """Go on from what is confirmed."""
        self.cursor.sent_seq = self.cursor.confirmed_seq
        self._encoder = Encoder(self._bench, self.cursor.encoder or None)
        self._bodies: Iterator[Body] = iter(())
        self._unsent: Body | None = None
        self._pending: dict[str, list[Times]] = {}
        self._waiting = 0

    # ------------------------------------------------------------------ life

    def run(self, stop: threading.Event, *, until_done: bool = False) -> None:
        """Until `stop`, or until everything is confirmed; back-off is on the monotonic clock."""
        attempt, looked = 0, False
        while not stop.is_set():
            try:
                if not looked:
                    self.look()
                    looked = True
                busy = self.step()
                attempt = 0
                self.cursor.state, self.cursor.last_error = "up to date" if not busy else "sending", ""
                if not busy and until_done:
                    self.confirm()
                    return
                if not busy:
                    stop.wait(IDLE_S)
            except Unreachable as error:
                if str(error) != self.cursor.last_error:
                    log.warning("%s; it is tried again until it can be", error)
                self.cursor.state, self.cursor.last_error = "waiting for the server", str(error)
                self._files.write(self.cursor, durable=False)
                pause = error.after_s if error.after_s is not None else rest_s(attempt)
                attempt += 1
                stop.wait(pause * random.uniform(1.0, 1.3))  # noqa: S311 - spreads retries
        self.cursor.state = "stopped"
        self._files.write(self.cursor)

    def look(self) -> list[str]:
        """Try the server with one row and ask what it would drop; the warnings. Raises Unreachable."""
        wrong = self._server.probe(self._bench, time.time_ns() // 1_000_000)
        self._unsent = self._unsent or next(self._more(), None)
        times = [int(part.time_ms.min()) for part in self._unsent.parts] if self._unsent else []
        oldest = min(times) * 1_000_000 if times else None
        text = self._server.metrics()
        self._dropped = dropped(text)
        found = [wrong] if wrong else []
        self.cursor.warnings = found + warnings(text, oldest, time.time_ns())
        for warning in self.cursor.warnings:
            log.warning("%s", warning)
        return self.cursor.warnings

    def step(self) -> bool:
        """Send one body and confirm when it is time; whether there was anything to send. Raises Unreachable."""
        if not self.cursor.run:
            self._same_run()
        body = self._unsent or next(self._more(), None)
        if body is not None:
            self._unsent = body
            self._send(body)
            self._unsent = None
            self.cursor.sent_seq = body.last
            self.cursor.unsendable += self._encoder.unsendable
            self._encoder.unsendable = 0
        elif self._waiting and not self._same_run():
            return True
        if self._waiting >= ROWS_A_CONFIRMATION or self._now() >= self._confirm_at:
            self.confirm()
        if self._now() >= self._show_at:
            self._show_at = self._now() + SHOW_EVERY_S
            self._files.write(self.cursor, durable=False)
        return body is not None

    def _more(self) -> Iterator[Body]:
        """Bodies from where the encoder stands; asks the journal again once it had no more."""
        first = next(self._bodies, None)
        if first is None:
            self._bodies = self._read()
            first = next(self._bodies, None)
        return iter(()) if first is None else itertools.chain([first], self._bodies)

    def _read(self) -> Iterator[Body]:
        for chunk in self._journal.columns(after=self.cursor.sent_seq):
            for piece in cut(chunk, ROWS_A_BODY):
                body = self._encoder.body(piece, self._journal.channel_name)
                if body.last:
                    yield body if self._window is None else _within(body, *self._window)

    def _same_run(self) -> bool:
        """False when the server was restarted and everything unconfirmed has to be sent again."""
        run = self._server.run_stamp()
        if run != self.cursor.run:
            again = bool(self.cursor.run) and self._waiting > 0
            self.cursor.run = run
            if again:
                log.warning("the server was restarted; sending again from %d", self.cursor.confirmed_seq)
                self.cursor.resent += self._waiting
                self._restart()
                return False
        return True

    # ------------------------------------------------------------------ sending

    def _send(self, body: Body) -> None:
        if body.rows == 0:
            return
        refused: list[tuple[Row, str]] = []
        try:
            self._server.send(body.text())
        except Refused:
            for part in body.parts:
                refused += self._part_of_refused(part)
        gone = {(row.series, row.time_ms) for row, _ in refused}
        for row, why in sorted(refused, key=lambda each: each[0].seq):
            if row.seq > self.cursor.quarantined_seq:
                self._files.set_aside(seq=row.seq, line=row.line, why=why)
                self.cursor.quarantined += 1
                self.cursor.quarantined_seq = row.seq
        for part in body.parts:
            times = part.time_ms
            if gone:
                times = np.array([ms for ms in times.tolist() if (part.series, ms) not in gone], np.int64)
            if len(times):
                self._pending.setdefault(part.series, []).append(times)
                self._waiting += len(times)
                self.cursor.sent += len(times)

    def _part_of_refused(self, part: Part) -> list[tuple[Row, str]]:
        """The rows of one series the server refuses, found by halving."""
        refused: list[tuple[Row, str]] = []
        in_a_row = 0

        def attempt(rows: Sequence[Row]) -> None:
            nonlocal in_a_row
            why = f"its {REFUSED_IN_A_ROW} forerunners were refused one by one"
            if in_a_row < REFUSED_IN_A_ROW:
                try:
                    self._server.send("".join(row.line for row in rows))
                except Refused as error:
                    why = str(error)
                else:
                    in_a_row = 0
                    return
            elif len(rows) > 1:
                refused.extend((row, why) for row in rows)
                return
            if len(rows) == 1:
                in_a_row += 1
                refused.append((rows[0], why))
                return
            half = len(rows) // 2
            attempt(rows[:half])
            attempt(rows[half:])

        attempt(part.rows())
        return refused

    # ------------------------------------------------------------------ confirming

    def confirm(self) -> None:
        """Advance `confirmed_seq` when the server shows everything sent since; else start again from there."""
        self._confirm_at = self._now() + CONFIRM_EVERY_S
        if self._waiting and self.cursor.run:
            sent = {series: np.concatenate(times) for series, times in self._pending.items()}
            self._settle(missing_of(sent, self._read_back(sent)))
            text = self._server.metrics()
            counts = dropped(text)
            if (
                self._dropped is not None
                and run_of(text) == self.cursor.run
                and (grew := growth(self._dropped, counts))
            ):
                log.warning("%s", "; ".join(grew))
                self.cursor.warnings = [each for each in self.cursor.warnings if " dropped " not in each] + grew
        if self.cursor.confirmed_seq != self.cursor.sent_seq:
            self.cursor.confirmed_seq = self.cursor.sent_seq
            self.cursor.confirmed += self._waiting
            self.cursor.encoder = self._encoder.state()
            self._pending, self._waiting = {}, 0
            self._files.write(self.cursor)

    def _read_back(self, sent: Mapping[str, Times]) -> dict[str, Times]:
        """What the server has on disk of the time that was sent."""
        if not self._server.barrier():
            time.sleep(IN_MEMORY_S)
            if self._server.run_stamp() != self.cursor.run:
                raise Unreachable("the server was restarted before it had everything on disk")
        low = min(int(times.min()) for times in sent.values())
        high = max(int(times.max()) for times in sent.values())
        return self._server.kept(self._bench, low, high)

    def _settle(self, lost: Mapping[str, Times]) -> None:
        """Nothing lost: return. Lost: start again, or set aside what this run of the server will not keep."""
        count = sum(len(times) for times in lost.values())
        if not count:
            return
        run = self._server.run_stamp()
        tries = 1 + (self._lost_in[2] if self._lost_in[:2] == (run, self.cursor.confirmed_seq) else 0)
        self._lost_in = (run, self.cursor.confirmed_seq, tries)
        if tries >= TRIES:
            why = "answered with 204 and not kept, three times (outside what the server retains?)"
            for series, times in lost.items():
                self._files.set_aside(
                    series=series, from_ms=int(times.min()), to_ms=int(times.max()), rows=len(times), why=why
                )
            self.cursor.quarantined += count
            self._waiting -= count
            log.warning("%d rows the server does not keep were set aside", count)
            return
        log.warning("%d rows sent are not at the server; sending again from %d", count, self.cursor.confirmed_seq)
        self.cursor.resent += self._waiting
        self.cursor.run = run
        self._restart()
        raise Unreachable(f"{count} rows answered with 204 were not kept")


def _within(body: Body, start_ns: int, end_ns: int) -> Body:
    """The body's rows of a span of time."""
    parts = []
    for part in body.parts:
        inside = (part.time_ms >= start_ns // 1_000_000) & (part.time_ms < end_ns // 1_000_000)
        chosen = np.flatnonzero(inside)
        if len(chosen):
            lines = [part.lines[place] for place in chosen.tolist()]
            parts.append(Part(part.series, part.seq[chosen], part.time_ms[chosen], lines))
    return Body(body.last, parts)
