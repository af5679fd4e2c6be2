"""Ending tasks for good.

A cancellation can be lost: `asyncio.wait_for` before Python 3.12 drops one that meets the answer it waits for (the Modbus client
waits so for each answer), and the task goes on as if nobody had asked. So it is asked again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import Any

AGAIN_S = 5.0
"""Longer than a task needs to take its leave (s)."""


async def end(tasks: Iterable[asyncio.Task[Any]], again_s: float = AGAIN_S) -> None:
    """Cancel the tasks and wait until each has ended; what one ended with is its own matter."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=again_s)
