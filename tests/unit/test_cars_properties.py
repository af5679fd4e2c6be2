"""The splines that the car models read stay with CoolProp, and a table's file keeps what it was given."""

import csv

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from baytrace_sim.cars import HEADER, State, structures, write
from baytrace_sim.cars.day import WETTEST_DEW_K, car_days
from baytrace_sim.cars.properties import (
    air_enthalpy,
    properties,
    saturated_humidity,
    surface_temperature,
)


@pytest.mark.parametrize("fluid", ["R134a", "R1234yf"])
@pytest.mark.parametrize("saturation_k", [250.4, 275.6, 300.3, 333.3, 352.7])
def test_splines_stay_with_coolprop(fluid, saturation_k):
    """Saturation within 1e-4, superheat within 0.05 K and isentropic enthalpy within 50 J/kg, at points off the grid."""
    read = properties(fluid)
    row = read.at(saturation_k)

    def exact(what, quality):
        return PropsSI(what, "T", saturation_k, "Q", quality, fluid)

    assert float(row.p) == pytest.approx(exact("P", 1), rel=1e-6)
    assert float(read.saturation_temperature(row.p)) == pytest.approx(saturation_k, abs=1e-4)
    assert float(row.rho_v) == pytest.approx(exact("D", 1), rel=1e-4)
    assert float(row.latent) == pytest.approx(exact("H", 1) - exact("H", 0), rel=1e-4)
    for warm in (4.0, 22.0, 61.0):
        point = ("T", saturation_k + warm, "P", exact("P", 1), fluid)
        density, enthalpy, entropy = read.vapour(saturation_k, warm)
        assert float(density) == pytest.approx(PropsSI("D", *point), rel=1e-4)
        assert float(enthalpy) == pytest.approx(PropsSI("H", *point) - exact("H", 1), abs=20.0)
        assert float(read.superheat(saturation_k, enthalpy)) == pytest.approx(warm, abs=0.05)
        assert float(read.compressed(saturation_k, entropy)) == pytest.approx(float(enthalpy), abs=50.0)


def test_surface_temperature_undoes_saturated_enthalpy():
    """Saturated air's enthalpy leads back to its temperature."""
    t = np.array([258.15, 273.15, 281.3, 303.15])
    assert surface_temperature(air_enthalpy(t, saturated_humidity(t))) == pytest.approx(t, abs=1e-3)


def test_days_stay_within_what_is_promised():
    """Days lie in 15 to 45 degC and 0.2 to 0.9, none wetter than the coast's dew point, and a seed gives the same ones."""
    days = car_days(120, 3)
    assert days == car_days(120, 3) != car_days(120, 4)
    assert car_days(7, 3) == days[:7]
    for day in days:
        assert 15.0 <= day.ambient <= 45.0
        assert 0.2 <= day.humidity <= 0.9
        wet = day.humidity * saturated_humidity(day.ambient + 273.15)
        assert wet <= 1.02 * saturated_humidity(WETTEST_DEW_K)
    assert {day.valve for day in days} == {"expansion valve", "orifice tube"}


def test_table_file_has_the_header_and_a_row_a_state(tmp_path):
    """What is written reads back by the header's names."""
    state = State(
        3,
        "R134a",
        "orifice tube",
        "fixed",
        "idle",
        "undercharge",
        30.0,
        25.0,
        0.5,
        1.234,
        15,
        6,
        4,
        11,
        -12,
        20,
        0,
        3456.7,
    )
    write(tmp_path / "a.csv", [state])
    rows = list(csv.DictReader((tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()))
    assert tuple(rows[0]) == HEADER
    assert rows[0]["evaporating"] == "1.23"
    assert rows[0]["capacity"] == "3457"
    assert state.physical


def test_structures_are_found_by_walking():
    """Whatever module defines a table is found, and helpers are not."""
    assert not {"states", "properties", "day"} & set(structures())
