"""Ending in order on SIGTERM and Ctrl-C."""

from __future__ import annotations

import asyncio
import contextlib
import signal


def stop_on_signals(stop: asyncio.Event) -> None:
    """SIGTERM and SIGINT set `stop`."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
