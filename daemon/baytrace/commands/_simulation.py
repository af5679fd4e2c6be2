"""The simulator as a process of its own, on the same fast clock as the daemon that watches it, and that clock."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import NamedTuple

from baytrace.measure.clock import FastClock
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.paced_clock import Board, Leader, PacedClock

READY_S = 300.0
"""A busy computer takes its time; one that fails ends the process and is told at once."""


class Pace(NamedTuple):
    """A clock that waits for both processes, the file of its board, and who leads it."""

    clock: PacedClock
    board: Path
    leader: Leader


@contextlib.asynccontextmanager
async def paced(rate: float) -> AsyncIterator[Pace]:
    """A clock up to `rate` times as fast as the machine's, led by this process while the context lasts."""
    with tempfile.TemporaryDirectory(prefix="baytrace-") as folder:
        board = Path(folder) / "clock"
        clock = PacedClock(Board.made(board, rate, time.time_ns()))
        leader = Leader(clock)
        leading = asyncio.create_task(leader.lead(), name="clock")
        try:
            yield Pace(clock, board, leader)
        finally:
            leading.cancel()
            await asyncio.gather(leading, return_exceptions=True)


class Simulation:
    """Told to `begin`; sets `finished` when the technician's script is over, or `ended` when the process is gone."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self.ready = asyncio.Event()
        self.finished = asyncio.Event()
        self.ended = asyncio.Event()
        self.complaint = b""

    async def listen(self) -> None:
        assert self._process.stdout is not None
        async for line in self._process.stdout:
            with contextlib.suppress(ValueError):
                event = json.loads(line).get("event")
                if event == "ready":
                    self.ready.set()
                elif event == "finished":
                    self.finished.set()
        self.ended.set()

    async def complain(self) -> None:
        assert self._process.stderr is not None
        async for line in self._process.stderr:
            self.complaint = (self.complaint + line)[-4000:]

    async def begin(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(b"begin\n")
        await self._process.stdin.drain()

    def last_words(self) -> str:
        lines = self.complaint.decode("utf-8", "replace").strip().splitlines()
        return lines[-1] if lines else "it said nothing"


@contextlib.asynccontextmanager
async def simulation(
    scenario: str, config_out: Path, clock: FastClock | PacedClock, bench: str = "demo", board: Path | None = None
) -> AsyncIterator[Simulation]:
    """The simulator running `scenario`, its instruments up, on the clock of `board` where given, else on one that started with
    `clock`. Raises EnvironmentFailed when it does not come up.
    """
    command = [sys.executable, "-m", "baytrace", "sim", "--scenario", scenario, "--config-out", str(config_out)]
    command += ["--rate", str(clock.rate), "--bench", bench, "--wait", "--announce"]
    command += ["--clock", str(board)] if board is not None else ["--start-ns", str(clock.start_ns)]
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe, stderr=pipe)
    sim = Simulation(process)
    listeners = [asyncio.create_task(sim.listen()), asyncio.create_task(sim.complain())]
    try:
        waits = [asyncio.create_task(event.wait()) for event in (sim.ready, sim.ended)]
        await asyncio.wait(waits, timeout=READY_S, return_when=asyncio.FIRST_COMPLETED)
        for wait in waits:
            wait.cancel()
        if not sim.ready.is_set():
            raise EnvironmentFailed(f"the simulator did not come up: {sim.last_words()}")
        yield sim
    finally:
        if process.returncode is None:
            process.terminate()
            try:
                await asyncio.wait_for(process.wait(), 5.0)
            except TimeoutError:
                process.kill()
                await process.wait()
        for listener in listeners:
            listener.cancel()
        await asyncio.gather(*listeners, *waits, return_exceptions=True)
