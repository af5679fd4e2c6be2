"""Every adapter keeps the house's rules; a new one is held to them without a line here."""

import asyncio
import inspect
import math
import re
import time
import tomllib
from pathlib import Path

import pytest

import baytrace_adapters
from baytrace.adapter import ChannelRequest, Collector, LinkState, adapters
from baytrace.bench.config import parse_config
from baytrace.measure.clock import FastClock, SystemClock
from baytrace.measure.units import parse_unit

ADAPTERS = sorted(adapters())
each = pytest.mark.parametrize("name", ADAPTERS)
MANUAL = Path(__file__).parents[2] / "dashboards/baytrace_dashboards/manual/instruments.md"
BENCH_KEYS = {
    "name",
    "adapter",
    "accuracy",
    "calibrated",
    "due",
    "certificate",
    "period_s",
    "channel",
    "role",
    "unit",
    "gain",
    "offset",
}


def sample(name):
    return tomllib.loads(adapters()[name].sample)["instrument"][0]


def built(name, clock=None, **overrides):
    """The adapter of its own sample."""
    made, table = adapters()[name], sample(name)
    settings = made.Settings(**{key: value for key, value in table.items() if key not in BENCH_KEYS} | overrides)
    channels = [
        ChannelRequest(
            one.get("name", one["role"]),
            one["unit"],
            made.ChannelKeys(**{key: value for key, value in one.items() if key not in BENCH_KEYS}),
        )
        for one in table["channel"]
    ]
    return made("sample", settings, channels, sink := Collector(clock or SystemClock())), sink


def test_the_four_ways_are_found():
    """The product's own adapters are found by walking their package."""
    assert {"line", "scpi", "modbus", "mqtt"} <= set(ADAPTERS)


@each
def test_its_sample_is_a_bench_that_checks(name):
    """The sample is a whole instrument: `check` accepts it as the only one of a bench, and it names this adapter."""
    config, faults = parse_config(adapters()[name].sample, Path("bench.toml"))
    assert not faults
    assert config.instruments[0].adapter is adapters()[name]


@each
def test_it_says_what_it_is_for(name):
    """A one-line summary, a module and a class docstring."""
    made = adapters()[name]
    assert made.summary
    assert "\n" not in made.summary
    assert inspect.getdoc(made)
    assert inspect.getdoc(inspect.getmodule(made))


@each
def test_every_key_is_described_here_and_in_the_manual(name):
    """Each key of the instrument and of its channels has a description, and stands in the manual's page."""
    made, page = adapters()[name], MANUAL.read_text(encoding="utf-8")
    for model in (made.Settings, made.ChannelKeys):
        for key, field in model.model_fields.items():
            assert field.description, f"{name}: {key} has no description"
            assert f"`{key}`" in page, f"{name}: {key} is not in {MANUAL.name}"


@each
def test_no_key_hides_one_of_the_bench(name):
    """An adapter's keys are not those the bench takes itself."""
    made = adapters()[name]
    assert not BENCH_KEYS & set(made.Settings.model_fields)
    assert not BENCH_KEYS & set(made.ChannelKeys.model_fields)


@each
def test_an_unknown_key_is_refused(name):
    """A misspelt key is an error, never ignored."""
    with pytest.raises(ValueError, match="no_such_key"):
        built(name, no_such_key=1)


@each
def test_durations_say_their_unit(name):
    """A key that is a duration ends in `_s`; every unit of a sample is known."""
    made = adapters()[name]
    for model in (made.Settings, made.ChannelKeys):
        for key, field in model.model_fields.items():
            if "(s)" in (field.description or "") or "(s, " in (field.description or ""):
                assert key.endswith("_s"), f"{name}: {key}"
    for channel in sample(name)["channel"]:
        assert parse_unit(channel["unit"])


@each
@pytest.mark.parametrize("rate", [1.0, 60.0])
async def test_without_its_device_it_says_so_and_ends_cleanly(name, rate):
    """No device anywhere: the adapter reports it with the reason, keeps trying, invents no reading, and ends within a second."""
    where = (
        {"port": "socket://127.0.0.1:9"}
        if "port" in adapters()[name].Settings.model_fields
        else {"url": "mqtt://127.0.0.1:9"}
    )
    clock = SystemClock() if rate == 1.0 else FastClock(rate, time.time_ns())
    adapter, sink = built(name, clock, **where)
    task = asyncio.create_task(adapter.run())
    end = time.monotonic() + 5.0
    while not any(state is LinkState.LOST for state, _ in sink.links):
        assert time.monotonic() < end
        await asyncio.sleep(0.02)
    assert sink.links[0][0] is LinkState.OPENING
    assert "127.0.0.1" in sink.links[-1][1]
    assert not sink.raws
    begun = time.monotonic()
    task.cancel()
    assert isinstance((await asyncio.gather(task, return_exceptions=True))[0], asyncio.CancelledError)
    assert time.monotonic() - begun < 1.0


def test_only_one_module_reaches_into_the_mqtt_library():
    """The private side of the MQTT client is touched in one file, and nowhere else."""
    folder = Path(baytrace_adapters.__file__).parent
    reaching = [
        file.name
        for file in sorted(folder.glob("*.py"))
        if '"_client"' in file.read_text() or "._client" in file.read_text().replace("self._client", "")
    ]
    assert reaching == ["_mqtt_session.py"]


def test_bytes_are_moved_in_one_place_and_understood_in_another():
    """Decoders import no port, socket, clock or event loop."""
    folder = Path(baytrace_adapters.__file__).parent
    pure = [
        *folder.glob("_decode_*.py"),
        *(
            folder / name
            for name in (
                "_framing.py",
                "_senml.py",
                "_json_pointer.py",
                "_numbers.py",
                "_checksum.py",
                "_delivery_ledger.py",
            )
        ),
    ]
    assert len(pure) >= 9
    for file in pure:
        imports = [line for line in file.read_text().splitlines() if line.startswith(("import ", "from "))]
        assert not [
            line
            for line in imports
            if any(
                word in line
                for word in ("serial", "socket", "asyncio", "clock", "time ", "paho", "aiomqtt", "pymodbus")
            )
        ], file.name


def test_the_broker_sample_is_what_the_manual_says():
    """The mosquitto.conf sample keeps sessions over a crash, and stands in the manual line by line."""
    text = (Path(baytrace_adapters.__file__).parent / "samples" / "mosquitto.conf").read_text(encoding="utf-8")
    settings = dict(line.split(" ", 1) for line in text.splitlines() if line and not line.startswith("#"))
    assert settings["persistence"] == "true"
    assert settings["autosave_on_changes"] == "true"
    assert int(settings["max_queued_messages"]) >= 20_000
    assert not math.isnan(float(settings["autosave_interval"]))
    page = MANUAL.read_text(encoding="utf-8")
    assert all(line in page for line in text.splitlines() if line and not line.startswith("#"))


def test_every_piece_of_the_manual_is_a_bench_that_checks():
    """Each bench.toml piece of the page stands on its own."""
    pieces = re.findall(r"```toml\n(.*?)```", MANUAL.read_text(encoding="utf-8"), re.DOTALL)
    assert len(pieces) >= 6
    for piece in pieces:
        config, faults = parse_config(piece, Path("bench.toml"))
        assert not faults, piece
        for plan in config.instruments:
            plan.adapter(plan.name, plan.settings, plan.requests, Collector(SystemClock()))
