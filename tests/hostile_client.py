"""Requests nobody means well with: a seeded generator of raw HTTP, and the client that sends it and reads every answer."""

import asyncio
import contextlib
import json
import random

TRAVERSALS = (
    "../" * 8 + "etc/passwd",
    "..%2f" * 8 + "etc%2fpasswd",
    "%2e%2e/" * 8 + "etc/passwd",
    "..%5c" * 6 + "bench.toml",
    "%252e%252e%252f" * 4 + "tokens.json",
    "%c0%ae%c0%ae%c0%af" * 4 + "journal",
    "....//" * 6 + "tokens.json",
    "/etc/passwd",
    "//etc/passwd",
    "tokens.json%00.css",
    "%00",
    "%ff%fe",
    "C:%5cWindows%5cwin.ini",
    "x" * 9000,
    "%F0%9F%94%A5",
    "{}",
    "$(id)",
    "';DROP TABLE commits;--",
    "<script>alert(1)</script>",
    "%0d%0aSet-Cookie:%20a=b",
)
ROOTS = ("/static/", "/manual/", "/manual/pictures/", "/bokeh/", "/sessions/", "/api/sessions/", "/api/", "/")
TAILS = ("", "/pack", "/readings.csv", "/report.pdf", "/readings?points=1e9", "/readings?from=0001-01-01T00:00:00Z")
CHANGING = (
    "/api/sessions",
    "/api/marks",
    "/api/sessions/{id}/marks",
    "/api/sessions/{id}/notes",
    "/api/sessions/{id}/ledger",
    "/api/sessions/{id}/steps",
    "/api/sessions/{id}/close",
    "/api/sessions/{id}/sign-off",
    "/api/alarms/silent-system_pressure/acknowledge",
    "/api/alarms/silent-system_pressure/shelve",
    "/api/alarms/silent-system_pressure/reset",
)
GOOD_BODIES = (
    b"{}",
    b'{"text": "pump on", "who": "x"}',
    b'{"who": "x", "step": "s", "state": "done", "entry": "e", "value": 1}',
)
BROKEN_BODIES = (
    b"",
    b"{",
    b"null",
    b"[]",
    b'"text"',
    b"[" * 20_000,
    b'{"a":' * 20_000,
    b'{"text": 3}',
    b'{"text": "\\ud800"}',
    b'{"text": "\xff\xfe"}',
    b'{"title": NaN, "label_g": Infinity}',
    b'{"label_g": 1e999}',
    b'{"label_g": ' + b"9" * 5000 + b"}",
    b'{"plan": {"evacuation": {"volume_l": "a lot"}}}',
    b'{"plan": {"no such watch": {}}}',
    b'{"vehicle": {"vin": {"deep": []}}}',
    b'{"minutes": -1}',
    b'{"minutes": 1e308, "text": null, "title": {}}',
    b'{"title": "' + b"x" * 250_000 + b'"}',
    b"\x00" * 1000,
    b"--b\r\nContent-Disposition: form-data; name=text\r\n\r\npump on\r\n--b--\r\n",
)
TYPES = (
    "application/json",
    "text/plain",
    "application/xml",
    "multipart/form-data; boundary=b",
    "",
    "application/json; charset=utf-16",
    "a/b" * 500,
)
METHODS = ("PUT", "DELETE", "PATCH", "TRACE", "OPTIONS", "HEAD", "CONNECT", "PROPFIND", "get", "X" * 300)
ORIGINS = ("http://elsewhere.example", "null", "https://127.0.0.1", "http://127.0.0.1:1", "file://", "http://[", "")
UNENDING = (b"\x16\x03", b"\x00\x00", b"\r\n")
"""Beginnings of garbage that is no whole request: its sender says that nothing more comes, or it would wait for its patience."""
GARBAGE = (
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(range(200)),
    b"\x00" * 4096,
    b"GET\r\n\r\n",
    b"GET / HTTP/9.9\r\nHost: a\r\n\r\n",
    b"GET / HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost : a\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 70_000 + b"\r\n\r\n",
    b"POST /api/marks HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
    b"POST /api/marks HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello!",
    b"POST /api/marks HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\nhello",
    b"POST /api/marks HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\nhello\r\n",
    b"GET /api/bench HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffffffff\r\nx",
    b"POST /api/marks HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: gzip\r\n\r\nhello",
    b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    b"GET /api/stream HTTP/1.1\r\nHost: a\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: eA==\r\nSec-WebSocket-Version: 13\r\n\r\n",
    b"GET http://169.254.169.254/latest HTTP/1.1\r\nHost: 169.254.169.254\r\n\r\n",
    b"\r\n" * 500,
)


class Generator:
    """Raw requests from a seed. None of them may change anything: no or a wrong token, or one that may not, or from another
    site, or with a body no route takes. `tokens` are real ones by role; `session` is the running session."""

    def __init__(self, seed, tokens, session, host):
        self.random = random.Random(seed)
        self.tokens, self.session, self.host = tokens, session, host
        self.kinds = (self.traversal, self.strangers_change, self.foreign_change, self.broken_body, self.method)
        self.kinds += (self.odd_headers, self.garbage, self.announced_too_long)

    def request(self):
        """(kind, bytes)"""
        kind = self.random.choice(self.kinds)
        return kind.__name__, kind()

    def raw(self, method, path, headers=(), body=b""):
        lines = [f"{method} {path} HTTP/1.1", f"Host: {self.host}", *headers]
        if body and not any(line.lower().startswith("content-length") for line in headers):
            lines.append(f"Content-Length: {len(body)}")
        return "\r\n".join(lines).encode("latin-1", "replace") + b"\r\n\r\n" + body

    def bearer(self, role):
        return f"Authorization: Bearer {self.tokens[role]}"

    def changing(self):
        return self.random.choice(CHANGING).replace("{id}", self.random.choice((self.session, "x", "..%2f..%2fx")))

    def traversal(self):
        choose = self.random.choice
        path = choose(ROOTS) + choose(TRAVERSALS) + choose(TAILS)
        return self.raw("GET", path.replace(" ", "%20"), [self.bearer(choose(("view", "bench", "quality")))])

    def strangers_change(self):
        """A change by nobody, by a guess, or by a role that may not."""
        choose = self.random.choice
        path = self.changing()
        roles = ["view", "bench"] if path.endswith("sign-off") else ["view", "quality"]
        guesses = (
            "Bearer " + "A" * 43,
            "Bearer",
            "Basic YTpi",
            "Bearer " + "\u00e9" * 20,
            "bearer " + self.tokens["view"],
        )
        who = choose(
            (
                [],
                [f"Authorization: {choose(guesses)}"],
                [self.bearer(choose(roles))],
                [f"Cookie: baytrace_token={'B' * 43}"],
            )
        )
        return self.raw("POST", path, [*who, "Content-Type: application/json"], choose(GOOD_BODIES))

    def foreign_change(self):
        """The right token, sent by another site's page."""
        choose = self.random.choice
        path = self.changing()
        who = self.bearer("quality" if path.endswith("sign-off") else "bench")
        if self.random.random() < 0.5:
            who = who.replace("Authorization: Bearer ", "Cookie: baytrace_token=")
        site = choose(
            [f"Origin: {origin}" for origin in ORIGINS] + ["Sec-Fetch-Site: cross-site", "Sec-Fetch-Site: same-site"]
        )
        return self.raw("POST", path, [who, site, "Content-Type: application/json"], choose(GOOD_BODIES))

    def broken_body(self):
        choose = self.random.choice
        # an empty body, an empty object's worth, would begin a session; everything else here no route takes
        path, body = self.changing(), choose(BROKEN_BODIES)
        kind = f"Content-Type: {choose(TYPES)}"
        if body.startswith(b'{"') and path.endswith(("acknowledge", "shelve", "reset", "close")):
            body = b"[]"
        return self.raw("POST", path, [self.bearer("quality" if path.endswith("sign-off") else "bench"), kind], body)

    def method(self):
        choose = self.random.choice
        path = choose((self.changing(), "/", "/healthz", "/static/look.css", "/api/bench"))
        return self.raw(choose(METHODS), path, [self.bearer("view")], choose((b"", b"{}", b"x" * 5000)))

    def odd_headers(self):
        choose = self.random.choice
        odd = choose(
            (
                [f"X-{n}: {n}" for n in range(300)],
                ["Cookie: " + "; ".join(f"c{n}={n}" for n in range(500))],
                ['Cookie: baytrace_token="\\"; ;;=,=;\x80'],
                ["Last-Event-ID: " + "9" * 400, "Accept: */*"],
                ["Range: bytes=" + ",".join(f"{n}-{n}" for n in range(1000))],
                ["If-None-Match: " + '"x",' * 1000],
                ["Accept-Encoding: " + "gzip;q=" + "0" * 3000],
                ["X-Forwarded-For: " + "1.2.3.4, " * 300, "X-Forwarded-Proto: javascript"],
                ["Expect: 100-continue"],
                ["Connection: keep-alive, Upgrade, close"],
            )
        )
        return self.raw(
            "GET", choose(("/api/bench", "/static/look.css", "/metrics", "/sessions/x")), [self.bearer("view"), *odd]
        )

    def garbage(self):
        made = self.random.choice(GARBAGE)
        return made if self.random.random() < 0.7 else b"\x00\x00" + self.random.randbytes(self.random.randrange(3000))

    def announced_too_long(self):
        length = self.random.choice(("999999999999", "262145", "1e9", "٣", "0x10"))
        return self.raw("POST", self.changing(), [self.bearer("bench"), f"Content-Length: {length}"], b"{}")


async def answer_to(raw, host, port, source, patience_s=20.0):
    """Every byte that comes back until the server closes, or until one whole answer is there."""
    reader, writer = await asyncio.open_connection(host, port, local_addr=(source, 0))
    try:
        writer.write(raw)
        await writer.drain()
        if raw.startswith(UNENDING):
            writer.write_eof()
        head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), patience_s)
        length = next((line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")), b":0")
        if raw.startswith(b"HEAD "):
            return head
        return head + await asyncio.wait_for(reader.readexactly(int(length.split(b":")[1])), patience_s)
    except (asyncio.IncompleteReadError, ConnectionError) as broken:
        return getattr(broken, "partial", b"")
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


def status_of(answer):
    """The status, 0 for a connection ended without a word."""
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/1.1 ") else 0


def problem_of(answer):
    return json.loads(answer.partition(b"\r\n\r\n")[2])
