"""Every scenario: readable, repeatable, honest in its times, and about what it says it is about."""

import csv
import itertools
import math
from datetime import date
from pathlib import Path

import pytest

from baytrace.bench.config import parse_config
from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.records.replay import replay
from baytrace.records.trace_csv import read_trace
from baytrace.watches.follow import Follower
from baytrace.watches.running.follow import ROLES
from baytrace.watches.running.own import own_judgement
from baytrace.watches.running.own_judgement import TABLE
from baytrace_sim.bench_file import bench_toml, vehicle_preset
from baytrace_sim.plant import Plant
from baytrace_sim.scenario import FOLDER, read_scenario, scenario_named, scenarios
from baytrace_sim.script import Deed
from baytrace_sim.trace import write_csv

NAMES = list(scenarios())
MICRON_PA = 0.133322387415
"""1e-3 of the conventional millimetre of mercury (NIST SP 811, table B.8)."""


def trace(tmp_path, name):
    file = tmp_path / f"{name}.csv"
    write_csv(scenario_named(name), file)
    return file


def columns(file):
    """Heading to list of (time, value) and the marks of a trace."""
    with file.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.reader(lines))
    heads = rows[0]
    series = {
        head.split(" [")[0]: [(float(row[0]), float(row[place])) for row in rows[1:] if row[place]]
        for place, head in enumerate(heads)
        if 0 < place < len(heads) - 1
    }
    return series, [(float(row[0]), row[-1]) for row in rows[1:] if row[-1]]


def at(series, time_s):
    return min(series, key=lambda point: abs(point[0] - time_s))[1]


def judged(scenario, file, watch):
    """The watch's verdict on a trace, with what a session of the scenario would tell it."""
    heads = file.read_text(encoding="utf-8").split("\n", 1)[0]
    accuracies = {str(role): keys.accuracy for role, keys in scenario.channel.items() if f"{role} [" in heads}
    settings = dict(scenario.plan[watch])
    if watch in ("evacuation", "charge", "pressures"):
        settings["refrigerant"] = scenario.refrigerant
    if watch == "charge":
        settings["label_g"] = scenario.label_g
    return replay({watch: settings}, read_trace(file, accuracies=accuracies))[0]


@pytest.mark.parametrize("name", NAMES)
def test_each_scenario_ends_in_its_own_finding(tmp_path, name):
    """The readings a scenario gives lead every watch of its plan to the finding it names."""
    scenario = scenario_named(name)
    file = trace(tmp_path, name)
    found = {watch: judged(scenario, file, watch).finding for watch in scenario.expect}
    assert found == scenario.expect


@pytest.mark.parametrize("name", NAMES)
def test_a_trace_names_its_units_and_repeats_itself(tmp_path, name):
    """Headings are `role [unit]` with known units, and the same scenario writes the same bytes."""
    first = trace(tmp_path, name)
    before = first.read_bytes()
    assert trace(tmp_path, name).read_bytes() == before
    heads = before.decode().split("\r\n", 1)[0].split(",")
    assert heads[0] == "time [s]"
    assert heads[-1] == "mark"
    for head in heads[1:-1]:
        role, _, unit = head.partition(" [")
        unit_for(Role(role), unit.removesuffix("]"))


@pytest.mark.parametrize("name", NAMES)
def test_times_are_honest(name):
    """Where a loop is evacuated it is pumped for at least 30 min and held for at least 15."""
    deeds = scenario_named(name).script.deeds
    pumping = [deed.step.for_s for deed in deeds if deed.do is Deed.PUMP_ON]
    holding = [deed.step.for_s for deed in deeds if deed.do is Deed.ISOLATE]
    assert all(seconds >= 1800.0 for seconds in pumping)
    assert all(seconds >= 900.0 for seconds in holding)


def test_the_healthy_job_fits_a_demonstration():
    """The whole job lasts 60 to 75 simulated minutes, so that at 60 times it takes at most 75 s."""
    assert 3600.0 <= scenario_named("healthy").script.length_s <= 4500.0


def test_every_fault_has_a_scenario():
    """The faults the product is to tell apart are all there to be played."""
    wanted = {
        "healthy", "leak", "moisture", "leak-and-moisture", "undercharge", "overcharge", "blocked-airflow",
        "weak-compressor", "restriction", "bad-coil", "open-coil", "flaky-wires", "nitrogen-hold",
    }  # fmt: skip
    assert wanted <= set(NAMES)


def test_the_healthy_curve_has_the_shape_of_the_job(tmp_path):
    """Down to a deep vacuum, a small rise in the hold, up to the static pressure, then low and high side part."""
    series, marks = columns(trace(tmp_path, "healthy"))
    when = {text: time_s for time_s, text in marks}
    gauge = series["system_pressure"]
    deep = [time_s for time_s, value in gauge if when["pump on"] < time_s < when["isolated"] and value < 500.0]
    assert len(deep) >= 1800
    assert at(gauge, when["isolated"] + 900.0) < 500.0
    fall = at(series["tank_mass"], when["charge start"] - 5.0) - at(series["tank_mass"], when["charge end"] + 5.0)
    assert fall == pytest.approx(560.0, abs=6.0)
    assert at(series["low_side"], when["engine on"] - 5.0) == pytest.approx(
        at(series["high_side"], when["engine on"] - 5.0), abs=0.15
    )
    assert at(series["high_side"], when["engine off"] - 5.0) > 3.0 * at(series["low_side"], when["engine off"] - 5.0)
    assert at(series["vent_air"], when["engine off"] - 5.0) < at(series["ambient_air"], 0.0) - 12.0


def test_a_leak_keeps_rising_and_moisture_levels_off(tmp_path):
    """Over the last third of the hold a leak rises as fast as over the middle one, moisture a good deal slower."""
    ratio = {}
    for name in ("leak", "moisture"):
        series, marks = columns(trace(tmp_path, name))
        start = next(time_s for time_s, text in marks if text == "isolated")
        levels = [at(series["system_pressure"], start + time_s) for time_s in (300.0, 600.0, 900.0)]
        ratio[name] = (levels[2] - levels[1]) / (levels[1] - levels[0])
    assert ratio["leak"] > 0.8
    assert ratio["moisture"] < 0.4


def test_moisture_shows_a_plateau_while_pumping(tmp_path):
    """Boiling water holds the gauge for minutes between 8000 micron and the saturation pressure of the warm loop."""
    series, _ = columns(trace(tmp_path, "moisture"))
    standing = [value for time_s, value in series["system_pressure"] if time_s > 60.0 and 8000.0 < value < 40_000.0]
    assert len(standing) > 120
    assert max(standing[20:-20]) < 1.15 * min(standing[20:-20])


def test_bad_wires_leave_gaps_but_not_too_long_ones_in_the_hold(tmp_path):
    """The unplugged gauge is missing for its forty seconds, and in the hold never for more than a minute."""
    series, marks = columns(trace(tmp_path, "flaky-wires"))
    times = [time_s for time_s, _ in series["system_pressure"]]
    gaps = [(first, second - first) for first, second in itertools.pairwise(times) if second - first > 5.0]
    assert any(seconds > 35.0 for _, seconds in gaps)
    isolated = next(time_s for time_s, text in marks if text == "isolated")
    assert all(seconds < 60.0 for first, seconds in gaps if isolated < first < isolated + 950.0)
    assert [time_s for time_s, seconds in gaps if isolated < time_s < isolated + 950.0]


def test_the_plant_is_the_same_in_small_and_large_steps():
    """Asking the plant often or seldom does not change what happens (vacuum to 1 %, the running loop to 2 %)."""
    scenario = scenario_named("healthy")
    fine, coarse = Plant(scenario), Plant(scenario)
    for _ in range(int(scenario.script.length_s)):
        fine.advance(fine.time_s + 1.0)
    for target in (1000.0, 2600.0, 3300.0, scenario.script.length_s):
        coarse.advance(target)
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE, Role.TANK_MASS, Role.VENT_AIR):
        assert coarse.true(role) == pytest.approx(fine.true(role), rel=0.02)


def test_a_wrong_scenario_says_what_is_wrong(tmp_path):
    """Unknown keys, a coil that is not there and a broken file are told with the file's name."""
    base = (FOLDER / "open-coil.toml").read_text(encoding="utf-8")
    file = tmp_path / "mine.toml"
    for text, said in (
        (base.replace("[coils]", "[koils]"), "koils"),
        (base.replace("coil = 6", "coil = 9"), "no coil 9"),
        (base.replace('sweep = "coil 3 open"', 'charge = "settled"'), "charge"),
        ("summary = ", "not TOML"),
    ):
        file.write_text(text, encoding="utf-8")
        with pytest.raises(BadInput, match=said) as caught:
            read_scenario(file)
        assert "mine.toml" in str(caught.value)
        assert "\n" not in str(caught.value)


def test_an_unknown_name_suggests_a_known_one():
    """A misspelt scenario is met with the nearest."""
    with pytest.raises(BadInput, match="did you mean 'moisture'"):
        scenario_named("moistur")


def test_open_leads_are_written_as_the_meter_says_it(tmp_path):
    """Nothing connected is 9.9E37 (SCPI-99), not an empty cell and not infinity."""
    series, _ = columns(trace(tmp_path, "bad-coil"))
    values = [value for _, value in series["coil_resistance"]]
    assert values[0] == 9.9e37
    assert all(math.isfinite(value) for value in values)


@pytest.mark.parametrize("name", NAMES)
def test_each_scenarios_car_is_a_preset_of_its_bench_file(name):
    """The bench.toml that the simulator writes offers the car with its plan, and `check` finds nothing wrong with it."""
    gauge = {
        "adapter": "line",
        "port": "/dev/null",
        "channel": [{"role": "system_pressure", "unit": "micron", "field": 0}],
    }
    scenario = scenario_named(name)
    text = bench_toml("demo", "mqtt://127.0.0.1:1", {"gauge": gauge}, date(2026, 3, 2), vehicle_preset(scenario))
    config, faults = parse_config(text, Path("bench.toml"))
    assert faults == []
    assert config.presets[name]["plan"] == scenario.plan


def test_the_healthy_car_runs_as_its_own_table_has_it(tmp_path):
    """Its pressures pass by figures of the car itself: every quantity of the table lies within, under the marked conditions."""
    scenario = scenario_named("healthy")
    file = trace(tmp_path, "healthy")
    accuracies = {str(role): keys.accuracy for role, keys in scenario.channel.items() if role in ROLES}
    read = read_trace(file, accuracies=accuracies)
    follower = Follower("pressures", scenario.plan["pressures"] | {"refrigerant": scenario.refrigerant}, read.channels)
    for item in read.items:
        follower.item(item)
    watch = follower._watch
    found = own_judgement(watch._follower, watch._follower.judged(), watch._fluid, watch._settings)
    assert (found.spoke, found.outcome, found.kind) == (True, Outcome.PASS, TABLE)
    assert len(found.figures) == 3
