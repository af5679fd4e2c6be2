"""One line a minute of what strangers can cause at will: a log that anyone can fill is a disk that anyone can fill."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

PAUSE_S = 60.0


class OnceAMinute(logging.Filter):
    """Of each message one line a minute; the next one says how many were held back."""

    def __init__(self, messages: frozenset[str], now_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._now_s = now_s
        self._said: dict[str, float] = {}
        self._held = dict.fromkeys(messages, 0)

    def filter(self, record: logging.LogRecord) -> bool:
        message = record.msg
        if message not in self._held:
            return True
        now = self._now_s()
        if message in self._said and now - self._said[message] < PAUSE_S:
            self._held[message] += 1
            return False
        self._said[message] = now
        if self._held[message]:
            record.msg = f"{message} ({self._held[message]} more like it since the last such line)"
            self._held[message] = 0
        return True
