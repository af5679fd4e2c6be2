"""Tells systemd that the bench is ready and alive (sd_notify(3), its datagram protocol); nothing happens without systemd.

Telling never waits and never fails: the data path calls it, and a deaf systemd must not hold a reading up.
"""

from __future__ import annotations

import logging
import os
import socket
import time

log = logging.getLogger(__name__)


class Notifier:
    """`alive` is called by the data path when something became durable; it sends at most once a second."""

    def __init__(self) -> None:
        address = os.environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._last = 0.0

    def _send(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
                out.setblocking(False)
                out.sendto(text.encode("ascii"), self._address)
        except OSError as error:
            log.debug("systemd was not told %s: %s", text, error)

    def ready(self) -> None:
        self._send("READY=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def alive(self) -> None:
        now = time.monotonic()
        if now - self._last >= 1.0:
            self._last = now
            self._send("WATCHDOG=1")
