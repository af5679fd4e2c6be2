"""Presets: the jobs a session can start from."""

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
