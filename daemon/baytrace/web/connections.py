"""Connections bounded in number and in patience: what uvicorn leaves open to anyone who connects and then says little.

- At most `MOST_CONNECTIONS` at once; one more is closed before it is read.
- A request's head must be whole within `HEAD_S`, also on a connection kept alive; a body's patience is the guard's (`BODY_S`).
- Data that a peer does not take for `STALLED_MS` ends its connection in the kernel (TCP_USER_TIMEOUT, tcp(7), Linux), so that a
  page that stands still holds no place for ever.
"""

from __future__ import annotations

import asyncio
import json
import socket
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from baytrace.web.problems import MEDIA_TYPE, document

MOST_CONNECTIONS = 512
HEAD_S = 10.0
STALLED_MS = 30_000


def bound(listener: socket.socket) -> None:
    """Let every connection accepted here end when its peer takes no data; a no-op where the system cannot."""
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, STALLED_MS)


class Connection(H11Protocol):
    """One connection; give it to uvicorn as its `http` class."""

    _patience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
        else:
            self._wait_for_head()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._wait_for_head()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self.timeout_keep_alive_task is None:
            self._wait_for_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        """As a problem document; the connection ends with it, and an answer under way is told that nobody hears it."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if self.conn.our_state in (h11.SEND_BODY, h11.ERROR, h11.CLOSED, h11.MUST_CLOSE, h11.DONE):
            self.transport.abort()
            return
        body = json.dumps(document(400, msg)).encode()
        headers = [
            (b"content-type", MEDIA_TYPE.encode()),
            (b"content-length", str(len(body)).encode()),
            (b"connection", b"close"),
        ]
        for event in (h11.Response(status_code=400, headers=headers), h11.Data(data=body), h11.EndOfMessage()):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _wait_for_head(self) -> None:
        cycle: Any = self.cycle
        if cycle is not None and not cycle.response_complete:
            self._stop_waiting()
        elif self._patience is None and not self.transport.is_closing():
            self._patience = self.loop.call_later(HEAD_S, self._give_up)

    def _stop_waiting(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None

    def _give_up(self) -> None:
        self._patience = None
        self.transport.abort()
