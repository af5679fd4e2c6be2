"""The shop floor: every bench of a broker on one page, from their retained state topics. It holds no data of its own.

A bench is offline when its last will says so, and out of touch when its own clock in the newest state is old.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
from fastapi import FastAPI, Request
from fastapi.responses import FileResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles

from baytrace import __version__
from baytrace.web import manual, problems
from baytrace.web.guard import Guard
from baytrace.web.pages import ROOT
from baytrace.web.tokens import TokenFile

log = logging.getLogger(__name__)

MOST_BENCHES = 5000
MOST_STATE = 64 * 1024
FRAME_S = 1.0
BACKOFF_S = (1.0, 2.0, 5.0, 10.0, 30.0)


class Floor:
    """What the broker's retained states say, newest a bench."""

    def __init__(self) -> None:
        self.benches: dict[str, dict[str, Any]] = {}
        self.broker = "connecting"
        self.refused = 0
        self.version = 0
        self.stopping = asyncio.Event()

    def take(self, topic: str, payload: bytes) -> None:
        """One state message of `baytrace/<bench>/state`; what cannot be read is counted, never shown."""
        parts = topic.split("/")
        if (
            len(parts) != 3
            or len(payload) > MOST_STATE
            or (parts[1] not in self.benches and len(self.benches) >= MOST_BENCHES)
        ):
            self.refused += 1
            return
        seen = time.time()
        if payload == b"offline":
            known = self.benches.get(parts[1], {"bench": parts[1]})
            self.benches[parts[1]] = known | {"state": "offline", "seen": seen}
        else:
            try:
                state = json.loads(payload)
            except ValueError:
                state = None
            if not isinstance(state, dict):
                self.refused += 1
                return
            self.benches[parts[1]] = state | {"bench": parts[1], "seen": seen}
        self.version += 1

    def document(self) -> dict[str, Any]:
        now = time.time()
        rows = [row | {"seen_s": round(now - row["seen"], 1)} for _, row in sorted(self.benches.items())]
        return {"broker": self.broker, "refused": self.refused, "benches": rows}

    async def listen(self, host: str, port: int) -> None:
        """Follow the broker until cancelled."""
        attempt = 0
        while True:
            try:
                async with aiomqtt.Client(host, port, keepalive=15) as client:
                    self.broker, attempt = "connected", 0
                    await client.subscribe("baytrace/+/state", qos=1)
                    async for message in client.messages:
                        self.take(
                            str(message.topic),
                            bytes(message.payload) if isinstance(message.payload, (bytes, bytearray)) else b"",
                        )
            except aiomqtt.MqttError as error:
                self.broker = f"lost: {error}"
                self.version += 1
                await asyncio.sleep(BACKOFF_S[min(attempt, len(BACKOFF_S) - 1)] * random.uniform(0.8, 1.2))  # noqa: S311 - spreads reconnects
                attempt += 1


def floor_app(floor: Floor, tokens: TokenFile | None) -> FastAPI:
    app = FastAPI(title="Baytrace floor", version=__version__, docs_url=None, redoc_url=None)
    problems.install(app)

    @app.get("/api/floor", summary="Every bench the broker knows")
    async def state() -> dict[str, Any]:
        return floor.document()

    @app.get("/api/stream", summary="The same, live", response_class=StreamingResponse)
    async def stream(request: Request) -> StreamingResponse:
        async def events() -> AsyncIterator[str]:
            while not floor.stopping.is_set() and not await request.is_disconnected():
                yield f"event: frame\ndata: {json.dumps(floor.document())}\n\n"
                await asyncio.sleep(FRAME_S)

        return StreamingResponse(events(), media_type="text/event-stream", headers={"Cache-Control": "no-store"})

    @app.get("/", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(ROOT / "pages" / "floor.html")

    app.include_router(manual.routes())
    app.mount("/static", StaticFiles(directory=ROOT / "static"), name="static")
    Guard(tokens).install(app)
    return app
