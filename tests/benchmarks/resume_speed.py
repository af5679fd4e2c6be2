"""How long a bench takes to come back into a running session: `python tests/benchmarks/resume_speed.py [--hours 24]`.

Method. A journal is written as the daemon writes it: 20 channels at 1 Hz (thirteen roles, seven auxiliary), a commit a second,
a heartbeat every 5 s, marks as a technician says them: a pull-down, half an hour of deep vacuum, then a hold that lasts to the
end. Then, in a fresh process a round (page cache warm), the whole start of `Bench.running` is timed up to the moment it serves,
and within it the resuming alone; the first round's watches are compared with a plain replay, item by item. The median of
`--rounds` is told, with the readings a second that come of it. Everything is the machine's own time; a neighbour makes it longer.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from baytrace.bench.config import load_config
from baytrace.bench.daemon import Bench
from baytrace.bench.session import resume, unclosed
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Stored
from baytrace.measure.clock import SystemClock
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event
from baytrace.records.playing import Player

START_NS = 1_764_061_200_000_000_000
SHAPES: dict[str, tuple[str, float, float]] = {
    "low_side": ("kPaa", 350.0, 1.0),
    "high_side": ("kPaa", 1400.0, 4.0),
    "suction_line": ("degC", 9.0, 0.1),
    "liquid_line": ("degC", 41.0, 0.1),
    "discharge_line": ("degC", 78.0, 0.2),
    "vent_air": ("degC", 8.0, 0.1),
    "ambient_air": ("degC", 24.0, 0.05),
    "ambient_humidity": ("%", 48.0, 0.2),
    "system_temperature": ("degC", 23.0, 0.02),
    "tank_mass": ("g", 8_000.0, 1.0),
    "coil_temperature": ("degC", 22.0, 0.05),
    "barometer": ("hPa", 1_012.0, 0.02),
}
AUXILIARY = 7


def bench_toml(folder: Path) -> Path:
    channels = [("system_pressure", "system_pressure", "Pa")]
    channels += [(role, role, unit) for role, (unit, _, _) in SHAPES.items()]
    channels += [(f"aux{index}", "auxiliary", "V") for index in range(AUXILIARY)]
    text = '[bench]\nname = "soak"\n[[instrument]]\nname = "wire"\nadapter = "line"\nport = "/dev/none"\nseparator = ","\naccuracy = "0.5 % of reading"\n'
    for field, (name, role, unit) in enumerate(channels):
        text += f'[[instrument.channel]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\nfield = {field}\n'
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return file


def vacuum_pa(seconds: np.ndarray) -> np.ndarray:
    """Two hours of pull-down to 20 Pa, then a hold that rises a little and levels off."""
    down = 20.0 + 101_000.0 * np.exp(-seconds / 300.0)
    hold = seconds - 7_200.0
    return np.where(hold < 0.0, down, 20.0 + 8.0 * (1.0 - np.exp(-np.maximum(hold, 0.0) / 1_500.0)) + 2e-5 * hold)


def write(folder: Path, hours: float) -> int:
    """The journal of an unfinished session; returns its readings."""
    config = load_config(bench_toml(folder))
    names = [channel.name for channel in config.channels]
    interpreter = Interpreter(config.channels, 100.0)
    interpreter.anchor(START_NS, 10**12)
    chance = np.random.default_rng(1)
    seconds = int(hours * 3600)
    columns = [vacuum_pa(np.arange(seconds)) * (1.0 + 0.002 * chance.standard_normal(seconds))]
    columns += [centre + step * chance.standard_normal(seconds) for _, centre, step in SHAPES.values()]
    columns += [5.0 + 0.01 * np.cumsum(chance.standard_normal(seconds)) for _ in range(AUXILIARY)]
    table = np.round(np.array(columns).T, 3)
    marks = {0: "pump on", 7_200: "isolated"}
    place = np.arange(len(names))
    with open_journal(folder / "journal", clock=SystemClock()) as journal:

        def event(second: int, kind: str, data: dict[str, object]) -> Event:
            return Event(START_NS + second * 10**9, 10**12 + second * 10**9, kind, "s1", data)

        declared = {str(version): channel.to_json() for version, channel in enumerate(config.channels, 1)}
        journal.append(
            [],
            [
                event(0, "channel_declared", {"version": int(v), "channel": c})._replace(session="")
                for v, c in declared.items()
            ],
        ).result()
        plan = {name: {} for name in ("evacuation", "charge", "pressures", "sweep")}
        plan["charge"] = plan["pressures"] = {"refrigerant": "R134a"}
        plan["charge"] = {"refrigerant": "R134a", "label_g": 500.0}
        started = {
            "session": "s1", "title": "a long hold", "vehicle": {}, "refrigerant": "R134a", "label_g": 500.0, "plan": plan,
            "people": [], "fields": {}, "bench": "soak", "channels": declared, "interpreter": interpreter.state(),
        }  # fmt: skip
        journal.append([], [event(0, "session_started", started)]).result()
        for second in range(seconds):
            wall = START_NS + second * 10**9 + np.sort(chance.integers(0, 900_000, len(names))) * 1000
            said = [event(second, "heartbeat", {})] if second % 5 == 0 else []
            if second in marks:
                said.append(event(second, "mark", {"text": marks[second], "who": "Ada"}))
            future = journal.append_columns(
                names, table[second], wall, wall - START_NS + 10**12, place=place, events=said
            )
            if second % 4_096 == 0:
                future.result()
        future.result()
        while journal.health()["sealing_due"]:
            time.sleep(0.05)
    return seconds * len(names)


def plain(journal: JournalReader, started: Event) -> list[str]:
    """What the watches say after a replay item by item."""
    player = Player(started)
    for item in journal.items(after=started.seq):
        if isinstance(item, Stored):
            player.reading(item)
        else:
            player.event(item)
    return [repr(player.status(name)) + repr(player.verdict(name)) for name in started.data["plan"]]


def once(folder: Path, *, compare: bool) -> dict[str, float | bool]:
    """In this process: how long until the session stands again."""
    config = load_config(folder / "bench.toml")
    found: dict[str, float | bool] = {}
    with JournalReader(folder / "journal") as journal:
        started = unclosed(journal)
        begin = time.perf_counter()
        session, _ = resume(journal, started)
        found["resume_s"] = time.perf_counter() - begin
        if compare:
            begin = time.perf_counter()
            said = plain(journal, started)
            found["plain_s"] = time.perf_counter() - begin
            now = [repr(session.watches.status(name)) + repr(session.watches.verdict(name)) for name in session.plan]
            found["same"] = said == now
    import asyncio

    async def start() -> float:
        begin = time.perf_counter()
        async with Bench.running(config):
            return time.perf_counter() - begin

    if not compare:
        found["start_s"] = asyncio.run(start())
    return found


def main() -> None:
    ask = argparse.ArgumentParser(description="How long a bench takes to come back into a running session.")
    ask.add_argument("--hours", type=float, default=24.0)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--once", type=Path, default=None, help=argparse.SUPPRESS)
    ask.add_argument("--compare", action="store_true", help=argparse.SUPPRESS)
    ask.add_argument("--keep", type=Path, default=None, help="make the journal here, or use the one that is here")
    said = ask.parse_args()
    if said.once is not None:
        print(json.dumps(once(said.once, compare=said.compare)))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = said.keep or Path(temporary)
        folder.mkdir(exist_ok=True)
        if not (folder / "journal").exists():
            write(folder, said.hours)
        size = (folder / "journal" / "journal.sqlite").stat().st_size
        count = said.hours * 3600 * (1 + len(SHAPES) + AUXILIARY)
        print(f"{said.hours:g} h, {count:,.0f} readings, {size / 1e6:.1f} MB")

        def run(*more: str) -> dict[str, float]:
            command = [sys.executable, __file__, "--once", str(folder), *more]
            return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)

        first = run("--compare")
        print(f"item by item {first['plain_s']:.1f} s; resumed state is the same to the bit: {first['same']}")
        rounds = [run() for _ in range(said.rounds)]
        for name, what in (("resume_s", "resuming alone"), ("start_s", "whole start until it serves")):
            middle = statistics.median(each[name] for each in rounds)
            print(f"{what}: {middle:.2f} s ({count / middle:,.0f} readings/s)")


if __name__ == "__main__":
    main()
