"""Places for live streams and turns for heavy answers: so many and no more, each given back however its answer ends."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator, Callable

from fastapi.responses import StreamingResponse
from starlette.exceptions import HTTPException
from starlette.types import Receive, Scope, Send

SSE = "text/event-stream"
ANSWERS: dict[int | str, dict[str, object]] = {200: {"description": "Server-sent events.", "content": {SSE: {}}}}
"""For the OpenAPI of a route that answers with a stream."""


class Places:
    """`taken` never exceeds `most`."""

    def __init__(self, most: int) -> None:
        self._most = most
        self.taken = 0

    def stream(self, events: Callable[[], AsyncIterator[str]]) -> StreamingResponse:
        """A stream in a place of its own; the 503 problem when every place is taken."""
        if self.taken >= self._most:
            wait = {"Retry-After": str(random.randint(5, 15))}  # noqa: S311 - spreads reconnects, guards nothing
            raise HTTPException(503, f"{self._most} pages are open already; close one", wait)
        self.taken += 1
        return _Placed(self, events())


class _Placed(StreamingResponse):
    def __init__(self, places: Places, events: AsyncIterator[str]) -> None:
        super().__init__(events, media_type=SSE, headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"})
        self._places = places

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._places.taken -= 1


class Turns:
    """Heavy answers one after the other: `at_once` are worked out together, `most` more wait, the rest are told to come again."""

    def __init__(self, at_once: int, most: int) -> None:
        self._free, self._most, self._waiting = asyncio.Semaphore(at_once), most, 0

    @contextlib.asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        if self._waiting >= self._most:
            raise HTTPException(503, "too much is asked of this bench at once; come again", {"Retry-After": "5"})
        self._waiting += 1
        try:
            await self._free.acquire()
        finally:
            self._waiting -= 1
        try:
            yield
        finally:
            self._free.release()
