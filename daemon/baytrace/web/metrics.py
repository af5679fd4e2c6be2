"""Prometheus text format (version 0.0.4) of what the bench counts, and the health answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse, PlainTextResponse

from baytrace.bench.daemon import Bench
from baytrace.web.bench_routes import forwarded


def _label(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _metric(name: str, kind: str, text: str, rows: list[tuple[str, float]]) -> Iterator[str]:
    yield f"# HELP baytrace_{name} {text}"
    yield f"# TYPE baytrace_{name} {kind}"
    for labels, value in rows:
        yield f"baytrace_{name}{labels} {value}"


def exposition(bench: Bench) -> str:
    state = bench.to_json()
    counts: list[tuple[str, float]] = []
    links: list[tuple[str, float]] = []
    for row in state["instruments"]:
        instrument = _label(row["name"])
        links.append((f'{{instrument="{instrument}"}}', float(row["state"] == "up")))
        counts.extend(
            (f'{{instrument="{instrument}",what="{_label(what)}"}}', float(number))
            for what, number in row["counts"].items()
        )
    stale = [(f'{{channel="{_label(row["name"])}"}}', float(row["stale"])) for row in bench.channel_list()]
    values = [
        (f'{{channel="{_label(row["name"])}",unit="{_label(row["unit"])}"}}', float(row["value"]))
        for row in bench.channel_list()
        if row["value"] is not None
    ]
    health = [
        (f'{{what="{_label(name)}"}}', float(value))
        for name, value in state["journal"].items()
        if isinstance(value, (int, float))
    ]
    lines: list[str] = []
    lines += _metric(
        "readings_stored_total", "counter", "Readings made durable since the start.", [("", state["storing"]["stored"])]
    )
    lines += _metric(
        "readings_waiting", "gauge", "Readings taken and not yet durable.", [("", state["storing"]["waiting"])]
    )
    lines += _metric(
        "store_retries_total",
        "counter",
        "Commits that failed and were tried again.",
        [("", state["storing"]["retries"])],
    )
    lines += _metric("instrument_up", "gauge", "1 while the wire is up.", links)
    lines += _metric("instrument_events_total", "counter", "What each instrument's adapter counted.", counts)
    lines += _metric("channel_stale", "gauge", "1 while the channel is silent.", stale)
    lines += _metric("channel_value", "gauge", "Newest value in SI.", values)
    lines += _metric("journal", "gauge", "Health of the journal.", health)
    lines += _metric("alarms", "gauge", "Alarms standing or unacknowledged.", [("", state["alarms"])])
    lines += _delivery(state["delivery"])
    lines += _forward(forwarded(bench))
    return "\n".join(lines) + "\n"


def _delivery(rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if not rows:
        return
    letters = [
        (f'{{target="{_label(row["target"])}",state="{state}"}}', float(row[state]))
        for row in rows
        for state in ("waiting", "dead")
    ]
    yield from _metric("letters", "gauge", "Alarms and verdicts not delivered yet, or given up.", letters)
    delivered = [(f'{{target="{_label(row["target"])}"}}', float(row["delivered"])) for row in rows]
    yield from _metric(
        "letters_delivered_total", "counter", "Alarms and verdicts delivered since the start.", delivered
    )


def _forward(standing: Mapping[str, Any] | None) -> Iterator[str]:
    if standing is None:
        return
    counts = ("sent", "confirmed", "resent", "quarantined", "unsendable")
    rows = [(f'{{what="{name}"}}', float(standing[name])) for name in counts]
    yield from _metric("forward_rows_total", "counter", "Rows by what became of them at the server.", rows)
    yield from _metric(
        "forward_confirmed_seq", "gauge", "All up to here is at the server.", [("", standing["confirmed_seq"])]
    )
    yield from _metric(
        "forward_warnings", "gauge", "What should be mended at the server.", [("", len(standing["warnings"]))]
    )


def routes(bench: Bench) -> APIRouter:
    router = APIRouter()

    @router.get("/metrics", summary="Prometheus metrics", response_class=PlainTextResponse)
    async def metrics() -> PlainTextResponse:
        return PlainTextResponse(exposition(bench), media_type="text/plain; version=0.0.4; charset=utf-8")

    @router.get(
        "/healthz",
        summary="200 while readings can be stored, 503 else",
        responses={503: {"description": "The journal cannot store."}},
    )
    async def health() -> JSONResponse:
        failing = bench.intake.failing
        return JSONResponse({"ok": not failing, "failing": failing}, 503 if failing else 200)

    return router
