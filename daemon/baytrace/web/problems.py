"""Errors as RFC 9457 problem documents; never a traceback, never a secret."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import compile_path

from baytrace.measure.faults import BaytraceError, EnvironmentFailed, NotNow, Unknown

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
SCHEMA = {
    "title": "Problem",
    "description": "RFC 9457: what went wrong, for people and programs.",
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string", "description": "Always about:blank: the status says what kind of problem it is."},
        "title": {"type": "string", "description": "The status in words."},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "One line: what is wrong, where, and what would be right."},
        "errors": {
            "type": "array",
            "description": "Each part of the request that cannot be used.",
            "items": {
                "type": "object",
                "required": ["where", "what"],
                "properties": {"where": {"type": "string"}, "what": {"type": "string"}},
            },
        },
    },
}


def document(status: int, detail: str, **more: Any) -> dict[str, Any]:
    """`type`, `title`, `status`, `detail` and whatever else helps."""
    return {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail, **more}


def problem(status: int, detail: str, **more: Any) -> JSONResponse:
    return JSONResponse(document(status, detail, **more), status, media_type=MEDIA_TYPE)


def not_found(what: str) -> HTTPException:
    return HTTPException(404, f"{what} is not known here")


def _status_of(error: BaytraceError) -> int:
    """503 the machine fails, 404 no such thing, 409 not in the present state, else 422."""
    match error:
        case EnvironmentFailed():
            return 503
        case Unknown():
            return 404
        case NotNow():
            return 409
        case _:
            return 422


def _allowed(app: FastAPI, path: str) -> list[str]:
    """Every method of a path; a route of its own answers for each, and none knows of the others."""
    return [
        method.upper()
        for template, methods in app.openapi()["paths"].items()
        if compile_path(template)[0].match(path)
        for method in methods
    ]


def install(app: FastAPI) -> None:
    @app.exception_handler(HTTPException)
    async def http_error(request: Request, error: HTTPException) -> JSONResponse:
        answer = problem(error.status_code, str(error.detail))
        answer.headers.update(error.headers or {})
        if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
            answer.headers["Allow"] = ", ".join(_allowed(app, request.scope["path"])) or answer.headers["Allow"]
        return answer

    @app.exception_handler(RequestValidationError)
    async def invalid(_: Request, error: RequestValidationError) -> JSONResponse:
        faults = [
            {"where": ".".join(map(str, fault["loc"])), "what": fault["msg"].removeprefix("Value error, ")}
            for fault in error.errors()
        ]
        return problem(422, "; ".join(f"{fault['where']}: {fault['what']}" for fault in faults), errors=faults)

    @app.exception_handler(BaytraceError)
    async def known(_: Request, error: BaytraceError) -> JSONResponse:
        return problem(_status_of(error), str(error))

    @app.exception_handler(Exception)
    async def unknown(request: Request, _: Exception) -> JSONResponse:
        # the server logs the error itself, with its traceback, when this answer is sent
        log.error("%s %s failed", request.method, request.url.path)
        return problem(500, "the bench made a mistake; its log has the details")
