"""Who may do what: loopback is trusted, anything else needs a token; and no other site's page may steer the bench.

- On a loopback address the `Host` must be a loopback name, so that a page of another site cannot reach the bench through
  a name that resolves here (DNS rebinding); and a request a proxy passed on is refused, since whoever sent it is not here.
- A request that changes state and carries an `Origin` or `Sec-Fetch-Site` must come from this very origin.
- Elsewhere every request but the login and `/healthz` needs a token whose role allows it: `view` reads, `bench` also works
  the bench, `quality` also signs off. Failed tokens are slowed down per address.
- Bodies are bounded in size and in patience, and are whole before a route sees them.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import time
from collections import OrderedDict
from collections.abc import Callable
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from starlette.datastructures import MutableHeaders
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from baytrace.measure.faults import BadInput
from baytrace.web.problems import problem
from baytrace.web.tokens import COOKIE, AccessRole, TokenFile

log = logging.getLogger(__name__)

MOST_BODY = 256 * 1024
BODY_S = 15.0
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_PATHS = ("/healthz", "/login", "/static/", "/api/login")
FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host")
FAILURES_ALLOWED, FAILURE_WINDOW_S, ADDRESSES_KEPT = 10, 60.0, 4096

POLICY = (
    "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; script-src 'self'; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def is_loopback(host: str) -> bool:
    name = host.strip("[]").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _host_name(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _netloc(origin: str) -> str:
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


class Failures:
    """Failed tokens by address, bounded in memory."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._seen: OrderedDict[str, list[float]] = OrderedDict()

    def too_many(self, address: str) -> bool:
        recent = [at for at in self._seen.get(address, []) if self._now() - at < FAILURE_WINDOW_S]
        return len(recent) >= FAILURES_ALLOWED

    def add(self, address: str) -> None:
        recent = [at for at in self._seen.pop(address, []) if self._now() - at < FAILURE_WINDOW_S]
        self._seen[address] = [*recent, self._now()]
        while len(self._seen) > ADDRESSES_KEPT:
            self._seen.popitem(last=False)


class Guard:
    """`tokens` is None where none is needed: on a loopback address no proxy stands before."""

    def __init__(self, tokens: TokenFile | None) -> None:
        self.tokens = tokens
        self.failures = Failures()

    def role_of(self, token: str, address: str) -> AccessRole | Response:
        """The role, or the answer to a token that is worth nothing."""
        if self.failures.too_many(address):
            answer = problem(429, "too many wrong tokens from this address; wait a minute")
            answer.headers["Retry-After"] = str(int(FAILURE_WINDOW_S))
            return answer
        assert self.tokens is not None
        try:
            role = self.tokens.role_of(token)
        except BadInput as error:
            log.error("%s", error)  # noqa: TRY400 - one line says it
            return problem(503, "the file of tokens cannot be read; the bench's log says why")
        if role is None:
            self.failures.add(address)
            log.warning("a wrong token from %s", address)
            answer = problem(401, "this token is not known here; ask who runs the bench for one")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        return role

    def refuse(self, request: Request) -> Response | None:
        """The answer to a request that may not pass, else None."""
        host = request.headers.get("host", "")
        if self.tokens is None:
            if not is_loopback(_host_name(host)):
                return problem(421, "this bench listens on its own machine only; use http://127.0.0.1")
            if any(name in request.headers for name in FORWARDED):
                return problem(421, "a proxy passes requests on to this bench and web.public does not say so")
        if request.method not in SAFE and (answer := self._foreign(request, host)):
            return answer
        return self._token(request) if self.tokens is not None else None

    @staticmethod
    def _foreign(request: Request, host: str) -> Response | None:
        """Refuses what changes state and comes from elsewhere, or is too large before it is read."""
        origin = request.headers.get("origin")
        site = request.headers.get("sec-fetch-site", "same-origin")
        if (origin is not None and _netloc(origin) != host) or site not in ("same-origin", "none"):
            return problem(403, "a page of another site may not change this bench")
        length = request.headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length[:20]) > MOST_BODY:
            return _closing(problem(413, f"a body may have {MOST_BODY} bytes"))
        return None

    def _token(self, request: Request) -> Response | None:
        path = request.scope["path"]
        if any(path == open_ or (open_.endswith("/") and path.startswith(open_)) for open_ in OPEN_PATHS):
            return None
        scheme, _, given = request.headers.get("authorization", "").partition(" ")
        given = given.strip() if scheme.lower() == "bearer" else ""
        given = given or cookie_parser(request.headers.get("cookie", "")).get(COOKIE, "")
        if not given:
            if "text/html" in request.headers.get("accept", "") and request.method in SAFE:
                return Response(status_code=303, headers={"Location": "/login"})
            answer = problem(401, "a token is needed: send Authorization: Bearer TOKEN")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        role = self.role_of(given, request.client.host if request.client else "")
        if isinstance(role, Response):
            html = role.status_code == 401 and "text/html" in request.headers.get("accept", "")
            return (
                Response(status_code=303, headers={"Location": "/login"}) if html and request.method in SAFE else role
            )
        if not role.allows(request.method, path):
            return problem(403, f"a {role} token may not do this")
        return None

    def install(self, app: FastAPI) -> None:
        app.add_middleware(_Door, guard=self)


def _closing(answer: Response) -> Response:
    """The rest of what is sent is not waited for."""
    answer.headers["Connection"] = "close"
    return answer


class _Door:
    """The guard around an app. Nothing but HTTP passes."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self._app, self._guard = app, guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._guard.refuse(Request(scope))
        if answer is None and scope["method"] not in SAFE:
            body = await _whole_body(receive)
            if isinstance(body, bytes):
                receive = _replayed(body, receive)
            else:
                answer = body
        await (answer or self._app)(scope, receive, send_guarded)


async def _whole_body(receive: Receive) -> bytes | Response:
    """The body, or the answer to one that is too long or too slow."""
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return _closing(problem(400, "the connection ended before the body did"))
                body += message.get("body", b"")
                if len(body) > MOST_BODY:
                    return _closing(problem(413, f"a body may have {MOST_BODY} bytes"))
                if not message.get("more_body", False):
                    return bytes(body)
    except TimeoutError:
        return _closing(problem(408, f"the body did not come within {BODY_S:.0f} s"))


def _replayed(body: bytes, receive: Receive) -> Receive:
    given = False

    async def replay() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replay
