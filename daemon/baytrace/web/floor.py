"""The shop floor: every bench of a broker on one page, from their retained state topics. It holds no data of its own.

- A bench is offline when its last will says so, and gone from the page when its retained state is cleared (an empty message).
- `seen_s` is how long ago it was last heard; of a retained state, how old it was by its own stamp.
- What a topic holds is anybody's who may publish there: it is checked, cut to size and shown as text, never trusted.
- A frame is worked out once for everyone who looks, at most every `FRAME_S`.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import AsyncIterator
from typing import Annotated, Any

import aiomqtt
from fastapi import FastAPI, Request
from fastapi.responses import FileResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError
from starlette.exceptions import HTTPException

from baytrace import __version__
from baytrace.bench.broker import client_of, spread_rest_s
from baytrace.bench.config_sections import MqttSection
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import parse_instant
from baytrace.web import login, manual, openapi, problems
from baytrace.web.guard import Guard
from baytrace.web.pages import ROOT
from baytrace.web.places import ANSWERS, Places
from baytrace.web.tokens import TokenFile

log = logging.getLogger(__name__)

MOST_BENCHES = 5000
MOST_STATE = 64 * 1024
MOST_CLIENTS = 64
MOST_TEXT, MOST_LISTED = 500, 100
FRAME_S = 2.0


def _cut(most: int) -> BeforeValidator:
    return BeforeValidator(lambda given: given[:most] if isinstance(given, (str, list)) else given)


Text = Annotated[str, _cut(MOST_TEXT)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class SessionShown(_Part):
    id: Text
    title: Text = ""
    refrigerant: Text = ""


class WatchShown(_Part):
    watch: Text
    phase: Text = ""
    sentence: Text = ""
    verdict: Text = ""
    finding: Text = ""
    time_left_s: float | None = None


class AlarmShown(_Part):
    name: Text = ""
    state: Text = ""
    priority: Text = ""
    channel: Text = ""
    text: Text = ""
    since: Text = ""


class StateShown(_Part):
    """What the floor takes over of a bench's state."""

    state: Text = "online"
    time: Text = ""
    session: SessionShown | None = None
    watches: Annotated[list[WatchShown], _cut(MOST_LISTED)] = []
    alarms: Annotated[list[AlarmShown], _cut(MOST_LISTED)] = []
    stale: Annotated[list[Text], _cut(MOST_LISTED)] = []
    url: Text = ""


class Floor:
    """What the broker's retained states say, newest a bench."""

    def __init__(self) -> None:
        self.benches: dict[str, dict[str, Any]] = {}
        self.broker = "connecting"
        self.refused = 0
        self.stopping = asyncio.Event()
        self._frame, self._frame_at = "", -FRAME_S

    def take(self, topic: str, payload: bytes, *, retained: bool = False) -> None:
        """One state message of `baytrace/<bench>/state`; what cannot be read is counted, never shown."""
        parts = topic.split("/")
        name = parts[1] if len(parts) == 3 else ""
        full = name not in self.benches and len(self.benches) >= MOST_BENCHES
        if not name or len(payload) > MOST_STATE or full:
            self.refused += 1
            return
        now = time.time()
        if not payload:
            self.benches.pop(name, None)
        elif payload == b"offline":
            known = self.benches.get(name, {"bench": name, "url": ""})
            self.benches[name] = known | {"state": "offline", "seen": known.get("seen", now)}
        else:
            try:
                state = StateShown.model_validate_json(payload)
            except ValidationError:
                self.refused += 1
                return
            if not state.url.startswith(("http://", "https://")):
                state.url = ""
            seen = _stamp(state.time, now) if retained else now
            self.benches[name] = state.model_dump() | {"bench": name, "seen": seen}

    def document(self) -> dict[str, Any]:
        now = time.time()
        rows = [
            {key: value for key, value in row.items() if key != "seen"}
            | {"seen_s": round(max(now - row["seen"], 0.0), 1)}
            for _, row in sorted(self.benches.items())
        ]
        return {"broker": self.broker, "refused": self.refused, "benches": rows}

    def frame(self) -> str:
        """One server-sent event, the same for everyone who asks within `FRAME_S`."""
        now = time.monotonic()
        if now - self._frame_at >= FRAME_S * 0.9:
            self._frame, self._frame_at = json.dumps(self.document(), separators=(",", ":"), allow_nan=False), now
        return f"event: frame\ndata: {self._frame}\n\n"

    async def listen(self, broker: MqttSection, password: str | None) -> None:
        """Follow the broker until cancelled."""
        attempt = 0
        while True:
            try:
                async with client_of(broker, password) as client:
                    await client.subscribe("baytrace/+/state", qos=1)
                    self.broker, attempt = "connected", 0
                    async for message in client.messages:
                        payload = message.payload if isinstance(message.payload, (bytes, bytearray)) else b""
                        self.take(str(message.topic), bytes(payload), retained=bool(message.retain))
            except aiomqtt.MqttError as error:
                self.broker = f"lost: {error}"
                log.warning("broker %s: %s", broker.url, error)
                await asyncio.sleep(spread_rest_s(attempt))
                attempt += 1


def _stamp(text: str, now: float) -> float:
    """A state's own stamp (s), if it is one and not from the future."""
    try:
        return min(parse_instant(text) / 1e9, now)
    except BadInput:
        return now


def floor_app(floor: Floor, tokens: TokenFile | None) -> FastAPI:
    app = FastAPI(title="Baytrace floor", version=__version__, docs_url=None, redoc_url=None)
    problems.install(app)
    places = Places(MOST_CLIENTS)
    guard = Guard(tokens)

    @app.get("/api/floor", summary="Every bench the broker knows")
    async def state() -> dict[str, Any]:
        return floor.document()

    @app.get("/api/stream", summary="The same, live", response_class=StreamingResponse, responses=ANSWERS)
    async def stream(request: Request) -> StreamingResponse:
        async def events() -> AsyncIterator[str]:
            while not floor.stopping.is_set() and not await request.is_disconnected():
                yield floor.frame()
                await asyncio.sleep(FRAME_S)

        return places.stream(events)

    @app.get("/healthz", summary="200 while the broker is followed, 503 else")
    async def health() -> dict[str, Any]:
        if floor.broker != "connected":
            raise HTTPException(503, f"the broker is not followed ({floor.broker})")
        return {"ok": True, "benches": len(floor.benches)}

    @app.get("/", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(ROOT / "pages" / "floor.html", headers={"Cache-Control": "no-cache"})

    app.include_router(manual.routes())
    app.include_router(login.routes(guard))
    app.mount("/static", StaticFiles(directory=ROOT / "static"), name="static")
    openapi.install(app)
    guard.install(app)
    return app
