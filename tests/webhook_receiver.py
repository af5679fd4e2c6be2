"""A real HTTP server that takes letters as somebody's receiver would, and misbehaves on demand."""

import base64
import contextlib
import hashlib
import hmac
import json
import socket
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple

from servers import free_port

SECRET = "whsec_" + base64.b64encode(b"thirty-two bytes of a test secret").decode()
KEY = b"thirty-two bytes of a test secret"


class Request(NamedTuple):
    at: float
    path: str
    headers: dict
    body: bytes

    @property
    def key(self):
        return self.headers["webhook-id"]

    @property
    def said(self):
        return json.loads(self.body)

    def signed(self):
        """Whether the signature is that of the secret, worked out from the specification alone."""
        content = f"{self.key}.{self.headers['webhook-timestamp']}.".encode() + self.body
        right = base64.b64encode(hmac.new(KEY, content, hashlib.sha256).digest()).decode()
        return self.headers["webhook-signature"] == f"v1,{right}"


class Receiver:
    """`mood` is what it does now: a status code, `(status, headers)`, "hang", "drip" or "drop"."""

    def __init__(self, port=None, tls=None):
        self.port, self._tls = port or free_port(), tls
        self.mood = 200
        self.requests = []
        self.moods = {}
        """Own moods for letters that hold a text."""
        self._server = None
        self._ended = threading.Event()

    @property
    def url(self):
        return f"{'https' if self._tls else 'http'}://127.0.0.1:{self.port}/hook?token=in-the-query"

    def start(self):
        receiver = self
        self._ended.clear()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                receiver.take(self)

            def do_GET(self):
                receiver.take(self)

            def log_message(self, *_):
                pass

        ThreadingHTTPServer.allow_reuse_address = True
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.handle_error = lambda *_: None
        self._server.daemon_threads = True
        self._server.block_on_close = False
        if self._tls:
            self._server.socket = self._tls.wrap_socket(self._server.socket, server_side=True)
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def take(self, handler):
        body = handler.rfile.read(int(handler.headers.get("Content-Length", 0)))
        request = Request(time.monotonic(), handler.path, {k.lower(): v for k, v in handler.headers.items()}, body)
        self.requests.append(request)
        mood = next((mood for text, mood in self.moods.items() if text in body), self.mood)
        if mood == "drop":
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        if mood == "hang":
            self._ended.wait(30)
            return
        if mood == "drip":
            with contextlib.suppress(OSError):
                for byte in b"HTTP/1.1 200 OK\r\n" + b"X-Slow: yes\r\n" * 500:
                    handler.wfile.write(bytes([byte]))
                    handler.wfile.flush()
                    if self._ended.wait(0.2):
                        return
            return
        status, headers = mood if isinstance(mood, tuple) else (mood, {})
        with contextlib.suppress(OSError):
            handler.send_response(status)
            for name, value in headers.items():
                handler.send_header(name, value)
            handler.send_header("Content-Length", "0")
            handler.end_headers()

    def stop(self):
        if self._server is not None:
            self._ended.set()
            self._server.shutdown()
            self._server.server_close()
            self._server = None


@contextlib.contextmanager
def receiver(**keys):
    one = Receiver(**keys).start()
    try:
        yield one
    finally:
        one.stop()
