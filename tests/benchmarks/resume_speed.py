"""How long a bench takes to come back into a running session: `python tests/benchmarks/resume_speed.py [--hours 24]`.

Method. A journal is written as the daemon writes it: 20 channels at 1 Hz (thirteen roles, seven auxiliary), a commit a second,
a heartbeat every 5 s, marks as a technician says them: two hours of pull-down, then a hold that lasts to the end; all four watches
of a job follow, or only those of `--watches` (`evacuation`: a hold left alone for a day). In a fresh process a round (page cache
warm) the resuming alone is timed, and a plain replay, item by item, whose watches must say the same to the bit. In another, the
whole way from the process's creation (imports included) until the bench serves the session. Medians of `--rounds`; CPU seconds
beside them, as neighbours make the rest longer. The goal, 5 s for resuming a day, stands beside its figure; exit 1 when it is missed.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import asyncio
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from baytrace.bench.config import load_config
from baytrace.bench.daemon import Bench
from baytrace.bench.session import resume, unclosed
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Stored
from baytrace.measure.clock import SystemClock
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event
from baytrace.physics.fluid_names import load
from baytrace.records.playing import Player
from baytrace.watches.watch import watches

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
WATCHES = "evacuation,charge,pressures,sweep"
GOAL_S = 5.0


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


def write(folder: Path, hours: float, watched: list[str]) -> int:
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
        settings = {
            "charge": {"refrigerant": "R134a", "label_g": 500.0},
            "pressures": {"refrigerant": "R134a"},
        }
        plan = {name: settings.get(name, {}) for name in watched}
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


def once(folder: Path) -> dict[str, float | bool]:
    """In this process: the session resumed by the daemon's way and item by item."""
    found: dict[str, float | bool] = {}
    watches()  # what is imported on the way is not what is timed
    load()
    with JournalReader(folder / "journal") as journal:
        started = unclosed(journal)
        begin, used = time.perf_counter(), time.process_time()
        session, _ = resume(journal, started)
        found["resume_s"], found["resume_cpu_s"] = time.perf_counter() - begin, time.process_time() - used
        begin = time.perf_counter()
        said = plain(journal, started)
        found["plain_s"] = time.perf_counter() - begin
        now = [repr(session.watches.status(name)) + repr(session.watches.verdict(name)) for name in session.plan]
        found["same"] = said == now
    return found


def start(folder: Path) -> dict[str, float]:
    """In this process: from its creation until the bench stands."""
    config = load_config(folder / "bench.toml")
    found = {"ready_s": time.time() - psutil.Process().create_time(), "ready_cpu_s": time.process_time()}

    async def run() -> None:
        async with Bench.running(config):
            found["start_s"] = time.time() - psutil.Process().create_time()
            found["start_cpu_s"] = time.process_time()

    asyncio.run(run())
    return found


def main() -> None:
    ask = argparse.ArgumentParser(description="How long a bench takes to come back into a running session.")
    ask.add_argument("--hours", type=float, default=24.0)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--watches", default=WATCHES, help="the session's watches, separated by commas")
    ask.add_argument("--once", type=Path, default=None, help=argparse.SUPPRESS)
    ask.add_argument("--compare", action="store_true", help=argparse.SUPPRESS)
    ask.add_argument("--keep", type=Path, default=None, help="make the journal here, or use the one that is here")
    said = ask.parse_args()
    if said.once is not None:
        print(json.dumps(once(said.once) if said.compare else start(said.once)))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = said.keep or Path(temporary)
        folder.mkdir(exist_ok=True)
        if not (folder / "journal").exists():
            write(folder, said.hours, said.watches.split(","))
        size = (folder / "journal" / "journal.sqlite").stat().st_size
        count = said.hours * 3600 * (1 + len(SHAPES) + AUXILIARY)
        print(f"{said.hours:g} h, {count:,.0f} readings, {size / 1e6:.1f} MB; {said.watches}")

        def run(*more: str) -> dict[str, float]:
            command = [sys.executable, __file__, "--once", str(folder), *more]
            return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)

        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        told = [run("--compare") for _ in range(said.rounds)]
        middle = {name: statistics.median(each[name] for each in told) for name in told[0]}
        print(f"item by item, and what the watches then say: {middle['plain_s']:.1f} s")
        rate = count / middle["resume_s"]
        print(f"resuming: {middle['resume_s']:.2f} s ({middle['resume_cpu_s']:.2f} s CPU, {rate:,.0f} readings/s)")
        met = middle["resume_s"] < GOAL_S
        print(f"goal: less than {GOAL_S:g} s: {'met' if met else 'MISSED'}")
        print(f"the same to the bit: {all(each['same'] for each in told)}")
        told = [run() for _ in range(said.rounds)]
        middle = {name: statistics.median(each[name] for each in told) for name in told[0]}
        print(f"process until its configuration is read: {middle['ready_s']:.2f} s ({middle['ready_cpu_s']:.2f} s CPU)")
        print(f"process until it serves the session: {middle['start_s']:.2f} s ({middle['start_cpu_s']:.2f} s CPU)")
        sys.exit(0 if met else 1)


if __name__ == "__main__":
    main()
