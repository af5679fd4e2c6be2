"""A token for a browser: given once on a page, kept in a cookie that scripts cannot read and other sites cannot send."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse, JSONResponse
from pydantic import BaseModel, Field

from baytrace.web.guard import Guard
from baytrace.web.pages import ROOT
from baytrace.web.tokens import COOKIE

MONTH_S = 30 * 24 * 3600


class Login(BaseModel):
    token: Annotated[str, Field(min_length=1, max_length=200)]


def routes(guard: Guard) -> APIRouter:
    router = APIRouter()

    @router.get("/login", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(ROOT / "pages" / "login.html")

    @router.post("/api/login", summary="Keep a token in this browser")
    async def login(request: Request, body: Login) -> Response:
        """Where no token is needed, says so and keeps nothing."""
        if guard.tokens is None:
            return JSONResponse({"role": "none needed"})
        role = guard.role_of(body.token, request.client.host if request.client else "")
        if isinstance(role, Response):
            return role
        answer = JSONResponse({"role": str(role)})
        secure = request.url.scheme == "https"
        answer.set_cookie(COOKIE, body.token, max_age=MONTH_S, httponly=True, samesite="strict", secure=secure)
        return answer

    return router
