"""Humid air against the handbook."""

import pytest

from baytrace.physics.air import humid_air, humid_air_at_wet_bulb


@pytest.mark.parametrize(("celsius", "ratio"), [(-5.0, 0.0024863), (5.0, 0.005425), (50.0, 0.086863)])
def test_saturated_air_holds_the_published_water(celsius, ratio):
    """ASHRAE Fundamentals 2017, ch. 1, Table 2 (RP-1485), 0.15 %."""
    assert humid_air(celsius + 273.15, 1.0).humidity_ratio == pytest.approx(ratio, rel=1.5e-3)


@pytest.mark.parametrize(("celsius", "enthalpy"), [(5.0, 18.639), (25.0, 76.504)])
def test_saturated_air_has_the_published_enthalpy(celsius, enthalpy):
    """ASHRAE Fundamentals 2017, ch. 1, Table 2, kJ per kg of dry air, 0.2 %."""
    assert humid_air(celsius + 273.15, 1.0).enthalpy / 1e3 == pytest.approx(enthalpy, rel=2e-3)


def test_the_handbook_example_by_two_bulbs():
    """ASHRAE Fundamentals 2017, ch. 1, Example 1, read off a chart: 40 degC dry, 20 degC wet bulb."""
    air = humid_air_at_wet_bulb(313.15, 293.15)
    assert air.humidity_ratio == pytest.approx(0.0065, abs=1e-4)
    assert air.dew_point_k - 273.15 == pytest.approx(7.0, abs=0.5)
    assert air.relative_humidity == pytest.approx(0.14, abs=0.01)
    assert air.volume == pytest.approx(0.896, abs=0.0015)


# PsychroLib 2.5.0, the ideal-gas equations of ASHRAE ch. 1: degC, share, Pa, dew point degC, kg/kg, kJ/kg (None: not compared)
IDEAL = [
    (25.0, 0.5, 101325.0, 13.864, 0.009881, 50.32),
    (35.0, 0.4, 101325.0, 19.385, 0.014132, 71.47),
    (10.0, 0.8, 101325.0, 6.713, 0.0060891, None),
    (5.0, 0.9, 101325.0, 3.498, 0.0048575, 17.22),
    (20.0, 0.5, 89875.0, None, 0.0081991, None),
    (40.0, 0.3, 84556.0, 19.125, 0.016731, None),
    (-5.0, 0.8, 101325.0, None, 0.0019791, None),
]


@pytest.mark.parametrize(("air", "dew_point", "ratio", "enthalpy"), [(row[:3], *row[3:]) for row in IDEAL])
def test_air_agrees_with_the_ideal_gas_equations(air, dew_point, ratio, enthalpy):
    """Dew point within 0.02 K, humidity ratio within 0.6 %, enthalpy within 0.35 kJ/kg: what real gas makes of it."""
    celsius, share, pascal = air
    air = humid_air(celsius + 273.15, share, pascal)
    if dew_point is not None:
        assert air.dew_point_k - 273.15 == pytest.approx(dew_point, abs=0.02)
    assert air.humidity_ratio == pytest.approx(ratio, rel=6e-3)
    if enthalpy is not None:
        assert air.enthalpy / 1e3 == pytest.approx(enthalpy, abs=0.35)
