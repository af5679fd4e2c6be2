"""The HTTP side assembled: guard, problems, API, stream, pages; and the server that runs beside the bench."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from baytrace import __version__
from baytrace.bench.daemon import Bench
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.web import bench_routes, login, metrics, pages, problems, session_routes, stream
from baytrace.web.guard import Guard, is_loopback
from baytrace.web.tokens import TokenFile


def tokens_for(host: str, file: Path) -> TokenFile | None:
    """None on a loopback address. Raises BadInput for any other address without tokens."""
    if is_loopback(host):
        return None
    tokens = TokenFile(file)
    if not tokens.rows():
        raise BadInput(
            f"{host} can be reached from other machines and no token is set up",
            where="web.host",
            right="make one with: baytrace token make NAME --role bench; or listen on 127.0.0.1",
        )
    return tokens


def create_app(bench: Bench) -> FastAPI:
    """Raises BadInput when the configured address needs tokens and there are none."""
    app = FastAPI(title="Baytrace", version=__version__, docs_url=None, redoc_url=None)
    web = bench.config.web
    tokens = tokens_for(web.host, bench.config.path(web.tokens))
    problems.install(app)
    for part in (bench_routes, session_routes, stream, metrics):
        app.include_router(part.routes(bench))
    pages.install(app)
    guard = Guard(tokens)
    app.include_router(login.routes(guard))
    guard.install(app)
    return app


@contextlib.asynccontextmanager
async def serving(bench: Bench) -> AsyncIterator[str]:
    """The bench's pages and API while inside; yields the address. Raises EnvironmentFailed when the port cannot be had."""
    web = bench.config.web
    certificate = bench.config.path(web.certificate) if web.certificate else None
    private_key = bench.config.path(web.private_key) if web.private_key else certificate
    async with listening(create_app(bench), web.host, web.port, certificate, private_key) as address:
        try:
            yield address
        finally:
            bench.stopping.set()
            bench.live.touch()


@contextlib.asynccontextmanager
async def listening(
    app: FastAPI, host: str, port: int, certificate: Path | None = None, private_key: Path | None = None
) -> AsyncIterator[str]:
    """Any of our apps on an address while inside."""
    listener = _listen(host, port)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=3,
            lifespan="off",
            server_header=False,
            ssl_certfile=certificate,
            ssl_keyfile=private_key,
        )
    )
    task = asyncio.create_task(_serve(server, listener), name="web server")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110 - the server has no event to wait on
            await asyncio.sleep(0.02)
        if task.done():
            task.result()
        shown = f"[{host}]" if ":" in host else host
        yield f"{'https' if certificate else 'http'}://{shown}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        await asyncio.gather(task, return_exceptions=True)
        listener.close()


async def _serve(server: uvicorn.Server, listener: socket.socket) -> None:
    # `serve` would take over SIGINT and SIGTERM, which belong to the daemon
    await server._serve(sockets=[listener])  # noqa: SLF001


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise EnvironmentFailed(
            f"cannot listen on {host} port {port}: {error.strerror}; choose another with web.port or --port"
        ) from None
    listener.setblocking(False)
    return listener
