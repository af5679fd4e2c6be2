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
from baytrace.commands._logs import Log, LogForm, inherited_form, start_logging
from baytrace.commands._output import people
from baytrace.measure.clock import Clock, FastClock
from baytrace.measure.faults import BaytraceError
from baytrace.web.app import serving

log = logging.getLogger(__name__)


async def serve_until_stopped(config: BenchConfig, clock: Clock | None = None) -> None:
    stop = asyncio.Event()
    stop_on_signals(stop)
    async with whole_bench(config, clock) as bench, serving(bench) as address:
        channels = len(bench.live.channels)
        if inherited_form() is LogForm.JSON:
            log.info("the bench runs", extra={"bench": bench.name, "channels": channels, "address": f"{address}/"})
        else:
            people().print(f"bench {bench.name}: {channels} channels; the page is at {address}/", soft_wrap=True)
        await stop.wait()
        log.info("the bench was asked to stop", extra={"bench": bench.name})


def register(app: typer.Typer) -> None:
    @app.command()
    def serve(
        config: Annotated[Path, typer.Option("--config", help="The bench.toml to read.")] = Path("bench.toml"),
        port: Annotated[
            int | None, typer.Option("--port", help="Serve pages on this port instead of web.port.", min=0, max=65535)
        ] = None,
        verbose: Annotated[bool, typer.Option("--verbose", help="Log more.")] = False,
        form: Log = LogForm.HUMAN,
        rate: Annotated[float, typer.Option("--rate", hidden=True)] = 1.0,
        start_ns: Annotated[int, typer.Option("--start-ns", hidden=True)] = 0,
    ) -> int:
        """Run the bench until SIGTERM or Ctrl-C."""
        start_logging(form, verbose=verbose)
        try:
            ready = load_config(config)
            if port is not None:
                ready = replace(ready, web=ready.web.model_copy(update={"port": port}))
            asyncio.run(serve_until_stopped(ready, FastClock(rate, start_ns) if start_ns else None))
        except BaytraceError as error:
            if form is LogForm.HUMAN:
                raise
            log.critical("%s", error)
            return error.exit_code
        return 0
