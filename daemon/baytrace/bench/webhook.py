"""Letters to a webhook: signed as the Standard Webhooks specification 1.0 says, each in a request of its own.

    webhook-id: KEY        webhook-timestamp: UNIX SECONDS        webhook-signature: v1,BASE64
    signature = HMAC-SHA256(secret, "KEY.SECONDS.BODY")

The secret's bytes are the key; one written `whsec_BASE64` is decoded first. The timestamp is the attempt's own, so a receiver
can refuse old requests; the key is the letter's, so it can drop what comes twice.

Certificates are verified, redirects are not followed (a signed alarm goes where bench.toml says, or nowhere), the answer's text
is read to 2 kB, the whole exchange has one deadline, and neither the secret nor a query of the address is ever logged.
Each attempt has a thread of its own that nothing waits for: the daemon ends at once even while a name is being looked up.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import hmac
import http.client
import socket
import ssl
import threading
import time
from email.utils import parsedate_to_datetime
from typing import NamedTuple
from urllib.parse import urlsplit

from baytrace import __version__
from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import WebhookSection
from baytrace.bench.outbox_rules import Answer, Letter, Outcome
from baytrace.bench.secret import read_secret
from baytrace.measure.faults import BadInput

MOST_ANSWER = 2_048
_UNFIT = frozenset({400, 413, 415, 422})
"""What says that the letter itself is at fault; every other refusal is about the address, and can be mended there."""
_CURES = {
    401: "the receiver does not accept the signature; compare the secrets",
    403: "the receiver does not accept the signature; compare the secrets",
    404: "correct webhook.url",
    405: "correct webhook.url",
    410: "correct webhook.url",
}


def key_of(secret: str) -> bytes:
    """The HMAC key of a secret. Raises BadInput."""
    if not secret.startswith("whsec_"):
        return secret.encode()
    try:
        key = base64.b64decode(secret.removeprefix("whsec_"), validate=True)
    except ValueError:
        key = b""
    if not key:
        raise BadInput("the secret begins with whsec_ and is not base64", where="webhook")
    return key


def signature(key: bytes, letter_key: str, seconds: int, body: bytes) -> str:
    """The value of `webhook-signature`."""
    signed = hmac.new(key, f"{letter_key}.{seconds}.".encode() + body, hashlib.sha256).digest()
    return "v1," + base64.b64encode(signed).decode("ascii")


class Reply(NamedTuple):
    status: int
    retry_after: str
    text: str


def judged(reply: Reply, now_s: float) -> Answer:
    """What an answer means; `now_s` is UTC seconds, for a `Retry-After` that names a date."""
    if 200 <= reply.status < 300:
        return Answer(Outcome.TAKEN)
    detail = f"HTTP {reply.status}"
    if 300 <= reply.status < 400:
        return Answer(Outcome.BUSY, f"{detail}: redirects are not followed; write the address itself into webhook.url")
    said = " ".join(reply.text.split())[:120]
    detail += f": {_CURES.get(reply.status) or said}" if _CURES.get(reply.status) or said else ""
    if reply.status in _UNFIT:
        return Answer(Outcome.UNFIT, detail)
    return Answer(Outcome.BUSY, detail, _seconds(reply.retry_after, now_s))


def _seconds(retry_after: str, now_s: float) -> float:
    """Seconds of a `Retry-After` (RFC 9110, 10.2.3); 0 when it says nothing that can be read."""
    text = retry_after.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    with contextlib.suppress(ValueError, TypeError):
        return max(0.0, parsedate_to_datetime(text).timestamp() - now_s)
    return 0.0


class Webhook:
    """Built from bench.toml. Raises BadInput when the secret or the certificate authority cannot be had."""

    def __init__(self, config: BenchConfig, section: WebhookSection) -> None:
        self._address = urlsplit(section.url)
        self._timeout_s = section.timeout_s
        secret = read_secret(
            section.secret_env, config.path(section.secret_file) if section.secret_file else None, "webhook"
        )
        if secret is None:
            raise BadInput("no secret is named", where="webhook", right="set webhook.secret_env or webhook.secret_file")
        self._key = key_of(secret)
        self._tls = self._context(config, section) if self._address.scheme == "https" else None

    @staticmethod
    def _context(config: BenchConfig, section: WebhookSection) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=str(config.path(section.ca)) if section.ca else None)
        except (OSError, ssl.SSLError) as error:
            raise BadInput(f"{section.ca} is no certificate authority file ({error})", where="webhook.ca") from None

    async def send(self, letter: Letter) -> Answer:
        """One attempt, over within `timeout_s`."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Answer] = loop.create_future()
        connection = self._connection()

        def told(answer: Answer) -> None:
            if not future.done():
                future.set_result(answer)

        def work() -> None:
            answer = self._attempt(connection, letter)
            with contextlib.suppress(RuntimeError):  # the loop has ended; nobody wants to know
                loop.call_soon_threadsafe(told, answer)

        threading.Thread(target=work, name="webhook", daemon=True).start()
        try:
            async with asyncio.timeout(self._timeout_s):
                return await future
        except TimeoutError:
            return Answer(Outcome.AWAY, f"no whole answer within {self._timeout_s:g} s")
        finally:
            _abort(connection)

    def _connection(self) -> http.client.HTTPConnection:
        host, port = self._address.hostname or "", self._address.port
        if self._tls is not None:
            return http.client.HTTPSConnection(host, port, timeout=self._timeout_s, context=self._tls)
        return http.client.HTTPConnection(host, port, timeout=self._timeout_s)

    def _attempt(self, connection: http.client.HTTPConnection, letter: Letter) -> Answer:
        seconds = int(time.time())
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"baytrace/{__version__}",
            "webhook-id": letter.key,
            "webhook-timestamp": str(seconds),
            "webhook-signature": signature(self._key, letter.key, seconds, letter.body),
        }
        target = (self._address.path or "/") + (f"?{self._address.query}" if self._address.query else "")
        try:
            connection.request("POST", target, letter.body, headers)
            answer = connection.getresponse()
            text = answer.read(MOST_ANSWER).decode("utf-8", "replace")
            reply = Reply(answer.status, answer.headers.get("Retry-After", ""), text)
        except ssl.SSLCertVerificationError as error:
            return Answer(Outcome.AWAY, f"the certificate is not accepted: {error.verify_message}; see webhook.ca")
        except (OSError, http.client.HTTPException, ValueError) as error:
            return Answer(Outcome.AWAY, f"{self._address.hostname}: {_plain(error)}")
        finally:
            connection.close()
        return judged(reply, time.time())


def _abort(connection: http.client.HTTPConnection) -> None:
    """Wake a thread that still waits on the connection."""
    sock = connection.sock
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)


def _plain(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(text).split())[:200]
