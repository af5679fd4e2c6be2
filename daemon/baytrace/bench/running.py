"""A whole bench as the commands start it: the daemon, its broker outlet and its pages, ended in order by a signal."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from collections.abc import AsyncIterator

from baytrace.bench.config import BenchConfig
from baytrace.bench.daemon import Bench
from baytrace.bench.outlet import Outlet
from baytrace.measure.clock import Clock


def stop_on_signals(stop: asyncio.Event) -> None:
    """SIGTERM and SIGINT set `stop`."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)


@contextlib.asynccontextmanager
async def whole_bench(config: BenchConfig, clock: Clock | None = None) -> AsyncIterator[Bench]:
    """The bench with its outlet; a broken outlet never stops the bench."""
    async with Bench.running(config, clock) as bench:
        helpers = []
        if config.mqtt is not None:
            helpers.append(asyncio.create_task(Outlet(bench, config.mqtt).run(), name="outlet"))
        for helper in helpers:
            helper.add_done_callback(_tell)
        try:
            yield bench
        finally:
            for helper in helpers:
                helper.cancel()
            await asyncio.gather(*helpers, return_exceptions=True)


def _tell(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and (error := task.exception()) is not None:
        logging.getLogger(__name__).error("%s ended: %s", task.get_name(), error)
