"""Each simulated instrument, read directly with the library a stranger would use, on the wire it is on."""

import asyncio
import contextlib
import json
import math
import re
import struct
import sys
import time
import tomllib
from datetime import date, timedelta

import aiomqtt
import pytest
import serial
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from baytrace.measure.clock import FastClock
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace_sim.runner import run
from baytrace_sim.scenario import Disturbance, scenario_named
from baytrace_sim.script import Step

RATE = 60.0
KINDS = ["sockets"] if sys.platform == "win32" else ["pty", "sockets"]
SHORT = [Step(do="wait", for_s=3600)]


class Running:
    """The simulator while a test talks to it."""

    def __init__(self, folder, clock, start):
        self.config, self.clock, self.start = folder / "bench.toml", clock, start
        self.finished = asyncio.Event()

    @property
    def bench(self):
        return tomllib.loads(self.config.read_text(encoding="utf-8"))

    def instrument(self, name):
        return next(table for table in self.bench["instrument"] if table["name"] == name)

    @property
    def broker(self):
        host, _, port = self.bench["mqtt"]["url"].removeprefix("mqtt://").partition(":")
        return {"hostname": host, "port": int(port), "protocol": aiomqtt.ProtocolVersion.V311}


@contextlib.asynccontextmanager
async def playing(tmp_path, *, name="healthy", wires=KINDS[0], rate=RATE, begun=True, **changes):
    scenario = scenario_named(name).model_copy(update=changes)
    clock, start, ready = FastClock(rate, time.time_ns()), asyncio.Event(), asyncio.Event()
    running = Running(tmp_path, clock, start)
    if begun:
        start.set()
    task = asyncio.create_task(
        run(
            scenario,
            clock=clock,
            broker=None,
            config_out=running.config,
            bench_name="bay9",
            wires=wires,
            start=start,
            on_ready=ready.set,
            on_finished=running.finished.set,
        )
    )
    waiting = asyncio.create_task(ready.wait())
    await asyncio.wait([task, waiting], timeout=20, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    try:
        if task.done():
            task.result()
        assert ready.is_set()
        yield running
    finally:
        task.cancel()
        await asyncio.gather(task, waiting, return_exceptions=True)


def lines_from(port, count, *, skip=1, patience_s=10.0):
    """Whole lines read with pyserial (blocking)."""
    found = []
    with serial.serial_for_url(port, baudrate=9600, timeout=2.0) as wire:
        end = time.monotonic() + patience_s
        while len(found) < count + skip and time.monotonic() < end:
            line = wire.readline()
            if line.endswith(b"\n"):
                found.append(line)
    return found[skip:]


def asked(port, *questions):
    """Answers of a meter, asked one question after another with pyserial (blocking)."""
    with serial.serial_for_url(port, baudrate=9600, timeout=2.0) as wire:
        answers = []
        for question in questions:
            wire.write(question.encode() + b"\n")
            if "?" in question:
                answers.append(wire.readline().decode().strip())
        return answers


@pytest.mark.parametrize("wires", KINDS)
async def test_the_vacuum_gauge_streams_lines_with_a_true_checksum(tmp_path, wires):
    """`$VAC,number,unit*HH`: the number is the day's atmosphere in micron, HH the exclusive-or between $ and *."""
    async with playing(tmp_path, wires=wires, step=SHORT) as sim:
        lines = await asyncio.to_thread(lines_from, sim.instrument("vacuum gauge")["port"], 5)
    assert len(lines) == 5
    for line in lines:
        found = re.fullmatch(rb"\$(VAC,(\d{6}),micron)\*([0-9A-F]{2})\r\n", line)
        assert found, line
        total = 0
        for byte in found[1]:
            total ^= byte
        assert total == int(found[3], 16)
        assert int(found[2]) * 0.133322 == pytest.approx(100_600.0, rel=0.05)


async def test_the_gauge_says_over_beyond_its_range(tmp_path):
    """A number that cannot be shown is a word, never a wrong number."""
    scenario = scenario_named("healthy")
    channel = dict(scenario.channel)
    role = next(role for role in channel if role == "system_pressure")
    channel[role] = channel[role].model_copy(update={"high": 20_000.0})
    async with playing(tmp_path, step=SHORT, channel=channel) as sim:
        lines = await asyncio.to_thread(lines_from, sim.instrument("vacuum gauge")["port"], 2)
    assert all(line.startswith(b"$VAC,OVER,micron*") for line in lines)


@pytest.mark.parametrize("wires", KINDS)
async def test_the_tank_scale_prints_its_mass(tmp_path, wires):
    """`ST,+grams,g` about the tank's mass."""
    async with playing(tmp_path, wires=wires, step=SHORT) as sim:
        lines = await asyncio.to_thread(lines_from, sim.instrument("tank scale")["port"], 4)
    for line in lines:
        found = re.fullmatch(rb"(ST|US),([+-]\d{6}),g\r\n", line)
        assert found, line
        assert int(found[2]) == pytest.approx(8400, abs=5)


@pytest.mark.parametrize("wires", KINDS)
async def test_the_ohmmeter_speaks_scpi(tmp_path, wires):
    """Identity, open as 9.9E37, an unknown header in the error queue once, `*CLS` clears it, `;` joins queries."""
    async with playing(tmp_path, wires=wires, step=SHORT) as sim:
        port = sim.instrument("ohmmeter")["port"]
        answers = await asyncio.to_thread(
            asked, port, "*IDN?", "MEAS:RES?", "SYST:ERR?", "FROB", "SYST:ERR?", "SYST:ERR?", "FROB", "*CLS", "SYST:ERR?",
            "*OPC?;READ?",
        )  # fmt: skip
    identity, opened, quiet, wrong, emptied, cleared, joined = answers
    assert len(identity.split(",")) == 4
    assert float(opened) == 9.9e37
    assert quiet == emptied == cleared == '0,"No error"'
    assert wrong.startswith("-113,")
    assert joined.split(";")[0] == "1"
    assert float(joined.split(";")[1]) == 9.9e37


async def test_the_ohmmeter_reads_a_touched_coil(tmp_path):
    """With the leads on a coil for long the meter reads it: 12.1 ohm at 20 degC, warm copper and leads included."""
    script = [Step(do="coil", coil=1, for_s=3000)]
    async with playing(tmp_path, name="bad-coil", step=script) as sim:
        await sim.clock.sleep(30.0)
        [answer] = await asyncio.to_thread(asked, sim.instrument("ohmmeter")["port"], "MEAS:RES?")
    expected = 12.05 * (1.0 + 0.00393 * (31.0 - 20.0)) + 0.12
    assert float(answer) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("wires", KINDS)
async def test_two_transmitters_answer_on_one_modbus_bus(tmp_path, wires):
    """Unit 1 gives a float of bar, unit 2 signed hundredths; a third unit is silent and writing is refused."""
    async with playing(tmp_path, wires=wires, name="weak-compressor", step=SHORT) as sim:
        port = sim.instrument("pressure transmitters")["port"]
        if port.startswith("rtu+tcp://"):
            host, number = port.removeprefix("rtu+tcp://").split(":")
            client = AsyncModbusTcpClient(host, port=int(number), framer=FramerType.RTU, timeout=2, retries=0)
        else:
            client = AsyncModbusSerialClient(port, baudrate=19200, timeout=2, retries=0)
        assert await client.connect()
        low = await client.read_holding_registers(0, count=2, device_id=1)
        high = await client.read_holding_registers(0, count=1, device_id=2)
        refused = await client.write_register(0, 5, device_id=2)
        client.close()
    low_bar = struct.unpack(">f", struct.pack(">2H", *low.registers))[0]
    high_bar = struct.unpack(">h", struct.pack(">H", *high.registers))[0] * 0.01
    # standing at 33 degC: saturation of R134a is 8.39 bar absolute (Tillner-Roth and Baehr), 7.38 bar gauge
    assert low_bar == pytest.approx(7.38, abs=0.15)
    assert high_bar == pytest.approx(7.38, abs=0.15)
    assert refused.isError()


async def test_probes_publish_senml_json_and_a_plain_number(tmp_path):
    """Clamps send a SenML pack with absolute time, the room sensor JSON with its time, the vent thermometer a number."""
    async with playing(tmp_path, step=SHORT) as sim:
        heard = {}
        async with aiomqtt.Client(**sim.broker) as client:
            await client.subscribe("shop/#")
            async for message in client.messages:
                heard[str(message.topic).rpartition("/")[2]] = bytes(message.payload)
                if len(heard) == 3:
                    break
        now_s = sim.clock.wall_ns() / 1e9
    pack = json.loads(heard["clamp-thermometers"])
    assert pack[0]["bn"] == "shop/bay9/"
    assert pack[0]["bu"] == "Cel"
    assert pack[0]["bt"] == pytest.approx(now_s, abs=120.0)
    assert {record["n"] for record in pack} == {
        "suction",
        "liquid",
        "discharge",
        "system-temperature",
        "coil-temperature",
    }
    assert all(isinstance(record["v"], float) for record in pack)
    room = json.loads(heard["room-sensor"])
    assert room["pressure"] == pytest.approx(1006.0, abs=1.0)
    assert room["temperature"] == pytest.approx(33.0, abs=1.0)
    assert 50.0 < room["humidity"] < 70.0
    assert room["time"].endswith("Z")
    assert float(heard["vent-thermometer"]) == pytest.approx(33.0, abs=1.0)


async def test_marks_are_said_and_the_end_is_told(tmp_path):
    """The technician's marks come on the bench's topic in order; at the end of the script `on_finished` is called."""
    script = [Step(do="wait", for_s=30), Step(do="pump on", for_s=60), Step(do="isolate", for_s=30)]
    async with playing(tmp_path, step=script, begun=False) as sim, aiomqtt.Client(**sim.broker) as client:
        await client.subscribe("baytrace/bay9/mark", qos=1)
        assert not sim.finished.is_set()
        sim.start.set()
        marks = []
        async for message in client.messages:
            marks.append(json.loads(message.payload))
            if len(marks) == 2:
                break
        await asyncio.wait_for(sim.finished.wait(), 10.0)
    assert [mark["text"] for mark in marks] == ["pump on", "isolated"]
    assert {mark["who"] for mark in marks} == {"sim"}


async def test_the_plant_waits_for_its_start_and_stays_up_after_the_end(tmp_path):
    """Until told the gauge shows the atmosphere; after the script the instruments go on."""
    script = [Step(do="pump on", for_s=240)]
    async with playing(tmp_path, step=script, begun=False) as sim:
        port = sim.instrument("vacuum gauge")["port"]
        [before] = await asyncio.to_thread(lines_from, port, 1)
        sim.start.set()
        await asyncio.wait_for(sim.finished.wait(), 20.0)
        [after] = await asyncio.to_thread(lines_from, port, 1)
    assert int(before.split(b",")[1]) > 500_000
    assert int(after.split(b",")[1]) < 2_000


@pytest.mark.parametrize("wires", KINDS)
async def test_an_unplugged_gauge_is_gone_and_comes_back_by_the_same_name(tmp_path, wires):
    """While unplugged the port cannot be opened; plugged in again it speaks under its old name."""
    pulled = [Disturbance(kind="unplug", instrument="vacuum gauge", at_s=60, for_s=120)]
    async with playing(tmp_path, wires=wires, step=SHORT, disturbance=pulled, begun=False) as sim:
        port = sim.instrument("vacuum gauge")["port"]
        assert await asyncio.to_thread(lines_from, port, 1)
        sim.start.set()
        await sim.clock.sleep(100.0)
        with pytest.raises(serial.SerialException):
            serial.serial_for_url(port, timeout=1.0)
        await sim.clock.sleep(120.0)
        assert await asyncio.to_thread(lines_from, port, 2)


async def test_disturbed_lines_are_what_they_are_said_to_be(tmp_path):
    """Garbage holds no line of the gauge, a bad checksum does not fit its line, silence is silence."""
    span = {"instrument": "vacuum gauge", "at_s": 0, "for_s": 4000}
    shape = re.compile(rb"\$(VAC,\d{6},micron)\*([0-9A-F]{2})\r\n")
    for kind in ("garbage", "bad checksum", "silence"):
        folder = tmp_path / kind.replace(" ", "-")
        folder.mkdir()
        async with playing(folder, step=SHORT, disturbance=[Disturbance(kind=kind, **span)]) as sim:
            port = sim.instrument("vacuum gauge")["port"]
            lines = await asyncio.to_thread(lines_from, port, 3, patience_s=1.0)
        if kind == "garbage":
            assert not any(shape.search(line) for line in lines)
        elif kind == "silence":
            assert not lines
        else:
            assert lines
            for line in lines:
                found = shape.fullmatch(line)
                assert found, line
                total = 0
                for byte in found[1]:
                    total ^= byte
                assert total != int(found[2], 16)


async def test_the_written_configuration_is_whole(tmp_path):
    """TOML with every instrument in use, none overdue, no elevation (there is a barometer), and a session beside it."""
    async with playing(tmp_path, step=SHORT) as sim:
        bench = sim.bench
        request = json.loads((tmp_path / "bench.session.json").read_text(encoding="utf-8"))
    scenario = scenario_named("healthy")
    assert bench["bench"]["name"] == "bay9"
    assert "elevation_m" not in bench["bench"]
    assert {table["name"] for table in bench["instrument"]} == set(scenario.uses)
    today = date.today()  # noqa: DTZ011 - calendar dates of the shop
    for table in bench["instrument"]:
        assert table["calibrated"] < today < table["due"] - timedelta(days=60)
        assert table["certificate"]
        assert all({"name", "role", "unit", "accuracy", "period_s"} <= set(channel) for channel in table["channel"])
    roles = [channel["role"] for table in bench["instrument"] for channel in table["channel"]]
    assert len(roles) == len(set(roles)) == 14
    assert request["plan"] == scenario.plan
    assert request["label_g"] == 560.0
    assert request["refrigerant"] == "R134a"


async def test_the_bench_accepts_and_reads_what_was_written(tmp_path):
    """The product's own configuration check finds no fault, and its adapters read every channel at a plausible value."""
    from baytrace.adapter import Collector
    from baytrace.bench.config import load_config

    async with playing(tmp_path, step=SHORT) as sim:
        config = load_config(sim.config)
        sinks = {plan.name: Collector(sim.clock) for plan in config.instruments}
        tasks = [
            asyncio.create_task(plan.adapter(plan.name, plan.settings, plan.requests, sinks[plan.name]).run())
            for plan in config.instruments
        ]
        wanted = {channel.name for channel in config.channels}
        end = time.monotonic() + 15.0
        while time.monotonic() < end:
            heard = {raw.channel: raw.value for sink in sinks.values() for raw in sink.raws}
            if set(heard) == wanted:
                break
            await asyncio.sleep(0.05)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    assert set(heard) == wanted
    assert math.isinf(heard["coil_resistance"])
    assert heard["tank_mass"] == pytest.approx(8400.0, abs=5.0)
    assert heard["low_side"] == pytest.approx(0.0, abs=0.1)
    assert heard["vent_air"] == pytest.approx(33.0, abs=1.0)
    assert not [sink.rejects for sink in sinks.values() if sink.rejects]


async def test_a_wrong_broker_or_wire_is_told_plainly(tmp_path):
    """A broker that is not there, an address that is none, an unknown kind of wire."""
    scenario = scenario_named("bad-coil")
    clock = FastClock(RATE, time.time_ns())
    common = {"clock": clock, "config_out": tmp_path / "bench.toml"}
    with pytest.raises(BadInput, match="HOST:PORT"):
        await run(scenario, broker="nowhere", **common)
    with pytest.raises(BadInput, match="wires"):
        await run(scenario, broker=None, wires="strings", **common)
    with pytest.raises(EnvironmentFailed, match="no MQTT broker"):
        await run(scenario, broker="127.0.0.1:9", **common)
