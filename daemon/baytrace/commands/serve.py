"""`baytrace serve`: the daemon."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import BenchConfig, load_config
from baytrace.bench.running import whole_bench
from baytrace.bench.signals import stop_on_signals
from baytrace.commands._output import people
from baytrace.measure.clock import Clock, FastClock
from baytrace.web.app import serving


async def serve_until_stopped(config: BenchConfig, clock: Clock | None = None) -> None:
    stop = asyncio.Event()
    stop_on_signals(stop)
    async with whole_bench(config, clock) as bench, serving(bench) as address:
        people().print(
            f"bench {bench.name}: {len(bench.live.channels)} channels; the page is at {address}/", soft_wrap=True
        )
        await stop.wait()


def register(app: typer.Typer) -> None:
    @app.command()
    def serve(
        config: Annotated[Path, typer.Option("--config", help="The bench.toml to read.")] = Path("bench.toml"),
        port: Annotated[
            int | None, typer.Option("--port", help="Serve pages on this port instead of web.port.")
        ] = None,
        verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False,
        rate: Annotated[float, typer.Option("--rate", hidden=True)] = 1.0,
        start_ns: Annotated[int, typer.Option("--start-ns", hidden=True)] = 0,
    ) -> None:
        """Run the bench until SIGTERM or Ctrl-C."""
        logging.basicConfig(
            level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
        )
        ready = load_config(config)
        if port is not None:
            ready = replace(ready, web=ready.web.model_copy(update={"port": port}))
        asyncio.run(serve_until_stopped(ready, FastClock(rate, start_ns) if start_ns else None))
