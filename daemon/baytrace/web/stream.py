"""The live stream: server-sent events, one slot per client, never a queue.

Each frame is the newest state since the client's cursor (`id:` is the journal's sequence number). A browser that comes back
sends `Last-Event-ID`; if the rings still reach back that far it goes on without a hole, else the first event is `reset` and
the page asks for history again. A client that does not read costs one socket buffer, no memory, and is dropped by the
connection's own patience (`web.connections`).
"""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from baytrace.bench.daemon import Bench
from baytrace.web.places import ANSWERS, Places

MOST_CLIENTS = 32
FRAME_S = 0.5
"""At most two frames a second: as fast as a page redraws."""
PING_S = 10.0


class Streams:
    """Ends them all when the bench stops."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.places = Places(MOST_CLIENTS)
        self.frames = 0

    async def events(self, request: Request, cursor: int) -> AsyncIterator[str]:
        bench = self._bench
        version = -1
        yield f"retry: {random.randint(1000, 3000)}\n\n"  # noqa: S311 - spreads reconnects, guards nothing
        if (cursor and cursor < bench.live.oldest_seq()) or cursor > bench.live.seq:
            cursor = 0
            yield f"event: reset\nid: {bench.live.seq}\ndata: {{}}\n\n"
        while not bench.stopping.is_set() and not await request.is_disconnected():
            if not await bench.live.wait(version, PING_S):
                yield ": still here\n\n"
                continue
            version = bench.live.version
            frame = bench.frame(cursor or bench.live.seq)
            cursor = frame["seq"]
            self.frames += 1
            yield f"event: frame\nid: {cursor}\ndata: {json.dumps(frame, separators=(',', ':'), allow_nan=False)}\n\n"
            await asyncio.sleep(FRAME_S)


def routes(bench: Bench) -> APIRouter:
    router = APIRouter()
    streams = Streams(bench)

    @router.get(
        "/api/stream", summary="Live state as server-sent events", response_class=StreamingResponse, responses=ANSWERS
    )
    async def stream(request: Request) -> StreamingResponse:
        """Events `frame` (see /api/frame for the same document) and `reset`. `Last-Event-ID` resumes."""
        last = request.headers.get("last-event-id", "")
        cursor = int(last) if last.isascii() and last.isdigit() and len(last) < 19 else 0
        return streams.places.stream(lambda: streams.events(request, cursor))

    return router
