"""Errors as RFC 9457 problem documents; never a traceback, never a secret."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from baytrace.measure.faults import BadInput, BaytraceError, EnvironmentFailed

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"


def problem(status: int, detail: str, **more: Any) -> JSONResponse:
    """`type`, `title`, `status`, `detail` and whatever else helps."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail, **more}
    return JSONResponse(body, status, media_type=MEDIA_TYPE)


def not_found(what: str) -> HTTPException:
    return HTTPException(404, f"{what} is not known here")


def install(app: FastAPI) -> None:
    @app.exception_handler(HTTPException)
    async def http_error(_: Request, error: HTTPException) -> JSONResponse:
        answer = problem(error.status_code, str(error.detail))
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(RequestValidationError)
    async def invalid(_: Request, error: RequestValidationError) -> JSONResponse:
        faults = [
            {"where": ".".join(str(part) for part in fault["loc"]), "what": fault["msg"]} for fault in error.errors()
        ]
        return problem(422, "; ".join(f"{fault['where']}: {fault['what']}" for fault in faults), errors=faults)

    @app.exception_handler(BaytraceError)
    async def known(_: Request, error: BaytraceError) -> JSONResponse:
        status = 503 if isinstance(error, EnvironmentFailed) else 409 if "session" in str(error) else 422
        return problem(status if not isinstance(error, BadInput) or status == 409 else 422, str(error))

    @app.exception_handler(Exception)
    async def unknown(request: Request, error: Exception) -> JSONResponse:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return problem(500, "the bench made a mistake; its log has the details")
