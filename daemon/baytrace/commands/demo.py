"""`baytrace demo`: one whole job on real wires, on a fast clock, shown, judged, kept and exported."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from baytrace.bench.config import BenchConfig, load_config
from baytrace.bench.daemon import Bench
from baytrace.bench.pacing import Taken
from baytrace.bench.running import whole_bench
from baytrace.bench.signals import stop_on_signals
from baytrace.commands._demo_show import Show, verdict_table
from baytrace.commands._output import people, table_console
from baytrace.commands._simulation import Simulation, paced, simulation
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.records.exporting import export_session
from baytrace.records.verifying import verify_pack
from baytrace.web.app import serving
from baytrace_sim.scenario import scenario_named

log = logging.getLogger(__name__)

ALL_CHANNELS_S = 120.0
AFTERGLOW_S = 10.0
"""Bench seconds the readings run on after the last mark."""
EXIT = {"pass": 0, "fail": 1, "undecided": 3}


async def first_readings(bench: Bench) -> None:
    """Wait until every channel was heard once. Raises EnvironmentFailed naming those that were not."""
    until = time.monotonic() + ALL_CHANNELS_S
    while True:
        silent = [name for name, channel in bench.live.channels.items() if channel.last is None]
        if not silent:
            return
        if time.monotonic() > until:
            raise EnvironmentFailed(f"no reading came from: {', '.join(silent)}")
        await asyncio.sleep(0.05)


async def play(
    bench: Bench, sim: Simulation, request: dict[str, Any], stop: asyncio.Event, show: Show
) -> dict[str, Any]:
    """The job from start to close; the closing document."""
    await first_readings(bench)
    await bench.start_session(request)
    await sim.begin()
    waits = [asyncio.create_task(event.wait()) for event in (sim.finished, sim.ended, stop)]
    watching = asyncio.create_task(show.follow(bench))
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        if sim.ended.is_set():
            raise EnvironmentFailed(f"the simulator ended early: {sim.last_words()}")
        await bench.clock.sleep(AFTERGLOW_S)
        return await bench.close_session("demo", "the script is over" if not stop.is_set() else "stopped by hand")
    finally:
        for task in (*waits, watching):
            task.cancel()
        await asyncio.gather(*waits, watching, return_exceptions=True)


async def demonstrate(scenario: str, rate: float, to: Path, port: int | None, *, keep: bool, plain: bool) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop)
    config_file = to / "bench.toml"
    show = Show(people(), plain=plain)
    show.say(f"scenario {scenario}, up to {rate:g} times as fast as a real job; files go to {to}")
    async with paced(rate) as pace, simulation(scenario, config_file, pace.clock, board=pace.board) as sim:
        config = _with_port(load_config(config_file), port)
        request = json.loads(config_file.with_suffix(".session.json").read_text(encoding="utf-8"))
        async with whole_bench(config, pace.clock) as bench, serving(bench) as address:
            pace.leader.taken = Taken(bench.live.channels, pace.clock)
            show.say(f"the page is at {address}/")
            closing = await play(bench, sim, request, stop, show)
            pack = await asyncio.to_thread(
                export_session, bench.journal, closing["session"], to, "pack", keys=config.path(config.bench.keys)
            )
            report = await asyncio.to_thread(verify_pack, pack)
            table_console().print(verdict_table(scenario_named(scenario), closing))
            show.say(f"trace pack: {pack} ({report.summary()})")
            if keep and not stop.is_set():
                show.say(f"the bench stays up at {address}/ ; end with Ctrl-C")
                await stop.wait()
    return EXIT[closing["outcome"]] if report.good else 4


def _with_port(config: BenchConfig, port: int | None) -> BenchConfig:
    return replace(config, web=config.web.model_copy(update={"port": port or 0}))


def register(app: typer.Typer) -> None:
    @app.command()
    def demo(
        scenario: Annotated[
            str, typer.Option("--scenario", help="Which job to play; see `baytrace demo --list`.")
        ] = "healthy",
        rate: Annotated[
            float, typer.Option("--rate", help="How many times faster than real time.", min=0.5, max=400)
        ] = 60.0,
        keep: Annotated[bool, typer.Option("--keep", help="Stay up and serve the page when the job is over.")] = False,
        to: Annotated[Path | None, typer.Option("--to", help="Directory for the journal and the trace pack.")] = None,
        port: Annotated[
            int | None, typer.Option("--port", help="Port of the page; a free one when left out.", min=0, max=65535)
        ] = None,
        plain: Annotated[bool, typer.Option("--plain", help="One line a phase instead of a live display.")] = False,
        listing: Annotated[bool, typer.Option("--list", help="List the scenarios and end.")] = False,
    ) -> int:
        """Simulated instruments on real wires, the daemon and the page: one whole job.

        Exit 0 only when every verdict passes.
        """
        if listing:
            from baytrace_sim.scenario import scenarios  # noqa: PLC0415 - only here

            for name, each in scenarios().items():
                table_console().print(f"{name}: {each.summary}")
            return 0
        scenario_named(scenario)
        logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")
        target = to or Path(f"baytrace-demo-{time.strftime('%Y%m%d-%H%M%S')}")
        if (target / "journal").exists():
            raise BadInput(f"{target} already holds a journal", where="--to", right="name a new directory")
        target.mkdir(parents=True, exist_ok=True)
        return asyncio.run(demonstrate(scenario, rate, target.resolve(), port, keep=keep, plain=plain))
