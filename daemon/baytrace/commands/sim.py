"""`baytrace sim`: simulated instruments only, on real wires."""

from __future__ import annotations

import asyncio
import json
import logging
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.signals import stop_on_signals
from baytrace.commands._output import people
from baytrace.measure.clock import Clock, FastClock
from baytrace.measure.paced_clock import Board, PacedClock
from baytrace_sim.runner import run
from baytrace_sim.scenario import scenario_named


def _start_when_told(start: asyncio.Event) -> None:
    """Set `start` when a line arrives on stdin, or its end does."""
    loop, told = asyncio.get_running_loop(), sys.stdin.fileno()

    def arrived() -> None:
        loop.remove_reader(told)
        start.set()

    try:
        loop.add_reader(told, arrived)
    except PermissionError:  # a file: whatever it has to say is there already
        start.set()


async def simulate(
    scenario: str,
    config_out: Path,
    *,
    clock: Clock,
    broker: str | None,
    wait: bool,
    announce: bool,
    bench: str,
    wires: str,
) -> None:
    """Run the instruments until a signal. With `announce`, tells progress as JSON lines on stdout."""
    stop, start = asyncio.Event(), asyncio.Event()
    stop_on_signals(stop)
    if wait:
        _start_when_told(start)
    else:
        start.set()

    def tell(what: str) -> None:
        if announce:
            print(json.dumps({"event": what}), flush=True)
        else:
            people().print(
                {
                    "ready": f"instruments are up; read them with: baytrace serve --config {config_out}",
                    "finished": "the technician's script is over; the instruments stay up",
                }.get(what, what),
                soft_wrap=True,
            )

    running = asyncio.create_task(
        run(
            scenario_named(scenario),
            clock=clock,
            broker=broker,
            config_out=config_out,
            bench_name=bench,
            wires=wires,
            start=start,
            on_ready=lambda: tell("ready"),
            on_finished=lambda: tell("finished"),
            on_turn=clock.done if isinstance(clock, PacedClock) else None,
        ),
        name="instruments",
    )
    stopping = asyncio.create_task(stop.wait())
    await asyncio.wait([running, stopping], return_when=asyncio.FIRST_COMPLETED)
    for task in (running, stopping):
        if not task.done():
            task.cancel()
    for task in (running, stopping):
        try:
            await task
        except asyncio.CancelledError:
            continue


def register(app: typer.Typer) -> None:
    @app.command()
    def sim(
        scenario: Annotated[str, typer.Option("--scenario", help="Which job to play: healthy, leak, moisture ...")],
        config_out: Annotated[
            Path, typer.Option("--config-out", help="Where to write the bench.toml that reads the instruments.")
        ],
        broker: Annotated[
            str | None, typer.Option("--broker", help="HOST:PORT of an MQTT broker; without it one is embedded.")
        ] = None,
        rate: Annotated[
            float, typer.Option("--rate", help="How many times faster than real time.", min=0.1, max=1000)
        ] = 1.0,
        bench: Annotated[str, typer.Option("--bench", help="Name of the bench in the written bench.toml.")] = "demo",
        wires: Annotated[
            str, typer.Option("--wires", help="pty or sockets; the best of this system when left out.")
        ] = "",
        wait: Annotated[
            bool, typer.Option("--wait", help="Begin the technician's script only when a line arrives on stdin.")
        ] = False,
        announce: Annotated[bool, typer.Option("--announce", hidden=True)] = False,
        start_ns: Annotated[int, typer.Option("--start-ns", hidden=True)] = 0,
        board: Annotated[Path | None, typer.Option("--clock", hidden=True)] = None,
    ) -> None:
        """Run simulated instruments (no daemon) and write the bench.toml that reads them."""
        logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
        if rate != 1.0 and board is None and not start_ns:
            people().print(
                f"at {rate:g} times the pace of the wall clock: `baytrace serve` must not read these instruments, as times that "
                "probes publish run ahead of its own; `baytrace demo` runs both on one clock",
                soft_wrap=True,
            )
        clock = PacedClock(Board(board)) if board is not None else FastClock(rate, start_ns or time.time_ns())
        asyncio.run(
            simulate(
                scenario, config_out, clock=clock, broker=broker, wait=wait, announce=announce, bench=bench, wires=wires
            )
        )
