"""A large commit made visible by columns leaves everyone knowing what reading by reading would."""

import random

import pytest

from baytrace.bench import many
from baytrace.bench.config import load_config
from baytrace.bench.daemon import Bench
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Quality, Raw
from baytrace.records.vocabulary import Kind

CONFIG = """
[bench]
name = "bay-1"
[[instrument]]
name = "logger"
adapter = "line"
port = "/dev/none"
separator = ","
"""
CHANNELS = [
    ("system_pressure", "Pa", 30.0),
    ("low_side", "psi", 40.0),
    ("high_side", "barg", 14.0),
    ("suction_line", "degF", 50.0),
    ("liquid_line", "degC", 42.0),
    ("vent_air", "degC", 8.0),
    ("barometer", "hPa", 1012.0),
    ("tank_mass", "g", 8000.0),
    ("auxiliary", "V", 5.0),
]
LIMITS = """
[[limit]]
channel = "low_side"
high = 43.0
unit = "psi"
[[limit]]
channel = "auxiliary"
low = 3.0
unit = "V"
"""


class Steady(SystemClock):
    """Never asked the machine's time."""

    def wall_ns(self):
        return 1_764_061_200_000_000_000

    def mono_ns(self):
        return 10**12


def raws(seed, count):
    rng = random.Random(seed)
    clock, made = Steady(), []
    for index in range(count):
        name, _, middle = rng.choice(CHANNELS)
        value = rng.choice(
            [middle + rng.gauss(0, 1.5), middle, middle, float("nan")][: 4 if rng.random() < 0.02 else 3]
        )
        late = rng.choice([0, 0, 0, -(10**9)])
        quality = rng.choice([0] * 20 + [int(Quality.SOURCE_TIME), int(Quality.OVER_RANGE), int(Quality.SUSPECT)])
        stamp = index * 10**8 + late
        made.append(Raw(name, value, clock.wall_ns() + stamp, clock.mono_ns() + stamp, quality))
    return made


def text():
    rows = "".join(
        f'[[instrument.channel]]\nrole = "{role}"\nunit = "{unit}"\nfield = {field}\n'
        for field, (role, unit, _) in enumerate(CHANNELS)
    )
    return CONFIG + rows + LIMITS


async def known(folder, readings, least, monkeypatch):
    """What the bench knows after commits of many readings: live state, interpreter, watches, transitions of alarms."""
    monkeypatch.setattr(many, "MANY", least)
    folder.mkdir()
    (folder / "bench.toml").write_text(text())
    async with Bench.running(load_config(folder / "bench.toml"), Steady()) as bench:
        await bench.start_session({"plan": {"evacuation": {}, "charge": {"label_g": 500.0}, "pressures": {}}})
        for start in range(0, len(readings), 700):
            await bench.take("logger", readings[start : start + 700], None, ())
            await bench.add_to("", Kind.NOTE, {"text": "behind them"})
        await bench.add_to("", Kind.NOTE, {"text": "behind the last alarms"})
        live = {
            # numbers differ by the events between the commits
            name: (
                each.last._replace(seq=0),
                each.raw_value,
                each.seen_mono_ns,
                each.changed_ns,
                each.count,
                [row[1:] for row in each.ring],
            )
            for name, each in bench.live.channels.items()
        }
        session = bench.session
        said = [repr(session.watches.status(name)) + repr(session.watches.verdict(name)) for name in session.plan]
        alarms = [
            (event.data["alarm"], event.data["action"], event.data.get("value"))
            for event in bench.journal.events(kinds=("alarm",))
            if not event.data["alarm"].startswith("silent")
        ]
        return repr(live), bench.interpreter.state(), said, alarms


@pytest.mark.parametrize("seed", range(3))
async def test_a_large_commit_is_known_as_its_readings_one_by_one(tmp_path, monkeypatch, seed):
    """Newest values, rings, atmosphere, watches and alarms are the same to the bit, whichever way they were told."""
    monkeypatch.setattr(many, "SLICE", 300)
    readings = raws(seed, 4_000)
    slow = await known(tmp_path / "slow", readings, 10**9, monkeypatch)
    quick = await known(tmp_path / "quick", readings, 2, monkeypatch)
    for one, other in zip(slow, quick, strict=True):
        assert one == other
