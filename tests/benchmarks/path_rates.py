# ruff: noqa: T201 - what it prints is the result
"""Durable readings a second and CPU seconds by path, beside what a user would wire together instead.

    python tests/benchmarks/path_rates.py [--scale 1.0] [--rounds 3] [--only mqtt,pack10,pack100,serial,modbus]

Method. Every way is a process of its own, started fresh; rows are counted on disk while it works (a read-only connection to its
database, ten looks a second), never by what it says of itself. For MQTT a mosquitto without a limit on its queue holds a backlog
for the subscriber's kept session (QoS 1); then the subscriber comes and works it off. Rate: all rows over the time from the last
look that saw none to the first that saw them all, so that starting up is left out. CPU: the seconds the process itself took in
that time (user and system, its children too), a hundred thousand rows. Serial: a writer keeps a pseudo-terminal full of lines. Modbus:
a pymodbus server in a process of its own is asked as often as it answers, ten registers as ten readings.

The ways: `baytrace` is the daemon as a shop runs it (`baytrace serve`: journal with fsync, chain, SI, watches, alarms, pages).
`commit each` and `batch` are scripts of twenty lines: aiomqtt (or pyserial, or pymodbus) and sqlite3, one commit a message with
SQLite's defaults, or one every 100 ms with WAL and synchronous=FULL. `influx` is aiomqtt into influxdb-client (its default,
batching) into a VictoriaMetrics; its rows are counted by the server. The plain ways acknowledge before anything is on disk.

Ways alternate within a round; medians of the rounds are told, and the ratio to the fastest plain way. Compare within one run only:
disks and neighbours differ. The load of the machine is told with the result, the goal beside its figure.
"""

import argparse
import asyncio
import contextlib
import json
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import psutil

from servers import Mosquitto, free_port, need, pseudo_terminal, publisher

CLIENT = "baytrace-probes"
TOPIC = "bay/probe"
CHANNELS = 10
LOOK_S = 0.1
QUIET_S = 20.0
PACKS_GOAL, RESIDENT_GOAL_MB = 500_000, 100


# ---------------------------------------------------------------------- plain ways, run as `--way NAME`


class Table:
    """A user's table: one commit a message, or one every 100 ms."""

    def __init__(self, file, *, batch):
        self._db = sqlite3.connect(file, isolation_level=None)
        if batch:
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
        self._db.execute("CREATE TABLE IF NOT EXISTS r(channel TEXT, value REAL, wall_ns INTEGER)")
        self._batch, self._rows, self._due = batch, [], 0.0

    def add(self, rows):
        self._rows += rows
        if not self._batch or time.monotonic() >= self._due:
            self.flush()

    def flush(self):
        if self._rows:
            self._db.execute("BEGIN")
            self._db.executemany("INSERT INTO r VALUES(?, ?, ?)", self._rows)
            self._db.execute("COMMIT")
            self._rows, self._due = [], time.monotonic() + 0.1


def rows_of(payload):
    """A plain number, or a SenML pack read as json reads it."""
    if payload[:1] == b"[":
        base = 0.0
        rows = []
        for record in json.loads(payload):
            base = record.get("bt", base)
            rows.append((record["n"], record["v"], int((base + record.get("t", 0.0)) * 1e9)))
        return rows
    return [("probe", float(payload), time.time_ns())]


async def by_aiomqtt(port, take, idle):
    import aiomqtt

    async with aiomqtt.Client("127.0.0.1", port, identifier=CLIENT, clean_session=False) as client:
        await client.subscribe(TOPIC, qos=1)

        async def ticking():
            while True:
                await asyncio.sleep(0.1)
                idle()

        ticks = asyncio.create_task(ticking())
        async for message in client.messages:
            take(message.payload)
        ticks.cancel()


def plain_mqtt(file, port, *, batch):
    table = Table(file, batch=batch)
    asyncio.run(by_aiomqtt(port, lambda payload: table.add(rows_of(payload)), table.flush))


def plain_influx(url, port):
    from influxdb_client import InfluxDBClient, Point, WritePrecision

    client = InfluxDBClient(url, token="none", org="none")
    writing = client.write_api()

    def take(payload):
        writing.write(
            "bench",
            record=[
                Point("reading").tag("channel", name).field("value", value).time(wall_ns, WritePrecision.NS)
                for name, value, wall_ns in rows_of(payload)
            ],
        )

    asyncio.run(by_aiomqtt(port, take, lambda: None))


def plain_serial(file, port, *, batch):
    import serial

    table = Table(file, batch=batch)
    with serial.Serial(port, timeout=0.1) as wire:
        while True:
            line = wire.readline()
            if line:
                table.add([("probe", float(line), time.time_ns())])
            else:
                table.flush()


def plain_modbus(file, port, *, batch):
    from pymodbus.client import ModbusTcpClient

    table = Table(file, batch=batch)
    client = ModbusTcpClient("127.0.0.1", port=port)
    client.connect()
    while True:
        answer = client.read_holding_registers(0, count=CHANNELS, device_id=1)
        table.add([(f"c{i}", float(value), time.time_ns()) for i, value in enumerate(answer.registers)])


def serve_modbus(port):
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    async def serve():
        devices = [SimDevice(id=1, simdata=[SimData(0, values=list(range(CHANNELS)), datatype=DataType.REGISTERS)])]
        server = ModbusTcpServer(devices, address=("127.0.0.1", port))
        await server.serve_forever()

    asyncio.run(serve())


def run_way(arguments):
    way, where, port = arguments
    match way:
        case "modbus-server":
            serve_modbus(int(port))
        case "influx":
            plain_influx(where, int(port))
        case _:
            kind, style = way.split("-")
            plain = {"mqtt": plain_mqtt, "serial": plain_serial, "modbus": plain_modbus}[kind]
            plain(where, port if kind == "serial" else int(port), batch=style == "batch")


# ---------------------------------------------------------------------- the daemon


def bench_toml(folder, instrument):
    file = folder / "bench.toml"
    file.write_text(
        f'[bench]\nname = "b"\nelevation_m = 0\n[web]\nport = {free_port()}\n{instrument}', encoding="utf-8"
    )
    return file


def mqtt_instrument(port, kind):
    text = f'[[instrument]]\nname = "probes"\nadapter = "mqtt"\nurl = "mqtt://127.0.0.1:{port}"\n'
    if kind == "mqtt":
        return text + f'[[instrument.channel]]\nname = "probe"\nrole = "auxiliary"\nunit = "V"\ntopic = "{TOPIC}"\n'
    for i in range(CHANNELS):
        text += f'[[instrument.channel]]\nname = "c{i}"\nrole = "auxiliary"\nunit = "V"\ntopic = "{TOPIC}"\nformat = "senml"\n'
    return text


def line_instrument(port):
    return (
        f'[[instrument]]\nname = "meter"\nadapter = "line"\nport = "{port}"\n'
        '[[instrument.channel]]\nname = "probe"\nrole = "auxiliary"\nunit = "V"\nfield = 0\n'
    )


def modbus_instrument(port):
    text = f'[[instrument]]\nname = "plc"\nadapter = "modbus"\nport = "tcp://127.0.0.1:{port}"\ninterval_s = 0.0001\n'
    for i in range(CHANNELS):
        text += (
            f'[[instrument.channel]]\nname = "c{i}"\nrole = "auxiliary"\nunit = "V"\naddress = {i}\ntype = "uint16"\n'
        )
    return text


# ---------------------------------------------------------------------- counting


def journal_rows(folder):
    def count():
        with contextlib.closing(
            sqlite3.connect(f"file:{folder}/journal/journal.sqlite?mode=ro", uri=True, timeout=0.5)
        ) as db:
            staged = db.execute("SELECT coalesce(sum(readings), 0) FROM commits").fetchone()[0]
            return staged + db.execute("SELECT coalesce(sum(readings), 0) FROM blocks").fetchone()[0]

    return count


def table_rows(file):
    def count():
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=0.5)) as db:
            return db.execute("SELECT coalesce(max(rowid), 0) FROM r").fetchone()[0]

    return count


def server_rows(url):
    def count():
        with urllib.request.urlopen(f"{url}/metrics", timeout=5) as answer:
            for line in answer.read().decode().splitlines():
                if line.startswith('vm_rows_inserted_total{type="influx"}'):
                    return int(float(line.split()[-1]))
        return 0

    return count


def cpu_s(process):
    total = 0.0
    for one in [process, *process.children(recursive=True)]:
        with contextlib.suppress(psutil.Error):
            times = one.cpu_times()
            total += times.user + times.system
    return total


def watched(command, count, total, within_s):
    """(rows a second, CPU s a 100,000 rows, peak MB) of a process until `total` rows are on disk or none come any more."""
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as program:
        process = psutil.Process(program.pid)
        first = last = None
        peak, end = 0, time.monotonic() + within_s
        try:
            while time.monotonic() < end and (last is None or last[1] < total):
                time.sleep(LOOK_S)
                if program.poll() is not None:
                    break
                try:
                    rows = count()
                except (sqlite3.Error, OSError) as error:
                    if "locked" in str(error):
                        continue
                    rows = 0  # nothing there yet
                look = (time.monotonic(), rows, cpu_s(process))
                peak = max(peak, process.memory_info().rss)
                if not rows or first is None:
                    first = look
                if rows and (last is None or rows > last[1]):
                    last = look
                elif last is not None and look[0] - last[0] > QUIET_S:
                    break
        finally:
            program.terminate()
            try:
                program.wait(20)
            except subprocess.TimeoutExpired:
                program.kill()
    if first is None or last is None:
        return 0.0, 0.0, peak / 1e6, 0 if last is None else last[1]
    rows = last[1] - first[1]
    if not rows:
        return 0.0, 0.0, peak / 1e6, last[1]
    return rows / (last[0] - first[0]), (last[2] - first[2]) / rows * 1e5, peak / 1e6, last[1]


# ---------------------------------------------------------------------- the paths


def payloads(kind, messages):
    now = 1_764_061_200
    for index in range(messages):
        if kind == "mqtt":
            yield f"{20 + index % 977 / 100}"
        else:
            each = 10 if kind == "pack10" else 100
            records = [
                {
                    "n": f"c{i % CHANNELS}",
                    "v": round(20 + (index + i) % 977 / 100, 2),
                    "t": round(i // CHANNELS * 0.1, 1),
                }
                for i in range(each)
            ]
            records[0] = {"bt": now + index * max(1, each // 100), **records[0]}
            yield json.dumps(records, separators=(",", ":"))


@contextlib.contextmanager
def backlog(kind, messages):
    """A broker that holds `messages` for the subscriber's session; yields its port."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(folder, lines=["max_queued_messages 0", "max_inflight_messages 1000"]).start()
        try:
            subscribe = [
                need("mosquitto_sub"),
                "-p",
                str(broker.port),
                "-i",
                CLIENT,
                "-c",
                "-q",
                "1",
                "-t",
                TOPIC,
                "-E",
            ]
            subprocess.run(subscribe, check=True)
            with publisher(broker.port) as one:
                one.publish(TOPIC, *payloads(kind, messages), within_s=300.0)
            yield broker.port
        finally:
            broker.stop()


@contextlib.contextmanager
def victoria(folder):
    port = free_port()
    command = [need("victoria-metrics"), f"-storageDataPath={folder}/vm", f"-httpListenAddr=127.0.0.1:{port}"]
    command += ["-retentionPeriod=100y", "-loggerLevel=ERROR"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as server:
        url = f"http://127.0.0.1:{port}"
        for _ in range(200):
            with contextlib.suppress(OSError):
                urllib.request.urlopen(url + "/health", timeout=1).close()
                break
            time.sleep(0.05)
        try:
            yield url
        finally:
            server.terminate()


def command(way, where, port):
    return [sys.executable, __file__, "--way", way, str(where), str(port)]


def serve(folder, instrument):
    return [sys.executable, "-m", "baytrace", "serve", "--config", str(bench_toml(folder, instrument))]


def mqtt_path(kind, way, messages, folder):
    total = messages * {"mqtt": 1, "pack10": 10, "pack100": 100}[kind]
    if way == "commit each":
        messages, total = messages // 20, total // 20
    with backlog(kind, messages) as port:
        if way == "baytrace":
            return watched(serve(folder, mqtt_instrument(port, kind)), journal_rows(folder), total, 240)
        if way == "influx":
            with victoria(folder) as url:
                return watched(command("influx", url, port), server_rows(url), total, 240)
        file = folder / "plain.sqlite"
        style = "batch" if way == "batch" else "each"
        return watched(command(f"mqtt-{style}", file, port), table_rows(file), total, 240)


def serial_path(way, lines, folder):
    ended = threading.Event()
    with pseudo_terminal() as terminal:
        block = b"".join(b"%.2f\r\n" % (20 + i % 977 / 100) for i in range(500))

        def write():
            os.set_blocking(terminal.master, True)
            with contextlib.suppress(OSError):
                while not ended.is_set():
                    terminal.write(block)

        total = lines if way != "commit each" else lines // 20
        writer = threading.Thread(target=write, daemon=True)
        writer.start()
        try:
            if way == "baytrace":
                return watched(serve(folder, line_instrument(terminal.name)), journal_rows(folder), total, 120)
            file = folder / "plain.sqlite"
            style = "batch" if way == "batch" else "each"
            return watched(command(f"serial-{style}", file, terminal.name), table_rows(file), total, 120)
        finally:
            ended.set()


def modbus_path(way, rows, folder):
    port = free_port()
    with subprocess.Popen(command("modbus-server", "-", port), stderr=subprocess.DEVNULL) as server:
        time.sleep(1.5)
        try:
            if way == "baytrace":
                return watched(serve(folder, modbus_instrument(port)), journal_rows(folder), rows, 60)
            file = folder / "plain.sqlite"
            style = "batch" if way == "batch" else "each"
            return watched(command(f"modbus-{style}", file, port), table_rows(file), rows, 60)
        finally:
            server.terminate()


PATHS = {
    "mqtt": (("baytrace", "commit each", "batch", "influx"), 60_000, "one reading a message"),
    "pack10": (("baytrace", "commit each", "batch", "influx"), 20_000, "SenML packs of 10"),
    "pack100": (("baytrace", "commit each", "batch", "influx"), 8_000, "SenML packs of 100"),
    "serial": (("baytrace", "commit each", "batch"), 200_000, "lines on a pseudo-terminal"),
    "modbus": (("baytrace", "commit each", "batch"), 20_000, "Modbus TCP, ten registers a request"),
}


def measure(path, way, count):
    with tempfile.TemporaryDirectory() as folder:
        if path == "serial":
            return serial_path(way, count, Path(folder))
        if path == "modbus":
            return modbus_path(way, count, Path(folder))
        return mqtt_path(path, way, count, Path(folder))


def main():
    ask = argparse.ArgumentParser(description="Durable readings a second by path, beside plain scripts.")
    ask.add_argument("--scale", type=float, default=1.0)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--only", default=",".join(PATHS))
    ask.add_argument("--way", nargs=3, help=argparse.SUPPRESS)
    said = ask.parse_args()
    if said.way:
        run_way(said.way)
        return
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; disk of {tempfile.gettempdir()}")
    for path in said.only.split(","):
        ways, count, what = PATHS[path]
        if not shutil.which("victoria-metrics"):
            ways = tuple(way for way in ways if way != "influx")
        found = {way: [] for way in ways}
        for _ in range(said.rounds):
            for way in ways:
                found[way].append(measure(path, way, int(count * said.scale)))
        print(f"{what:<38} rows/s   CPU s per 100k    MB   rows")
        middle = {
            way: [statistics.median(column) for column in zip(*rounds, strict=True)] for way, rounds in found.items()
        }
        for way, (rate, cpu, peak, rows) in middle.items():
            print(f"  {way:<28}{rate:14,.0f}{cpu:14.2f}{peak:10.0f}{rows:12,.0f}")
        best = max((middle[way][0] for way in ways if way != "baytrace"), default=0.0)
        if best:
            print(f"  baytrace / fastest plain way: {middle['baytrace'][0] / best:.2f}")
        if path == "pack100":
            met = middle["baytrace"][0] >= PACKS_GOAL
            print(f"  goal: at least {PACKS_GOAL:,} readings/s: {'met' if met else 'MISSED'}")
        met = middle["baytrace"][2] < RESIDENT_GOAL_MB
        print(f"  goal: less than {RESIDENT_GOAL_MB} MB resident: {'met' if met else 'MISSED'}")
    print(f"load at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
