"""An app on an address: who needs tokens there, TLS from own certificate files, and the server itself.

Knows nothing of a bench, so that the floor's page starts small.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import AsyncIterator
from pathlib import Path
from typing import NamedTuple

import uvicorn
from fastapi import FastAPI

from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import WebSection
from baytrace.bench.secret import require_private
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.web.connections import Connection, bound
from baytrace.web.guard import is_loopback
from baytrace.web.once_a_minute import OnceAMinute
from baytrace.web.tokens import TokenFile


def tokens_for(host: str, file: Path, public: str = "") -> TokenFile | None:
    """None on a loopback address no proxy stands before. Raises BadInput for any other without tokens."""
    if is_loopback(host) and not public:
        return None
    tokens = TokenFile(file)
    if not tokens.rows():
        raise BadInput(
            f"{public or host} can be reached from other machines and no token is set up",
            where="web.host",
            right="make one with: baytrace token make NAME --role bench; or listen on 127.0.0.1",
        )
    return tokens


class Tls(NamedTuple):
    """PEM files."""

    certificate: Path
    private_key: Path


def tls_of(config: BenchConfig, web: WebSection) -> Tls | None:
    """The certificate to serve with, checked. Raises BadInput when it cannot be used safely."""
    if not web.certificate:
        return None
    certificate = config.path(web.certificate)
    return checked_tls(certificate, config.path(web.private_key) if web.private_key else certificate)


def checked_tls(certificate: Path, private_key: Path) -> Tls:
    """Raises BadInput when the files do not fit together, or others can read the key."""
    for name, file in (("web.certificate", certificate), ("web.private_key", private_key)):
        if not file.is_file():
            raise BadInput(f"{file} is no file", where=name, right="name a PEM file, relative to bench.toml")
    require_private(private_key, "web.private_key")
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, private_key, password=lambda: "")
    except (OSError, ssl.SSLError) as error:
        raise BadInput(
            f"{certificate} and {private_key} cannot be used ({error.strerror or error})",
            where="web.certificate",
            right="give the certificate chain and its own key without a passphrase, both PEM",
        ) from None
    return Tls(certificate, private_key)


@contextlib.asynccontextmanager
async def listening(
    app: FastAPI, host: str, port: int, tls: Tls | None = None, *, proxied: bool = False
) -> AsyncIterator[str]:
    """Any of our apps on an address while inside. `proxied`: a proxy on this machine says who it speaks for."""
    listener = _listen(host, port)
    log, held = logging.getLogger("uvicorn.error"), OnceAMinute(frozenset({"Invalid HTTP request received."}))
    log.addFilter(held)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            http=Connection,
            ws="none",
            log_config=None,
            access_log=False,
            timeout_graceful_shutdown=3,
            lifespan="off",
            server_header=False,
            proxy_headers=proxied,
            forwarded_allow_ips="127.0.0.1,::1",
            ssl_certfile=tls.certificate if tls else None,
            ssl_keyfile=tls.private_key if tls else None,
        )
    )
    task = asyncio.create_task(_serve(server, listener), name="web server")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110 - the server has no event to wait on
            await asyncio.sleep(0.02)
        if task.done():
            task.result()
        shown = f"[{host}]" if ":" in host else host
        yield f"{'https' if tls else 'http'}://{shown}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        await asyncio.gather(task, return_exceptions=True)
        listener.close()
        log.removeFilter(held)


async def _serve(server: uvicorn.Server, listener: socket.socket) -> None:
    # `serve` would take over SIGINT and SIGTERM, which belong to the daemon
    await server._serve(sockets=[listener])  # noqa: SLF001


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound(listener)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise EnvironmentFailed(
            f"cannot listen on {host} port {port}: {error.strerror}; choose another with web.port or --port"
        ) from None
    listener.setblocking(False)
    return listener
