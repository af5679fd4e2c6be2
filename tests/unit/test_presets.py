"""Presets: the jobs a session can start from."""

import re
from pathlib import Path

import pytest

from baytrace.bench.config import parse_config
from baytrace.bench.presets import packaged_presets, preset_faults, preset_list

INSTRUMENT = """
[[instrument]]
name = "gauge"
adapter = "line"
port = "/dev/null"
[[instrument.channel]]
role = "system_pressure"
unit = "micron"
field = 0
"""


def test_every_packaged_preset_can_start_a_session():
    """The watches themselves accept every plan that comes with the package."""
    assert list(preset_faults(packaged_presets())) == []
    assert len(packaged_presets()) > 4


def test_the_shop_comes_first_and_replaces_by_name():
    """A shop's preset stands before the packaged ones, and one of the same name takes its place."""
    own = {"nitrogen": {"title": "Ours", "plan": {"pressure_hold": {"hold_s": 1200}}}}
    listed = preset_list(own)
    assert (listed[0]["title"], listed[0]["from"]) == ("Ours", "bench.toml")
    assert [each["name"] for each in listed].count("nitrogen") == 1
    assert listed[0]["plan"] == {"pressure_hold": {"hold_s": 1200}}


@pytest.mark.parametrize(
    ("table", "key", "said"),
    [
        ({"plan": {"evacuation": {"volume": 2}}}, "preset.van.plan.evacuation", "no such setting"),
        ({"plan": {"vacuum": {}}}, "preset.van.plan.vacuum", "no watch is called"),
        ({"refrigerant": "R134b"}, "preset.van.refrigerant", "unknown fluid"),
        ({"label_g": -3}, "preset.van.label_g", "greater than 0"),
        ({"volume": 2}, "preset.van.volume", "not permitted"),
        (3, "preset.van", "valid"),
    ],
)
def test_a_preset_that_cannot_work_is_a_fault(table, key, said):
    """A wrong key, setting, watch or refrigerant is named with its place."""
    faults = list(preset_faults({"van": table}))
    assert [fault[0] for fault in faults] == [key]
    assert said in faults[0][1]


def test_the_configuration_check_names_preset_faults():
    """`baytrace check` tells of a preset that no session could start from, with everything else."""
    config, faults = parse_config(f"{INSTRUMENT}\n[preset.van.plan.evacuation]\ntarget = 5\n", Path("bench.toml"))
    assert config is None
    assert [fault.key for fault in faults] == ["preset.van.plan.evacuation"]


def test_a_sound_preset_is_kept_with_the_configuration():
    """What stands in bench.toml is what is offered."""
    config, faults = parse_config(f"{INSTRUMENT}\n[preset.van]\nlabel_g = 520\n", Path("bench.toml"))
    assert faults == []
    assert preset_list(config.presets)[0]["label_g"] == 520.0


TABLE = {
    "source": "invented",
    "pressures": "kPa gauge",
    "speed": "idle",
    "rows": [{"air_c": 25, "low_side": [170, 210], "high_side": [1200, 1450]}],
}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"pressures": "kPa"}, "own_table.pressures: .*gauge or absolute"),
        ({"speed": "quick"}, "own_table.speed"),
        ({"rows": [{"air_c": 25, "low_side": [210, 170]}]}, "own_table.rows.0: .*the smaller one"),
        ({"rows": [{"air_c": 25, "low": [170, 210]}]}, "own_table.rows.0.low"),
    ],
)
def test_a_makers_table_that_cannot_be_read_is_a_fault_of_the_file(changes, said):
    """`check` names the preset, the key within the table, and what would be right."""
    tables = {"van": {"plan": {"pressures": {"own_table": TABLE | changes}}}}
    [fault] = preset_faults(tables)
    assert fault[0] == "preset.van.plan.pressures"
    assert re.search(said, fault[1])


def test_a_makers_table_is_offered_with_its_preset():
    """As it stands in bench.toml, so that the session's settings hold it."""
    assert list(preset_faults({"van": {"plan": {"pressures": {"own_table": TABLE}}}})) == []
    assert (
        preset_list({"van": {"plan": {"pressures": {"own_table": TABLE}}}})[0]["plan"]["pressures"]["own_table"]
        == TABLE
    )


def test_a_vehicles_oil_volume_and_sources_reach_the_session():
    """The volume goes into the plan, oil and sources into the record's lines; what the plan says itself stays."""
    own = {
        "label_g": 560,
        "oil": "PAG 46, 120 mL",
        "volume_l": 2.5,
        "sources": {"label_g": "under the hood"},
        "plan": {"evacuation": {}, "pressure_hold": {"volume_l": 3.0}, "charge": {}},
        "fields": {"customer": "fleet"},
    }
    assert list(preset_faults({"van": own})) == []
    listed = preset_list({"van": own})[0]
    assert listed["plan"] == {"evacuation": {"volume_l": 2.5}, "pressure_hold": {"volume_l": 3.0}, "charge": {}}
    assert listed["fields"] == {"Oil": "PAG 46, 120 mL", "Label charge: source": "under the hood", "customer": "fleet"}
