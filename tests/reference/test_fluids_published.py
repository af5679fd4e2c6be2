"""Refrigerant properties against published values. Each table names its source; tolerances are the source's own."""

import CoolProp
import pytest

from baytrace.physics.cycle import cycle
from baytrace.physics.fluids import (
    abstract_state,
    compressed,
    saturation,
    state_at,
    state_at_enthalpy,
    subcooling,
    superheat,
)

# Tillner-Roth & Baehr, J. Phys. Chem. Ref. Data 23(5) 657-729 (1994) (ISO 17584): degC, Pa; the paper claims 0.02 %
R134A_PRESSURES = [
    (-20.0, 132735.0), (-10.0, 200603.3), (10.0, 414607.5), (20.0, 571706.9), (30.0, 770196.3), (50.0, 1317905.0),
    (60.0, 1681784.0),
]  # fmt: skip
# Same: K, MPa, kg/m3 liquid, kJ/kg liquid and vapour as printed in Table 8 (half a last digit; None: not typed in)
R134A_TABLE_8 = [
    (250.0, 0.11561, 1367.9, 169.57, 384.60),
    (300.0, 0.70282, None, 237.19, 413.27),
    (350.0, None, 951.32, 316.50, None),
]
# Same, Table 9: K, MPa, kg/m3 with half its last digit, kJ/kg
R134A_TABLE_9 = [
    (265.0, 0.2, 9.9171, 5.1e-5, 394.26),
    (325.0, 0.02, None, 0.0, 449.09),
    (345.0, 2.0, 102.38, 5.1e-3, 434.73),
]
# VDI Heat Atlas, 2nd ed. (2010), saturation table of R134a: K, Pa; 0.05 %
R134A_VDI = [(265.0, 215670.0), (305.0, 811970.0), (325.0, 1380300.0), (345.0, 2205900.0)]
# Huber & McLinden, Purdue paper 184 (1992), Table 9, another equation of state: degC, kJ/kg latent, kg/m3 vapour
R134A_OTHER_EQUATION = [(0.0, 198.68, 14.42), (50.0, 152.03, 66.165)]
# Same equation as R134A_PRESSURES: degC, kJ/kg latent (0.1 %), kg/m3 vapour (0.1 %), kg/m3 liquid (0.05 %)
R134A_LATENT = [
    (-20.0, 212.919, None, 1358.27), (0.0, 198.603, 14.4282, None), (20.0, 182.281, 27.7803, 1225.33),
    (40.0, None, 50.085, 1146.74), (60.0, 139.125, None, 1052.86),
]  # fmt: skip
# Lemmon & Akasaka, Int. J. Thermophys. 43:119 (2022) (ISO 17584:2022): degC, Pa; 0.06 % spans the published equations
R1234YF_PRESSURES = [
    (-20.0, 150857.8), (-10.0, 221785.5), (10.0, 437630.9), (20.0, 591836.1), (30.0, 783619.4), (50.0, 1302349.0),
    (60.0, 1641830.0),
]  # fmt: skip
# Same: degC, kJ/kg latent (0.5 %), kg/m3 vapour (0.5 %), kg/m3 liquid (0.2 %)
R1234YF_LATENT = [
    (-20.0, 175.592, None, 1236.28), (0.0, 163.483, 17.6342, None), (20.0, 149.421, 32.7695, 1109.67),
    (40.0, None, 57.6741, 1033.56), (60.0, 110.621, None, 940.551),
]  # fmt: skip
# Same, Table 7, check values of the equation: K, mol/dm3, MPa, half a last digit
R1234YF_TABLE_7 = [
    (280.0, 11.0, 28.9576, 5.1e-5), (280.0, 0.1, 0.2185345, 5.1e-8), (340.0, 1.0, 1.855076, 5.1e-7),
    (368.0, 4.2, 3.394716, 5.1e-7),
]  # fmt: skip
# Span & Wagner, J. Phys. Chem. Ref. Data 25(6) 1509-1596 (1996), Table 34: K, MPa, kg/m3 liquid, kJ/kg latent
R744_TABLE_34 = [
    (240.0, 1.2825, 1088.87, 309.65), (260.0, 2.4188, 998.89, 266.48), (280.0, 4.1607, 883.58, 208.64),
    (300.0, 6.7131, 679.24, 103.70),
]  # fmt: skip


def line(fluid, temperature_k):
    """Pressure, liquid and vapour state on the saturation line."""
    pressure = saturation(fluid, temperature_k=temperature_k).pressure_pa
    return (
        pressure,
        state_at(fluid, pressure, temperature_k, side="liquid"),
        state_at(fluid, pressure, temperature_k, side="vapour"),
    )


@pytest.mark.parametrize(("celsius", "pascal"), R134A_PRESSURES)
def test_r134a_boils_at_the_published_pressure(celsius, pascal):
    """Tillner-Roth & Baehr 1994, within the paper's own 0.02 %, and back from the pressure to the temperature."""
    assert saturation("R134a", temperature_k=celsius + 273.15).pressure_pa == pytest.approx(pascal, rel=2e-4)
    assert saturation("R134a", pressure_pa=pascal).temperature_k == pytest.approx(celsius + 273.15, abs=0.01)


@pytest.mark.parametrize(("kelvin", "megapascal", "liquid", "h_liquid", "h_vapour"), R134A_TABLE_8)
def test_r134a_saturation_table_is_met_to_the_printed_digit(kelvin, megapascal, liquid, h_liquid, h_vapour):
    """Tillner-Roth & Baehr 1994, Table 8; enthalpies with 200 kJ/kg for liquid at 0 degC."""
    pressure, bubble, dew = line("R134a", kelvin)
    if megapascal is not None:
        assert pressure / 1e6 == pytest.approx(megapascal, abs=5.1e-6)
    if liquid is not None:
        assert bubble.density == pytest.approx(liquid, abs=5.1e-2 if kelvin == 250.0 else 5.1e-3)
    assert bubble.enthalpy / 1e3 == pytest.approx(h_liquid, abs=0.0101)
    if h_vapour is not None:
        assert dew.enthalpy / 1e3 == pytest.approx(h_vapour, abs=0.0101)


@pytest.mark.parametrize(("kelvin", "megapascal", "density", "half_digit", "enthalpy"), R134A_TABLE_9)
def test_superheated_r134a_is_as_printed(kelvin, megapascal, density, half_digit, enthalpy):
    """Tillner-Roth & Baehr 1994, Table 9."""
    state = state_at("R134a", megapascal * 1e6, kelvin, side="vapour")
    if density is not None:
        assert state.density == pytest.approx(density, abs=half_digit)
    assert state.enthalpy / 1e3 == pytest.approx(enthalpy, abs=0.0101)


@pytest.mark.parametrize(("kelvin", "pascal"), R134A_VDI)
def test_r134a_agrees_with_a_second_handbook(kelvin, pascal):
    """VDI Heat Atlas 2010, within 0.05 %."""
    assert saturation("R134a", temperature_k=kelvin).pressure_pa == pytest.approx(pascal, rel=5e-4)


@pytest.mark.parametrize(("celsius", "latent", "vapour"), R134A_OTHER_EQUATION)
def test_r134a_agrees_with_another_equation_of_state(celsius, latent, vapour):
    """Huber & McLinden 1992: latent heat within 0.15 %, vapour density within 0.3 %, the spread between equations."""
    _, bubble, dew = line("R134a", celsius + 273.15)
    assert (dew.enthalpy - bubble.enthalpy) / 1e3 == pytest.approx(latent, rel=1.5e-3)
    assert dew.density == pytest.approx(vapour, rel=3e-3)


@pytest.mark.parametrize(
    ("fluid", "tolerances", "celsius", "published"),
    [("R134a", (1e-3, 1e-3, 5e-4), row[0], row[1:]) for row in R134A_LATENT]
    + [("R1234yf", (5e-3, 5e-3, 2e-3), row[0], row[1:]) for row in R1234YF_LATENT],
)
def test_latent_heat_and_densities_are_as_published(fluid, tolerances, celsius, published):
    """R134a: Tillner-Roth & Baehr 1994; R1234yf: Lemmon & Akasaka 2022; differences, so free of the reference state."""
    _, bubble, dew = line(fluid, celsius + 273.15)
    found_here = ((dew.enthalpy - bubble.enthalpy) / 1e3, dew.density, bubble.density)
    for found, wanted, tolerance in zip(found_here, published, tolerances, strict=True):
        if wanted is not None:
            assert found == pytest.approx(wanted, rel=tolerance)


@pytest.mark.parametrize(("celsius", "pascal"), R1234YF_PRESSURES)
def test_r1234yf_boils_at_the_published_pressure(celsius, pascal):
    """Lemmon & Akasaka 2022, within the 0.06 % that published equations differ."""
    assert saturation("R1234yf", temperature_k=celsius + 273.15).pressure_pa == pytest.approx(pascal, rel=6e-4)


@pytest.mark.parametrize(("kelvin", "density", "megapascal", "half_digit"), R1234YF_TABLE_7)
def test_r1234yf_equation_is_the_one_of_2022(kelvin, density, megapascal, half_digit):
    """Lemmon & Akasaka 2022, Table 7: an older equation of state would miss these digits."""
    state = abstract_state("R1234yf")
    state.update(CoolProp.DmolarT_INPUTS, density * 1e3, kelvin)
    assert state.p() / 1e6 == pytest.approx(megapascal, abs=half_digit)


def test_dilute_r1234yf_vapour_has_the_published_density():
    """Perkins & Huber, J. Chem. Eng. Data 56:4868 (2011), Table 2: 2.80006 kg/m3 at 250 K, 0.05 MPa (0.05 %)."""
    assert state_at("R1234yf", 5e4, 250.0, side="vapour").density == pytest.approx(2.80006, rel=5e-4)


@pytest.mark.parametrize(("kelvin", "megapascal", "liquid", "latent"), R744_TABLE_34)
def test_r744_saturation_is_as_printed(kelvin, megapascal, liquid, latent):
    """Span & Wagner 1996, Table 34, half a last digit (0.02 kg/m3 near the critical point)."""
    pressure, bubble, dew = line("R744", kelvin)
    assert pressure / 1e6 == pytest.approx(megapascal, abs=5.1e-5)
    assert bubble.density == pytest.approx(liquid, abs=0.02 if kelvin == 300.0 else 0.0051)
    assert (dew.enthalpy - bubble.enthalpy) / 1e3 == pytest.approx(latent, abs=0.02)


def test_r744_gas_density_is_as_printed():
    """Span & Wagner 1996, Table 35: 148.41 kg/m3 at 290 K and 5 MPa."""
    assert state_at("R744", 5e6, 290.0, side="vapour").density == pytest.approx(148.41, abs=0.0051)


@pytest.mark.parametrize(
    ("kind", "bar", "celsius", "kelvin"),
    [("superheat", 2.0, 0.0, 10.076), ("subcooling", 10.0, 35.0, 4.388), ("subcooling", 15.0, 50.0, 5.233)],
)
def test_superheat_and_subcooling_of_r134a(kind, bar, celsius, kelvin):
    """Worked from Tillner-Roth & Baehr 1994 with an independent evaluator, within 0.01 K."""
    function = superheat if kind == "superheat" else subcooling
    assert function("R134a", bar * 1e5, celsius + 273.15) == pytest.approx(kelvin, abs=0.01)


@pytest.mark.parametrize(
    ("fluid", "at_c", "to_c", "rise", "tolerance"),
    [
        ("R134a", 0.0, 10.0, 8.9107, 2e-3),
        ("R134a", 40.0, 70.0, 32.312, 2e-3),
        ("R1234yf", 0.0, 10.0, 9.2464, 1e-2),
        ("R1234yf", 10.0, 30.0, 19.348, 1e-2),
        ("R1234yf", 40.0, 70.0, 33.354, 1e-2),
    ],
)
def test_superheating_takes_the_published_enthalpy(fluid, at_c, to_c, rise, tolerance):
    """kJ/kg from the dew point to `to_c` at constant pressure; Tillner-Roth & Baehr 1994, Lemmon & Akasaka 2022."""
    pressure, _, dew = line(fluid, at_c + 273.15)
    warm = state_at(fluid, pressure, to_c + 273.15, side="vapour")
    assert (warm.enthalpy - dew.enthalpy) / 1e3 == pytest.approx(rise, rel=tolerance)


def test_the_worked_ideal_cycle():
    """Cengel & Boles, Thermodynamics, Example 11-1 (from memory): R134a, 0.14 to 0.8 MPa, 0.05 kg/s.

    239.16 and 275.39 kJ/kg count from liquid at -40 degC, so only their difference is compared; 7.18 kW, 1.81 kW, COP 3.97.
    """
    low, high = 0.14e6, 0.8e6
    suction = state_at("R134a", low, saturation("R134a", pressure_pa=low).temperature_k, side="vapour")
    discharge = compressed("R134a", suction, high)
    found = cycle(
        "R134a", low, high, suction.temperature_k, saturation("R134a", pressure_pa=high).temperature_k,
        discharge_k=discharge.temperature_k,
    )  # fmt: skip
    assert found.work / 1e3 == pytest.approx(275.39 - 239.16, abs=0.05)
    assert 0.05 * found.cooling / 1e3 == pytest.approx(7.18, abs=0.006)
    assert 0.05 * found.work / 1e3 == pytest.approx(1.81, abs=0.006)
    assert found.coefficient_of_performance == pytest.approx(3.97, abs=0.006)
    assert found.valve == state_at_enthalpy("R134a", low, found.liquid.enthalpy)


@pytest.mark.parametrize(
    ("celsius", "pascal"),
    [(10.0, 1228.199), (30.0, 4246.971), (50.0, 12351.95), (80.0, 47414.47), (25.0, 3169.7), (5.0, 872.6)],
)
def test_water_boils_where_published(celsius, pascal):
    """IAPWS-95 (R6-95(2018)); 25 and 5 degC: ASHRAE Handbook Fundamentals 2017, ch. 1, Table 3; 0.03 %."""
    assert saturation("Water", temperature_k=celsius + 273.15).pressure_pa == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(
    ("micron", "celsius", "phase"),
    [
        (500.0, -24.48, "ice-vapour"),
        (1000.0, -17.31, "ice-vapour"),
        (5000.0, 1.20, "liquid-vapour"),
        (10000.0, 11.23, "liquid-vapour"),
    ],
)
def test_water_in_deep_vacuum_is_ice(micron, celsius, phase):
    """IAPWS R14-08(2011) below the triple point, IAPWS-95 above; a micron is 0.133322 Pa."""
    found = saturation("Water", pressure_pa=micron * 0.133322387415)
    assert found.phase == phase
    assert found.temperature_k - 273.15 == pytest.approx(celsius, abs=0.05)


@pytest.mark.parametrize(("celsius", "pascal"), [(-20.0, 103.24), (-5.0, 401.74)])
def test_vapour_over_ice_is_not_that_over_cold_liquid(celsius, pascal):
    """ASHRAE Handbook Fundamentals 2017, ch. 1, Table 3, 0.03 %."""
    assert saturation("Water", temperature_k=celsius + 273.15).pressure_pa == pytest.approx(pascal, rel=3e-4)
