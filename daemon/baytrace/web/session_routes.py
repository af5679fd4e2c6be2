"""Sessions: start, work, end; and everything a session leaves."""

from __future__ import annotations

import asyncio
import json
import tempfile
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi.responses import FileResponse
from pydantic import BaseModel, Field, field_validator
from starlette.background import BackgroundTask

from baytrace.bench.daemon import Bench
from baytrace.bench.history import history
from baytrace.measure.faults import BadInput, NotNow
from baytrace.measure.instant import parse_instant
from baytrace.measure.reading import Event
from baytrace.records.exporting import export_session
from baytrace.records.session import SessionRecord, list_sessions, session_record
from baytrace.records.vocabulary import Kind
from baytrace.web import lookup_routes
from baytrace.web.bench_routes import MOMENT, Name, NewMark, Text
from baytrace.web.places import Turns
from baytrace.web.problems import not_found
from baytrace.web.session_document import document, summary

Session = Annotated[str, Field(max_length=120)]
MOST_LISTED = 500
_FILES = {
    "pack": ("pack", "application/zip"),
    "readings.csv": ("csv", "text/csv"),
    "readings.parquet": ("parquet", "application/vnd.apache.parquet"),
    "report.html": ("html", "text/html"),
    "report.pdf": ("pdf", "application/pdf"),
}


class NewSession(BaseModel):
    """`plan` maps watches to settings; the job's usual watches when it is empty. `like` names an earlier session of this car that ran
    sound: its running loop becomes the reference. Left out, the newest that passed is found by the vehicle's `number`, `plate` or
    `vin`; `none`: without any.
    """

    title: Annotated[str, Field(max_length=200)] = ""
    vehicle: Annotated[dict[Name, Name], Field(max_length=40)] = Field(default_factory=dict)
    refrigerant: Annotated[str, Field(max_length=60)] = ""
    label_g: Annotated[float, Field(gt=0, lt=100_000)] | None = None
    plan: Annotated[dict[Name, dict[str, Any]], Field(max_length=20)] = Field(default_factory=dict)
    people: Annotated[list[Name], Field(max_length=20)] = Field(default_factory=list)
    fields: Annotated[dict[Name, Text], Field(max_length=100)] = Field(default_factory=dict)
    like: Annotated[str, Field(max_length=120)] = ""

    @field_validator("plan")
    @classmethod
    def _text_is_text(cls, plan: dict[str, Any]) -> dict[str, Any]:
        try:
            json.dumps(plan, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            raise ValueError("holds half of a surrogate pair, which is no text") from None
        return plan


class Closing(BaseModel):
    who: Name = ""
    comment: Text = ""


class NewNote(BaseModel):
    text: Annotated[str, Field(min_length=1, max_length=2000)]
    who: Name = ""


class LedgerEntry(BaseModel):
    entry: Annotated[str, Field(min_length=1, max_length=100)]
    value: Annotated[float, Field(allow_inf_nan=False)] | Name
    unit: Annotated[str, Field(max_length=20)] = ""
    who: Name = ""


class StepDone(BaseModel):
    step: Annotated[str, Field(min_length=1, max_length=100)]
    state: Literal["done", "skipped"]
    who: Name = ""
    note: Text = ""


class SignOff(BaseModel):
    who: Annotated[str, Field(min_length=1, max_length=200)]
    role: Name = "quality"
    comment: Text = ""


def routes(bench: Bench) -> APIRouter:
    router = APIRouter(prefix="/api")
    router.include_router(lookup_routes.routes(bench))
    _working(router, bench)
    _looking(router, bench)
    return router


def _working(router: APIRouter, bench: Bench) -> None:
    def running(session: str) -> None:
        if bench.session is None or bench.session.id != session:
            raise NotNow(f"session {session} is not running", right="GET /api/bench names the running one")

    @router.post("/sessions", summary="Start a session", status_code=201)
    async def start(body: NewSession) -> dict[str, Any]:
        return {"id": await bench.start_session(body.model_dump())}

    @router.post("/sessions/{session}/marks", summary="Mark that something happened now", status_code=201)
    async def mark(session: Session, body: NewMark) -> dict[str, Any]:
        running(session)
        return {"seq": await bench.mark(body.text, body.who)}

    @router.post("/sessions/{session}/notes", summary="Add a note", status_code=201)
    async def note(session: Session, body: NewNote) -> dict[str, Any]:
        running(session)
        return {"seq": await bench.add(Kind.NOTE, body.model_dump())}

    @router.post("/sessions/{session}/ledger", summary="Add an entry of the sheet", status_code=201)
    async def ledger(session: Session, body: LedgerEntry) -> dict[str, Any]:
        running(session)
        return {"seq": await bench.add(Kind.LEDGER, body.model_dump())}

    @router.post("/sessions/{session}/steps", summary="Tick or skip a step", status_code=201)
    async def step(session: Session, body: StepDone) -> dict[str, Any]:
        running(session)
        return {"seq": await bench.add(Kind.STEP, body.model_dump())}

    @router.post("/sessions/{session}/close", summary="End the session; its verdicts become final")
    async def close(session: Session, body: Closing) -> dict[str, Any]:
        running(session)
        return await bench.close_session(body.who, body.comment)

    @router.post("/sessions/{session}/sign-off", summary="Sign a session off", status_code=201)
    async def sign_off(session: Session, body: SignOff) -> dict[str, Any]:
        await asyncio.to_thread(_record, bench, session)
        return {"seq": await bench.add_to(session, Kind.SIGNED_OFF, body.model_dump())}


def _record(bench: Bench, session: str) -> SessionRecord:
    try:
        return session_record(bench.journal, session)
    except BadInput:
        raise not_found(f"session {session!r}") from None


def _looking(router: APIRouter, bench: Bench) -> None:
    looks = Turns(2, 32)

    @router.get("/sessions", summary="Every session, newest first")
    async def session_lines() -> list[Any]:
        def listed() -> list[Any]:
            lines = list_sessions(bench.journal)[:MOST_LISTED]
            return [summary(bench, line.session, line.model_dump(exclude={"session"})) for line in lines]

        return await asyncio.to_thread(listed)

    @router.get("/sessions/{session}", summary="One session's record")
    async def one(session: Session) -> dict[str, Any]:
        def read() -> tuple[SessionRecord, list[Event]]:
            return _record(bench, session), list(bench.journal.events(session=session))

        return document(*await asyncio.to_thread(read), bench)

    @router.get("/sessions/{session}/readings", summary="A session's readings, decimated")
    async def readings(
        session: Session,
        channel: Annotated[list[str] | None, Query(max_length=40)] = None,
        start: Annotated[str, Query(alias="from", max_length=40, json_schema_extra=MOMENT)] = "",
        end: Annotated[str, Query(alias="to", max_length=40, json_schema_extra=MOMENT)] = "",
        points: Annotated[int, Query(ge=2, le=20_000)] = 720,
    ) -> dict[str, Any]:
        """All channels when none is named; times are ms since 1970, null is a gap."""
        record = await asyncio.to_thread(_record, bench, session)
        start_ns = parse_instant(start or record.started)
        end_ns = (
            parse_instant(end or (record.closed.time if record.closed else ""))
            if end or record.closed
            else bench.now_ns() + 1
        )
        names = channel or [said["name"] for said in record.channels.values() if said["name"] in bench.live.channels]
        unknown = [name for name in names if name not in bench.live.channels]
        if unknown:
            raise not_found(f"channel {unknown[0]!r}")
        async with looks.turn():
            return await history(bench, names, start_ns, end_ns, points)

    exports = Turns(1, 8)
    for path, (kind, media_type) in _FILES.items():
        router.add_api_route(
            f"/sessions/{{session}}/{path}",
            _file_route(bench, kind, media_type, exports),
            methods=["GET"],
            summary=f"The session as {kind}",
            responses={200: {"description": "The file.", "content": {media_type: {}}}},
            response_class=FileResponse,
        )


def _file_route(bench: Bench, kind: str, media_type: str, exports: Turns) -> Any:
    async def route(session: Session) -> FileResponse:
        record = await asyncio.to_thread(_record, bench, session)
        if record.closed is None:
            raise NotNow(f"session {session} is still running", right="end it first")
        keys = bench.config.path(bench.config.bench.keys)
        async with exports.turn():
            folder = tempfile.TemporaryDirectory(prefix="baytrace-")
            try:
                path = await asyncio.to_thread(
                    export_session, bench.journal, record.session, Path(folder.name), kind, keys=keys
                )
            except BaseException:
                folder.cleanup()
                raise
        return FileResponse(path, media_type=media_type, filename=path.name, background=BackgroundTask(folder.cleanup))

    return route
