"""The HTTP side of a bench assembled: guard, problems, API, stream, pages; and the server that runs beside the bench."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from fastapi import FastAPI

from baytrace import __version__
from baytrace.bench.daemon import Bench
from baytrace.web import bench_routes, login, metrics, openapi, pages, problems, session_routes, stream
from baytrace.web.guard import Guard
from baytrace.web.listening import listening, tls_of, tokens_for


def create_app(bench: Bench) -> FastAPI:
    """Raises BadInput when the configured address needs tokens and there are none."""
    app = FastAPI(title="Baytrace", version=__version__, docs_url=None, redoc_url=None)
    web = bench.config.web
    tokens = tokens_for(web.host, bench.config.path(web.tokens), web.public)
    problems.install(app)
    for part in (bench_routes, session_routes, stream, metrics):
        app.include_router(part.routes(bench))
    pages.install(app)
    guard = Guard(tokens)
    app.include_router(login.routes(guard))
    openapi.install(app)
    guard.install(app)
    return app


@contextlib.asynccontextmanager
async def serving(bench: Bench) -> AsyncIterator[str]:
    """The bench's pages and API while inside; yields the address. Raises EnvironmentFailed when the port cannot be had."""
    web = bench.config.web
    tls = tls_of(bench.config, web)
    async with listening(create_app(bench), web.host, web.port, tls, proxied=bool(web.public)) as address:
        try:
            yield web.public or address
        finally:
            bench.stopping.set()
            bench.live.touch()
