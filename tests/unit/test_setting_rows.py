"""The form of a watch's settings, built from its own model and the table of default limits."""

import pytest

from baytrace.watches.limits_table import limits
from baytrace.watches.watch import watches
from baytrace.web.setting_rows import setting_rows


def rows(watch):
    return {row["name"]: row for row in setting_rows(watch, watches()[watch].Settings)}


@pytest.mark.parametrize("watch", sorted(watches()))
def test_every_setting_has_its_row(watch):
    """No setting is left out of the form, and each says in words what it is."""
    model = watches()[watch].Settings.model_fields
    found = rows(watch)
    assert list(found) == list(model)
    assert all(row["text"] and row["kind"] for row in found.values())


@pytest.mark.parametrize("watch", sorted(watches()))
def test_every_default_limit_shows_its_source(watch):
    """A default that is a limit comes with unit and source, so nobody has to trust a bare number."""
    model = watches()[watch].Settings.model_fields
    for name, row in rows(watch).items():
        if model[name].default_factory is not None and row["kind"] != "rows":
            assert row["source"], name
            assert row["default"] == limits()[row["limit"]].value


def test_a_limit_is_the_watchs_own_where_two_have_one_name():
    """The leak limits of a vacuum and of a pressure hold are not mixed up."""
    assert rows("evacuation")["leak_limit"]["limit"] == "evacuation.leak_limit"
    assert rows("pressure_hold")["leak_limit"]["limit"] == "pressure_hold.leak_limit"
    assert rows("pressures")["settled_pressure_band"]["limit"] == "pressures.settled_pressure_band"


def test_units_come_from_the_limit_or_the_name():
    """Pa, K, g, L and s stand beside their fields."""
    evacuation, charge = rows("evacuation"), rows("charge")
    assert evacuation["leak_limit"]["unit"] == "Pa*m3/s"
    assert [evacuation[name]["unit"] for name in ("volume_l", "target_pa", "hold_s")] == ["L", "Pa", "s"]
    assert [evacuation[name]["label"] for name in ("volume_l", "max_gap_s")] == ["volume", "max gap"]
    assert [charge[name]["unit"] for name in ("label_g", "superheat_min_k", "vent_max_c")] == ["g", "K", "degC"]


def test_kinds_and_bounds_follow_the_model():
    """Choices, yes or no, whole numbers, tables and their bounds are those the watch itself checks."""
    assert rows("evacuation")["stop_early"]["kind"] == "yes or no"
    assert rows("evacuation")["phase"]["choices"] == ["all", "hold"]
    assert (rows("evacuation")["target_pa"]["above"], rows("evacuation")["target_pa"]["below"]) == (0.0, 20_000.0)
    assert (rows("sweep")["coils"]["kind"], rows("sweep")["coils"]["most"]) == ("whole", 64)
    assert rows("charge")["vent_table"]["kind"] == "grid"
    assert rows("field_check")["check"]["needed"]
    assert "port_injector" in rows("sweep")["family"]["known"]


def test_what_differs_from_vehicle_to_vehicle_is_asked_first():
    """The loop's volume and the coils' range stand at the top of the form."""
    assert rows("evacuation")["volume_l"]["ask"]
    assert {name for name, row in rows("sweep").items() if row.get("ask")} == {"coils", "low_ohm", "high_ohm", "family"}


def test_a_list_of_limits_is_a_form_of_its_own():
    """A session's own limits are entered line by line, each line with the rule's settings."""
    row = rows("limits")["limits"]
    assert row["kind"] == "rows"
    assert {"channel", "high", "low", "unit", "priority"} <= {inner["name"] for inner in row["rows"]}
