"""What the bench is doing now: state, channels, recent history, alarms."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from baytrace.bench.daemon import Bench
from baytrace.bench.history import history
from baytrace.forward.cursor import standing
from baytrace.measure.instant import parse_instant
from baytrace.watches.limits_table import limit
from baytrace.web.places import Turns
from baytrace.web.problems import not_found

NS = 1_000_000_000
Text = Annotated[str, Field(max_length=2000)]
Name = Annotated[str, Field(max_length=200)]
MOMENT: dict[str, Any] = {"anyOf": [{"const": ""}, {"format": "date-time"}]}
"""An RFC 3339 instant or nothing, for the OpenAPI."""


def forwarded(bench: Bench) -> dict[str, Any] | None:
    """Where the copy at the time-series server stands; None for a bench that keeps none."""
    if bench.config.forward is None:
        return None
    return standing(bench.config.path(bench.config.bench.journal))


class Acknowledge(BaseModel):
    who: Name = ""
    comment: Text = ""


class Suppress(BaseModel):
    who: Name = ""
    comment: Annotated[str, Field(min_length=1, max_length=2000, pattern=r"\S")]


class Shelve(BaseModel):
    who: Name = ""
    comment: Text = ""
    minutes: float = Field(default=30.0, ge=1.0 / 60.0, le=limit("limits.shelf_max_s") / 60.0)


class NewMark(BaseModel):
    text: Annotated[str, Field(min_length=1, max_length=2000, pattern=r"\S")]
    who: Name = ""


def routes(bench: Bench) -> APIRouter:
    router = APIRouter(prefix="/api")
    looks = Turns(2, 32)

    @router.get("/bench", summary="The bench: its session, instruments, journal")
    async def state() -> dict[str, Any]:
        return bench.to_json() | {"forward": forwarded(bench)}

    @router.get("/channels", summary="Every channel with its newest value in SI")
    async def channels() -> list[Any]:
        return bench.channel_list()

    @router.get("/frame", summary="One frame of the live stream")
    async def frame() -> dict[str, Any]:
        return bench.frame(bench.live.seq)

    @router.get("/readings", summary="Readings of channels over a range, decimated")
    async def readings(
        channel: Annotated[list[str], Query(max_length=40)],
        start: Annotated[str, Query(alias="from", max_length=40, json_schema_extra=MOMENT)] = "",
        end: Annotated[str, Query(alias="to", max_length=40, json_schema_extra=MOMENT)] = "",
        points: Annotated[int, Query(ge=2, le=20_000)] = 720,
    ) -> dict[str, Any]:
        """Times are ms since 1970; a null value is a gap. Without `from` the last half hour."""
        end_ns = parse_instant(end) if end else bench.now_ns() + 1
        start_ns = parse_instant(start) if start else end_ns - 1800 * NS
        unknown = [name for name in channel if name not in bench.live.channels]
        if unknown:
            raise not_found(f"channel {unknown[0]!r}")
        async with looks.turn():
            return await history(bench, channel, start_ns, end_ns, points)

    @router.get("/alarms", summary="Alarms that stand or wait for acknowledgement")
    async def alarms() -> list[Any]:
        return bench.alarms.to_json()

    @router.post("/alarms/{alarm}/acknowledge", summary="Acknowledge an alarm")
    async def acknowledge(alarm: str, body: Acknowledge) -> list[Any]:
        return bench.alarms.acknowledge(alarm, body.who, body.comment)

    @router.post("/alarms/{alarm}/shelve", summary="Shelve an alarm for a while")
    async def shelve(alarm: str, body: Shelve) -> list[Any]:
        return bench.alarms.shelve(alarm, body.who, body.comment, body.minutes * 60.0)

    @router.post("/alarms/{alarm}/unshelve", summary="Bring a shelved alarm back")
    async def unshelve(alarm: str, body: Acknowledge) -> list[Any]:
        return bench.alarms.unshelve(alarm, body.who, body.comment)

    @router.post("/alarms/{alarm}/suppress", summary="Suppress an alarm by design; the comment is its reason")
    async def suppress(alarm: str, body: Suppress) -> list[Any]:
        return bench.alarms.suppress(alarm, body.who, body.comment)

    @router.post("/alarms/{alarm}/unsuppress", summary="Bring a suppressed alarm back")
    async def unsuppress(alarm: str, body: Acknowledge) -> list[Any]:
        return bench.alarms.unsuppress(alarm, body.who, body.comment)

    @router.post("/alarms/{alarm}/reset", summary="Let a latched alarm go")
    async def reset(alarm: str, body: Acknowledge) -> list[Any]:
        return bench.alarms.reset(alarm, body.who, body.comment)

    @router.post("/letters/retry", summary="Try the dead letters again")
    async def retry_letters() -> dict[str, int]:
        return {"letters": await bench.outbox.retry()}

    @router.post("/letters/forget", summary="Let the dead letters go")
    async def forget_letters() -> dict[str, int]:
        return {"letters": await bench.outbox.forget()}

    @router.post("/marks", summary="Mark that something happened now", status_code=201)
    async def mark(body: NewMark) -> dict[str, Any]:
        return {"seq": await bench.mark(body.text, body.who)}

    return router
