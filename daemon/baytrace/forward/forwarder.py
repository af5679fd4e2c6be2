"""The forwarder: reads the journal by cursor, sends in order, confirms by what the server kept, and never gives up.

It runs as a process of its own, reading the journal read-only: nothing here can slow or stop the bench.

    send rows after sent_seq -> 204 -> sent_seq        barrier, read-back -> confirmed_seq
    server restarted, or a row missing in the read-back -> start again from confirmed_seq (times are fixed, so nothing doubles)
    a refused body is halved until the rows the server will not take are alone; those are set aside and counted
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Sequence
from itertools import islice

from baytrace.forward.cursor import Cursor, CursorFile
from baytrace.forward.rows import Encoder, Row
from baytrace.forward.server import Refused, Server, Unreachable, missing_of
from baytrace.journal.store import JournalView

log = logging.getLogger(__name__)

ROWS_A_BODY = 5000
ROWS_A_CONFIRMATION = 200_000
CONFIRM_EVERY_S = 15.0
IDLE_S = 0.5
BACKOFF_S = (1.0, 2.0, 5.0, 10.0, 30.0)


class Forwarder:
    """`steps` forever in `run`; `monotonic` and `wait` are parameters so that a test needs no patience."""

    def __init__(
        self,
        journal: JournalView,
        bench: str,
        server: Server,
        files: CursorFile,
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal, self._server, self._files = journal, server, files
        self._bench, self._now = bench, monotonic
        self.cursor: Cursor = files.read()
        self._restart()
        self._confirm_at = self._now() + CONFIRM_EVERY_S

    def _restart(self) -> None:
        """Go on from what is confirmed."""
        self.cursor.sent_seq = self.cursor.confirmed_seq
        self._encoder = Encoder(self._bench, self.cursor.encoder or None)
        self._pending: list[tuple[str, int]] = []
        self._span = (0, 0)

    def run(self, stop: threading.Event) -> None:
        """Until `stop`; back-off is on the monotonic clock."""
        attempt = 0
        while not stop.is_set():
            try:
                busy = self.step()
                attempt = 0
                self.cursor.state, self.cursor.last_error = "up to date" if not busy else "sending", ""
                if not busy:
                    stop.wait(IDLE_S)
            except Unreachable as error:
                self.cursor.state, self.cursor.last_error = "waiting for the server", str(error)
                self._files.write(self.cursor)
                pause = error.after_s if error.after_s is not None else BACKOFF_S[min(attempt, len(BACKOFF_S) - 1)]
                attempt += 1
                stop.wait(pause * random.uniform(0.8, 1.2))  # noqa: S311 - spreads retries
        self._files.write(self.cursor)

    def step(self) -> bool:
        """Send one body and confirm when it is time; whether there was anything to send. Raises Unreachable."""
        self._same_run()
        items = self._journal.items(after=self.cursor.sent_seq)
        rows = list(islice(self._encoder.rows(items), ROWS_A_BODY))
        if rows:
            self._send([row for row in rows if row.line])
            self.cursor.sent_seq = rows[-1].seq
            self.cursor.unsendable += self._encoder.unsendable
            self._encoder.unsendable = 0
        if self._pending and (len(self._pending) >= ROWS_A_CONFIRMATION or self._now() >= self._confirm_at):
            self._confirm()
        return bool(rows)

    def _same_run(self) -> None:
        run = self._server.run_stamp()
        if run != self.cursor.run:
            if self.cursor.run and self.cursor.sent_seq > self.cursor.confirmed_seq:
                log.warning("the server was restarted; sending again from %d", self.cursor.confirmed_seq)
                self.cursor.resent += self.cursor.sent_seq - self.cursor.confirmed_seq
                self._restart()
            self.cursor.run = run

    def _send(self, rows: Sequence[Row]) -> None:
        if not rows:
            return
        try:
            self._server.send("".join(row.line for row in rows))
        except Refused as error:
            if len(rows) == 1:
                self._files.set_aside(rows[0].seq, rows[0].line, str(error))
                self.cursor.quarantined += 1
                return
            half = len(rows) // 2
            self._send(rows[:half])
            self._send(rows[half:])
            return
        self.cursor.sent += len(rows)
        times = [row.time_ms for row in rows]
        low, high = (
            (min(times), max(times)) if not self._pending else (min(self._span[0], *times), max(self._span[1], *times))
        )
        self._span = (low, high)
        self._pending.extend((row.series, row.time_ms) for row in rows)

    def _confirm(self) -> None:
        """Advance `confirmed_seq` when the server shows everything sent since; else start again from there."""
        self._confirm_at = self._now() + CONFIRM_EVERY_S
        if self.cursor.run:
            self._server.barrier()
            kept = self._server.kept(self._bench, self._span[0], self._span[1])
            lost = missing_of(self._pending, kept)
            if lost:
                log.warning(
                    "%d rows sent are not at the server; sending again from %d", lost, self.cursor.confirmed_seq
                )
                self.cursor.last_error = f"{lost} rows answered with 204 were not kept"
                self.cursor.resent += len(self._pending)
                self._restart()
                self._files.write(self.cursor)
                raise Unreachable(self.cursor.last_error)
        self.cursor.confirmed_seq = self.cursor.sent_seq
        self.cursor.confirmed += len(self._pending)
        self.cursor.encoder = self._encoder.state()
        self._pending = []
        self._files.write(self.cursor)
