"""Who may do what: loopback is trusted, anything else needs a token; and no other site's page may steer the bench.

- On a loopback address the `Host` must be a loopback name, so that a page of another site cannot reach the bench through
  a name that resolves here (DNS rebinding).
- A request that changes state and carries an `Origin` must come from this very origin.
- Elsewhere every request under /api needs a token whose role allows it: `view` reads, `bench` also works the bench,
  `quality` also signs off. Failed tokens are slowed down per address.
- Bodies are bounded.
"""

from __future__ import annotations

import ipaddress
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response

from baytrace.web.problems import problem
from baytrace.web.tokens import COOKIE, TokenFile

MOST_BODY = 256 * 1024
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_PATHS = ("/healthz", "/login", "/static/", "/api/login")
FAILURES_ALLOWED, FAILURE_WINDOW_S, ADDRESSES_KEPT = 10, 60.0, 4096

POLICY = (
    "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; script-src 'self'; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)


def is_loopback(host: str) -> bool:
    name = host.strip("[]").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


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
    """`tokens` is None on a loopback address."""

    def __init__(self, tokens: TokenFile | None) -> None:
        self.tokens = tokens
        self.failures = Failures()

    def refuse(self, request: Request) -> Response | None:
        """The answer to a request that may not pass, else None."""
        host = request.headers.get("host", "")
        name = urlsplit(f"//{host}").hostname or ""
        if self.tokens is None and not is_loopback(name):
            return problem(421, "this bench listens on its own machine only; use http://127.0.0.1")
        if request.method not in SAFE:
            origin = request.headers.get("origin")
            if origin is not None and urlsplit(origin).netloc != host:
                return problem(403, "a page of another site may not change this bench")
            length = request.headers.get("content-length", "0")
            if not length.isdigit() or int(length) > MOST_BODY:
                return problem(413, f"a body may have {MOST_BODY} bytes")
            if "chunked" in request.headers.get("transfer-encoding", "").lower():
                return problem(411, "send the body with its length")
        return self._token(request) if self.tokens is not None else None

    def _token(self, request: Request) -> Response | None:
        path = request.url.path
        if any(path == open_ or (open_.endswith("/") and path.startswith(open_)) for open_ in OPEN_PATHS):
            return None
        address = request.client.host if request.client else ""
        if self.failures.too_many(address):
            return problem(429, "too many wrong tokens from this address; wait a minute")
        assert self.tokens is not None
        given = request.headers.get("authorization", "").removeprefix("Bearer ").strip() or request.cookies.get(
            COOKIE, ""
        )
        role = self.tokens.role_of(given) if given else None
        if role is None:
            if given:
                self.failures.add(address)
            if "text/html" in request.headers.get("accept", "") and request.method in SAFE:
                return Response(status_code=303, headers={"Location": "/login"})
            answer = problem(401, "a token is needed: send Authorization: Bearer TOKEN")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        if not role.allows(request.method, path):
            return problem(403, f"a {role} token may not do this")
        request.state.role = role
        return None

    def install(self, app: FastAPI) -> None:
        @app.middleware("http")
        async def stand_guard(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
            answer = self.refuse(request) or await go_on(request)
            headers = answer.headers
            headers.setdefault("Content-Security-Policy", POLICY)
            headers.setdefault("X-Content-Type-Options", "nosniff")
            headers.setdefault("Referrer-Policy", "no-referrer")
            headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
            return answer
