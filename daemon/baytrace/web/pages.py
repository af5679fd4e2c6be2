"""The pages and their files, served from the installed package: nothing comes from the internet."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse
from fastapi.staticfiles import StaticFiles

from baytrace.web import manual

ROOT = Path(str(files("baytrace_dashboards")))


def install(app: FastAPI) -> None:
    pages = ROOT / "pages"

    def page(name: str) -> FileResponse:
        return FileResponse(pages / f"{name}.html", headers={"Cache-Control": "no-cache"})

    @app.get("/", include_in_schema=False)
    async def bench_page() -> FileResponse:
        return page("bench")

    @app.get("/sessions", include_in_schema=False)
    async def sessions_page() -> FileResponse:
        return page("sessions")

    @app.get("/sessions/{session}", include_in_schema=False)
    async def session_page(session: str) -> FileResponse:
        del session
        return page("session")

    app.include_router(manual.routes())
    app.mount("/bokeh", StaticFiles(directory=Path(str(files("bokeh"))) / "server" / "static" / "js"), name="bokeh")
    app.mount("/static", StaticFiles(directory=ROOT / "static"), name="static")
