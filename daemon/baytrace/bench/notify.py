"""Tells systemd that the bench is ready and alive (sd_notify(3), its datagram protocol); nothing happens without systemd."""

from __future__ import annotations

import os
import socket
import time


class Notifier:
    """`alive` is called by the data path when something became durable; it sends at most once a second."""

    def __init__(self) -> None:
        address = os.environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._last = 0.0

    def _send(self, text: str) -> None:
        if self._address:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
                out.sendto(text.encode("ascii"), self._address)

    def ready(self) -> None:
        self._send("READY=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def alive(self) -> None:
        now = time.monotonic()
        if now - self._last >= 1.0:
            self._last = now
            self._send("WATCHDOG=1")
