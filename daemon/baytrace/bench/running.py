"""A whole bench as the commands start it: the daemon, its broker outlet and its pages, ended in order by a signal."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
from collections.abc import AsyncIterator, Awaitable, Callable

from baytrace.bench.config import BenchConfig
from baytrace.bench.daemon import Bench
from baytrace.bench.ending import end
from baytrace.bench.outbox_courier import Courier
from baytrace.bench.outlet import Outlet
from baytrace.bench.secret import forward_token
from baytrace.bench.webhook import Webhook
from baytrace.forward.cursor import tell_standing
from baytrace.measure.clock import Clock
from baytrace.measure.patience import rest_s

log = logging.getLogger(__name__)

FORWARD_AGAIN_S = 5.0


@contextlib.asynccontextmanager
async def whole_bench(config: BenchConfig, clock: Clock | None = None) -> AsyncIterator[Bench]:
    """The bench with its outlet; a broken outlet never stops the bench."""
    async with Bench.running(config, clock) as bench:
        helpers = []
        if config.mqtt is not None:
            outlet = Outlet(bench, config.mqtt)
            helpers.append(asyncio.create_task(kept_going("outlet", outlet.run), name="outlet"))
        if config.webhook is not None:
            courier = Courier("webhook", bench.outbox, bench, Webhook(config, config.webhook).send)
            bench.couriers.append(courier)
            helpers.append(asyncio.create_task(kept_going("webhook", courier.run), name="webhook"))
        if config.forward is not None:
            forward_token(config, config.forward)  # refused here, not by a process that ends again and again
            helpers.append(asyncio.create_task(_forwarding(config), name="forwarder"))
        try:
            yield bench
        finally:
            await end(helpers)


async def _forwarding(config: BenchConfig) -> None:
    """Keep the forwarder's own process running; it reads the journal and can neither slow nor stop the bench."""
    while True:
        command = [sys.executable, "-m", "baytrace", "forward", "run", "--config", str(config.file), "--with-parent"]
        process = await asyncio.create_subprocess_exec(*command, stdin=asyncio.subprocess.DEVNULL)
        try:
            code = await process.wait()
        finally:
            if process.returncode is None:
                process.terminate()
                await process.wait()
        log.warning("the forwarder ended with %s and is started again", code)
        tell_standing(config.path(config.bench.journal), f"the forwarder ended with {code}; the log says why")
        await asyncio.sleep(FORWARD_AGAIN_S)


async def kept_going(name: str, run: Callable[[], Awaitable[None]]) -> None:
    """Begin anew what ends by a fault of ours: alarms must go out, and marks come in."""
    attempt = 0
    while True:
        try:
            await run()
        except Exception:
            log.exception("%s broke and is started again", name)
        await asyncio.sleep(rest_s(attempt))
        attempt += 1
