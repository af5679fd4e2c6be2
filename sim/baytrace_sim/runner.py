"""Runs a scenario on real wires: starts the instruments, writes the bench.toml that reads them, plays the script.

Simulated time is the given clock's. Until `start` is set the plant stands still and the instruments show it; when the script
is over they go on showing the end, until cancelled.
"""

from __future__ import annotations

import asyncio
import json
import logging
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from baytrace.measure.clock import NS, Clock
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant, utc_day
from baytrace_sim.bench_file import bench_toml, session_file, session_request, vehicle_preset
from baytrace_sim.broker import Publisher, embedded_broker, parse_address
from baytrace_sim.instruments.instrument import Instrument
from baytrace_sim.instruments.lines import TankScale, VacuumGauge
from baytrace_sim.instruments.ohmmeter import Ohmmeter
from baytrace_sim.instruments.probes import Probes
from baytrace_sim.instruments.transmitters import Transmitters
from baytrace_sim.instruments.wire import best_kind, wire
from baytrace_sim.plant import Plant
from baytrace_sim.readings import Readings
from baytrace_sim.scenario import Scenario
from baytrace_sim.script import Timed

KINDS = ("pty", "sockets")
_TURN_S = 1.0


def _nothing() -> None:
    return


def _none_due(_: int) -> None:
    return


class Stage:
    """The plant on the clock: script seconds, and the instruments that show it."""

    def __init__(self, scenario: Scenario, clock: Clock) -> None:
        self.clock = clock
        self.plant = Plant(scenario)
        self.readings = Readings(scenario, self.plant)
        self._origin_ns: int | None = None

    def begin(self) -> None:
        """Start the script; does nothing when it has started."""
        if self._origin_ns is None:
            self._origin_ns = self.clock.mono_ns()

    def advance(self, time_s: float) -> list[Timed]:
        """Play up to `time_s`; nothing before the script has begun."""
        return [] if self._origin_ns is None else self.plant.advance(time_s)

    def script_s(self) -> float:
        """0 until the script begins; not beyond its end."""
        if self._origin_ns is None:
            return 0.0
        return min((self.clock.mono_ns() - self._origin_ns) / NS, self.plant.script.length_s)

    def instruments(self, kind: str, folder: Path) -> list[Instrument]:
        """Those on wires of their own, unplugged."""
        made: list[Instrument] = []
        for name in self.readings.scenario.uses:
            match name:
                case VacuumGauge.name:
                    made.append(VacuumGauge(self.readings, wire(kind, folder, name)))
                case TankScale.name:
                    made.append(TankScale(self.readings, wire(kind, folder, name)))
                case Ohmmeter.name:
                    made.append(Ohmmeter(self.readings, wire(kind, folder, name), self.script_s))
                case Transmitters.name:
                    made.append(Transmitters(self.readings, wire(kind, folder, name, scheme="rtu+tcp")))
        return made


async def run(
    scenario: Scenario,
    *,
    clock: Clock,
    broker: str | None,
    config_out: Path,
    bench_name: str = "demo",
    wires: str = "",
    on_ready: Callable[[], None] = _nothing,
    on_finished: Callable[[], None] = _nothing,
    start: asyncio.Event | None = None,
    on_turn: Callable[[int], None] | None = None,
) -> None:
    """Runs until cancelled. `broker` is HOST:PORT; without it one is embedded. `wires` is "pty", "sockets", or "" for the best.

    Writes `config_out` and, beside it, `*.session.json`; then calls `on_ready`. The script begins when `start` is set (at once
    without it) and `on_finished` is called at its end; `on_turn` after each turn, with the instant (ns) when the next is due. Raises BadInput for what cannot be run, EnvironmentFailed without broker.
    """
    kind = wires or best_kind()
    if kind not in KINDS:
        raise BadInput(f"wires {wires!r}", where="--wires", right=f"one of: {', '.join(KINDS)}")
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # silence on a bus is part of the scene
    async with AsyncExitStack() as stack:
        address = parse_address(broker) if broker else await stack.enter_async_context(embedded_broker())
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="baytrace-")))
        stage = Stage(scenario, clock)
        instruments = stage.instruments(kind, folder)
        for instrument in instruments:
            stack.push_async_callback(instrument.stop)
            await instrument.start()
        publisher = await stack.enter_async_context(Publisher(address, f"baytrace-sim-{bench_name}"))
        await publisher.first_connection()
        show = Show(stage, instruments, Probes(stage.readings, clock, bench_name, address.url), publisher)
        _write_files(
            scenario, config_out, bench=bench_name, url=address.url, tables=show.tables(), wall_ns=clock.wall_ns()
        )
        on_ready()
        await show.play(f"baytrace/{bench_name}/mark", start, on_finished, on_turn or _none_due)


def _write_files(
    scenario: Scenario, config: Path, *, bench: str, url: str, tables: Mapping[str, Any], wall_ns: int
) -> None:  # fmt: skip
    today = utc_day(wall_ns)
    request = json.dumps(session_request(scenario), indent=2, ensure_ascii=False)
    try:
        config.write_text(bench_toml(bench, url, tables, today, vehicle_preset(scenario)), encoding="utf-8")
        session_file(config).write_text(request + "\n", encoding="utf-8")
    except OSError as error:
        raise BadInput(
            f"cannot be written ({error.strerror})", where=str(config), right="name a file in a directory that exists"
        ) from None


@dataclass
class Show:
    """The script played on the instruments, turn by turn."""

    stage: Stage
    instruments: Sequence[Instrument]
    probes: Probes
    publisher: Publisher

    def tables(self) -> dict[str, dict[str, Any]]:
        """The `[[instrument]]` tables of all that can be read, by name."""
        return {instrument.name: instrument.tables() for instrument in self.instruments} | self.probes.tables()

    async def play(
        self,
        mark_topic: str,
        start: asyncio.Event | None,
        on_finished: Callable[[], None],
        on_turn: Callable[[int], None],
    ) -> None:
        clock, told = self.stage.clock, False
        due_ns = clock.mono_ns()
        while True:
            if start is None or start.is_set():
                self.stage.begin()
            for deed in await self._turn():
                mark = {"text": deed.mark, "who": "sim", "time": format_instant(clock.wall_ns(), 3)}
                self.publisher.say(mark_topic, json.dumps(mark).encode())
            if not told and self.stage.plant.finished:
                told = True
                on_finished()
            # turns that were missed are left out, as an instrument leaves out what nobody could hear
            due_ns = max(due_ns + int(_TURN_S * NS), clock.mono_ns())
            on_turn(due_ns)
            await clock.sleep(max((due_ns - clock.mono_ns()) / NS, 0.0))

    async def _turn(self) -> list[Timed]:
        """The plant up to now, each instrument's word; the deeds that have a mark."""
        time_s = self.stage.script_s()
        done = self.stage.advance(time_s)
        for instrument in self.instruments:
            await instrument.turn(time_s)
        for topic, payload in self.probes.payloads(time_s):
            self.publisher.say(topic, payload)
        return [deed for deed in done if deed.mark]
