"""A shop floor under load: `python tests/benchmarks/floor_load.py [--minutes 10] [--benches 100] [--daemons 5]`.

Method. One mosquitto, one VictoriaMetrics, one `baytrace floor`, all real, on this machine. `--benches` simulated benches each
have their own connection to the broker with a last will, publish a SenML pack of `--channels` values once a second (QoS 1) and
their state (retained) as a bench does. `--daemons` real daemons, each with its journal and its forwarder's process, read them:
each daemon stands for benches/daemons benches and reads all their channels. (One daemon a bench needs some 200 MB each with its
forwarder; `--daemons 100` does that where the memory is.) The value of each reading is its number, so that afterwards every
channel at the server must hold 0, 1, 2 ... each exactly once; a gap or a double ends the run with exit 1.

Told: how far the publishers fell behind their schedule, how long after the last reading the last one was confirmed at the server,
commit times, memory and processor time of each part, and whether the floor showed every bench, and one as offline whose
connection was cut. The broker keeps up to 100,000 messages for a client that is behind (`max_queued_messages`; its default of
1,000 is half a second of this load).

Once, on two shared processors with a load average of 22 from other work: 100 benches, 5 daemons, 10 minutes: all 1,200,000
readings at the server once each, the last confirmed 20 s after it was due; the five daemons used 22 % of one processor and
1.4 GB, their forwarders 20 % and 0.8 GB, the server 2.5 % and 98 MB, the broker 1.4 % and 10 MB, the floor 4 % and 147 MB.
"""

# ruff: noqa: T201 - a benchmark tells people
from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baytrace.journal.reader import JournalReader
from baytrace.measure.instant import format_instant
from running_bench import RunningBench
from servers import free_port, mosquitto
from timeserver import TimeServer

TICK = os.sysconf("SC_CLK_TCK")


class Load(NamedTuple):
    benches: int
    channels: int
    daemons: int
    seconds: int

    def of_daemon(self, number: int) -> list[int]:
        return [bench for bench in range(self.benches) if bench % self.daemons == number]


def config_of(load: Load, number: int, broker: int, server: str) -> str:
    """bench.toml of one daemon: an instrument a simulated bench."""
    lines = [f'[bench]\nname = "reader-{number}"\n[forward]\nurl = "{server}"\n']
    for bench in load.of_daemon(number):
        lines.append(
            f'[[instrument]]\nname = "hub of bay-{bench}"\nadapter = "mqtt"\nurl = "mqtt://127.0.0.1:{broker}"\n'
        )
        lines += [
            f'[[instrument.channel]]\nname = "bay-{bench}.c{channel}"\nrole = "auxiliary"\nunit = "V"\n'
            f'topic = "hubs/bay-{bench}"\nformat = "senml"\nsenml_name = "bay-{bench}:c{channel}"\n'
            for channel in range(load.channels)
        ]
    return "".join(lines)


class SimulatedBench:
    """One bench's hub and state at the broker."""

    def __init__(self, number: int, load: Load, broker: int) -> None:
        self.name, self.load, self.behind_s = f"bay-{number}", load, 0.0
        self.client = aiomqtt.Client(
            "127.0.0.1",
            broker,
            identifier=f"{self.name}-hub",
            will=aiomqtt.Will(f"baytrace/{self.name}/state", "offline", qos=1, retain=True),
        )

    def pack(self, turn: int) -> str:
        now = time.time()
        first: dict[str, Any] = {"bn": f"{self.name}:", "bt": now}
        records = [{"n": f"c{channel}", "u": "V", "v": turn} for channel in range(self.load.channels)]
        return json.dumps([first | records[0], *records[1:]])

    def state(self) -> str:
        watch = {
            "watch": "evacuation",
            "phase": "hold",
            "sentence": "holding",
            "verdict": "undecided",
            "time_left_s": 60,
        }
        return json.dumps(
            {
                "state": "online",
                "bench": self.name,
                "time": format_instant(time.time_ns(), 0),
                "session": {"id": "s", "title": f"job at {self.name}", "refrigerant": "R134a"},
                "watches": [watch],
                "alarms": [],
                "stale": [],
                "url": "http://127.0.0.1:8321/",
            }
        )

    async def run(self, begin: float) -> None:
        async with self.client as client:
            for turn in range(self.load.seconds):
                await asyncio.sleep(max(begin + turn - time.monotonic(), 0.0))
                await client.publish(f"hubs/{self.name}", self.pack(turn), qos=1, timeout=60)
                await client.publish(f"baytrace/{self.name}/state", self.state(), qos=1, retain=True, timeout=60)
                self.behind_s = max(self.behind_s, time.monotonic() - begin - turn)
            if self.name == "bay-0":
                # cut without a farewell, as a bench that loses its power
                client._client.socket().shutdown(2)
                with contextlib.suppress(aiomqtt.MqttError):
                    await client._disconnected
                return
            await asyncio.sleep(20)


def fetched(url: str) -> Any:
    with urllib.request.urlopen(url, timeout=30) as answer:
        return json.loads(answer.read())


def used(pid: int) -> tuple[float, float]:
    """(processor seconds, MB) of a process so far."""
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(stat[11]) + int(stat[12])) / TICK, int(stat[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def children(pid: int) -> list[int]:
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    return [int(each) for each in text.split()]


def confirmed(readers: list[RunningBench], total: int) -> bool:
    return sum(reader.get("/api/bench")["forward"]["confirmed"] for reader in readers) >= total


def check(load: Load, server: TimeServer) -> bool:
    """Whether every channel at the server holds each number exactly once."""
    urllib.request.urlopen(server.url + "/internal/force_flush").close()
    expected = list(range(load.seconds))
    good = channels = readings = 0
    for number in range(load.daemons):
        match = f'{{__name__="reading_value",bench="reader-{number}"}}'
        query = urllib.parse.urlencode({"match[]": match, "start": "1970-01-01T00:00:00Z"})
        values: dict[str, list[float]] = {}
        with urllib.request.urlopen(f"{server.url}/api/v1/export?{query}") as answer:
            for line in answer:
                row = json.loads(line)
                values.setdefault(row["metric"]["channel"], []).extend(row["values"])
        channels += len(values)
        readings += sum(map(len, values.values()))
        good += sum(sorted(got) == expected for got in values.values())
    wanted = load.benches * load.channels
    print(f"at the server: {readings:,} readings of {channels} channels; {good} of {wanted} hold every number once")
    return good == wanted


def in_journals(readers: list[RunningBench]) -> None:
    """What the daemons stored, so that a difference at the server can be told from one before it."""
    count = lost = 0
    for reader in readers:
        with JournalReader(reader.folder / "journal") as journal:
            count += sum(len(chunk.seq) for chunk in journal.columns())
            links = journal.events(kinds=("instrument",))
            lost += sum(event.data.get("state") == "lost" for event in links)
    print(f"in the journals: {count:,} readings; {lost} connections to the broker were lost on the way")


def tell(readers: list[RunningBench], processes: dict[str, list[int]], seconds: float) -> None:
    for name, pids in processes.items():
        spent = [used(pid) for pid in pids]
        cpu, memory = sum(each[0] for each in spent), sum(each[1] for each in spent)
        print(f"  {name:12} {len(pids):3}  processor {100 * cpu / seconds:6.1f} % of one, memory {memory:7.0f} MB")
    health = [reader.get("/api/bench")["journal"] for reader in readers]
    middle, high = max(each["commit_p50_ms"] for each in health), max(each["commit_p99_ms"] for each in health)
    print(f"  commits of the slowest daemon: median {middle:.1f} ms, 99 % {high:.1f} ms")


async def publish(load: Load, broker: int) -> tuple[float, list[SimulatedBench]]:
    benches = [SimulatedBench(number, load, broker) for number in range(load.benches)]
    begin = time.monotonic() + 5.0
    runs = [asyncio.create_task(bench.run(begin + number / load.benches)) for number, bench in enumerate(benches)]
    await asyncio.gather(*runs)
    return begin + load.seconds, benches


def floor_ready(url: str, within_s: float = 120.0) -> None:
    end = time.monotonic() + within_s
    while True:
        try:
            if fetched(f"{url}/healthz")["ok"]:
                return
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


def run(load: Load, folder: Path) -> bool:
    port = free_port()
    lines = ("max_queued_messages 100000", "max_connections -1", "sys_interval 1")
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(lines=lines))
        server = TimeServer(folder / "server").start()
        stack.callback(server.stop)
        command = [
            sys.executable,
            "-m",
            "baytrace",
            "floor",
            "--broker",
            f"127.0.0.1:{broker.port}",
            "--port",
            str(port),
        ]
        floor = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        stack.callback(lambda: (floor.terminate(), floor.wait(20)))
        readers = []
        for number in range(load.daemons):
            place = folder / f"reader-{number}"
            place.mkdir()
            reader = RunningBench(place, config_of(load, number, broker.port, server.url))
            reader.launch()
            stack.callback(reader.stop)
            readers.append(reader)
        for reader in readers:
            reader.wait_up(300)
        floor_ready(f"http://127.0.0.1:{port}")
        # every subscription must stand before the first reading: a broker keeps nothing for a stranger
        for reader in readers:
            reader.until(lambda r=reader: all(i["state"] == "up" for i in r.get("/api/bench")["instruments"]), 120)
        daemons = [reader.process.pid for reader in readers]
        processes = {
            "mosquitto": [broker._process.pid],
            "server": [server._process.pid],
            "floor": [floor.pid],
            "daemons": daemons,
            "forwarders": [child for pid in daemons for child in children(pid)],
        }
        print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
        started = time.monotonic()
        seen: dict[str, Any] = {}

        async def all_of_it() -> tuple[float, list[SimulatedBench]]:
            publishing = asyncio.create_task(publish(load, broker.port))
            await asyncio.sleep(5 + load.seconds * 0.9)
            seen.update(await asyncio.to_thread(fetched, f"http://127.0.0.1:{port}/api/floor"))
            return await publishing

        last, benches = asyncio.run(all_of_it())
        online = sum(row["state"] == "online" for row in seen["benches"])
        behind = max(bench.behind_s for bench in benches)
        total = load.benches * load.channels * load.seconds
        print(f"published {total:,} readings in {load.seconds} s; at worst {behind:.2f} s behind schedule")
        while not confirmed(readers, total):
            if time.monotonic() > last + 300:
                print("not everything was confirmed within 300 s")
                break
            time.sleep(0.5)
        print(f"all confirmed at the server {time.monotonic() - last:.1f} s after the last was due")
        tell(readers, processes, time.monotonic() - started)
        in_journals(readers)
        after = {row["bench"]: row["state"] for row in fetched(f"http://127.0.0.1:{port}/api/floor")["benches"]}
        print(f"floor: {online} of {load.benches} benches online while running; bay-0 {after['bay-0']} after its cut")
        return check(load, server) and online == load.benches and after["bay-0"] == "offline"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--benches", type=int, default=100)
    parser.add_argument("--channels", type=int, default=20)
    parser.add_argument("--daemons", type=int, default=5, help="real daemons that read the simulated benches")
    given = parser.parse_args()
    load = Load(given.benches, given.channels, given.daemons, int(given.minutes * 60))
    print(f"{load.benches} benches of {load.channels} channels at 1 Hz, {load.daemons} daemons, {load.seconds} s")
    with tempfile.TemporaryDirectory() as name:
        return 0 if run(load, Path(name)) else 1


if __name__ == "__main__":
    sys.exit(main())
