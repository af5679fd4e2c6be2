"""Tasks that run together, and ending them for good.

A cancellation can be lost: `asyncio.wait_for` before Python 3.12 drops one that meets the answer it waits for (the Modbus client
waits so for each answer), and the task goes on as if nobody had asked. So it is asked again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Iterable, Mapping
from typing import Any

log = logging.getLogger(__name__)

AGAIN_S = 5.0
"""Longer than a task needs to take its leave (s)."""


async def end(tasks: Iterable[asyncio.Task[Any]], again_s: float = AGAIN_S) -> None:
    """Cancel the tasks and wait until each has ended; what one ended with is its own matter."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=again_s)


@contextlib.asynccontextmanager
async def together(jobs: Mapping[str, Any]) -> AsyncIterator[None]:
    """Run the jobs while inside; one that fails ends the whole bench loudly; leaving ends them all."""
    tasks = {name: asyncio.create_task(job, name=name) for name, job in jobs.items()}
    owner = asyncio.current_task()
    failed: list[BaseException] = []

    def ended(task: asyncio.Task[Any]) -> None:
        if not task.cancelled() and (error := task.exception()) is not None:
            failed.append(error)
            log.critical("%s failed and the bench ends: %s", task.get_name(), error)
            if owner is not None:
                owner.cancel()

    for task in tasks.values():
        task.add_done_callback(ended)
    try:
        yield
    except asyncio.CancelledError:
        if failed:
            raise failed[0] from None
        raise
    finally:
        await end(tasks.values())


async def outlive(task: asyncio.Task[None]) -> None:
    """Fails when `task` fails; being cancelled leaves `task` running."""
    await asyncio.shield(task)
