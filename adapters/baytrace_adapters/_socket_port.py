"""A TCP connection with the few methods of a serial port.

pyserial's own `socket://` tells one waiting byte for many, and throws away what it had read when the other end closes; a
burst of lines then costs two system calls a byte, and the last lines of a closed connection are lost.
"""

from __future__ import annotations

import socket
from urllib.parse import urlsplit

_CONNECT_S, _POLL_S = 5.0, 0.2
_MOST_READ = 65_536
_KEEPALIVE = (("TCP_KEEPIDLE", 15), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3))


class SocketPort:
    """Connects when built. All methods raise OSError when the connection is lost."""

    in_waiting = 0
    """`read` takes all there is at once."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._socket = socket.create_connection((parts.hostname, parts.port), _CONNECT_S)
        self._socket.settimeout(_POLL_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # a link that is cut without a word is noticed by the kernel, in about half a minute
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in _KEEPALIVE:
            if hasattr(socket, name):
                self._socket.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)

    def read(self, _size: int) -> bytes:
        """What has come, at least one byte; empty after a fifth of a second without any."""
        try:
            data = self._socket.recv(_MOST_READ)
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionError("the other end closed the connection")
        return data

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def close(self) -> None:
        self._socket.close()
