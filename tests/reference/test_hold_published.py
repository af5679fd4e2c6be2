"""The hold's arithmetic against published values; each figure's source stands beside it."""

import numpy as np
import pytest

from baytrace.physics import leak, moisture
from baytrace.physics.variable_projection import fit_rise, straight_line

# NIST StRD, nonlinear regression, dataset Misra1a: y = b1 (1 - exp(-b2 x)). Data and certified values from Misra1a.dat.
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
# NIST StRD, nonlinear regression, dataset BoxBOD, the same model ("higher level of difficulty").
BOXBOD_Y = [109.0, 149.0, 149.0, 191.0, 213.0, 224.0]
BOXBOD_X = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0]
# NIST StRD, linear regression, dataset Norris.
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8
888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""


@pytest.mark.parametrize(
    ("x", "y", "height", "rate", "height_deviation", "rate_deviation", "squares"),
    [
        (MISRA1A_X, MISRA1A_Y, 2.3894212918e2, 5.5015643181e-4, 2.7070075241, 7.2668688436e-6, 1.2455138894e-1),
        (BOXBOD_X, BOXBOD_Y, 2.1380940889e2, 5.4723748542e-1, 1.2354515176e1, 1.0455993237e-1, 1.1680088766e3),
    ],
    ids=["Misra1a", "BoxBOD"],
)
def test_hold_rise_reaches_certified_values(x, y, height, rate, height_deviation, rate_deviation, squares):
    """The levelling-off curve is fitted to six certified digits with no start given by hand."""
    found = fit_rise(np.array(x), np.array(y), offset=False, slope=False)
    assert found.height == pytest.approx(height, rel=1e-6)
    assert 1.0 / found.time == pytest.approx(rate, rel=1e-6)
    assert found.squares == pytest.approx(squares, rel=1e-7)
    assert found.deviations["height"] == pytest.approx(height_deviation, rel=1e-4)
    # the deviation of 1/tau from that of tau, to first order
    assert found.deviations["time"] / found.time**2 == pytest.approx(rate_deviation, rel=1e-4)


def test_hold_line_reaches_certified_values():
    """The straight line is fitted to the certified digits of Norris."""
    table = np.array(NORRIS.split(), dtype=float).reshape(-1, 2)
    line = straight_line(table[:, 1], table[:, 0])
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope_deviation == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.intercept_deviation == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.residual_deviation == pytest.approx(0.884796396144373, rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "pascal", "source"),
    [
        (0.01, 611.6548, "IAPWS R6-95(2018), computed from IAPWS-95"),
        (10.0, 1228.199, "IAPWS R6-95(2018), computed from IAPWS-95"),
        (25.0, 3169.7, "ASHRAE Handbook Fundamentals 2017, ch. 1, table 3"),
        (50.0, 12351.3, "ASHRAE Handbook Fundamentals 2017, ch. 1, table 3"),
        (80.0, 47414.47, "IAPWS R6-95(2018), computed from IAPWS-95"),
        (-5.0, 401.74, "ASHRAE Handbook Fundamentals 2017, ch. 1, table 3, over ice"),
        (-20.0, 103.24, "ASHRAE Handbook Fundamentals 2017, ch. 1, table 3, over ice"),
    ],
)
def test_moisture_saturation_published(celsius, pascal, source):
    """Saturation over liquid and over ice agrees with the tables to their 300 ppm."""
    assert moisture.saturation_pressure(celsius + 273.15) == pytest.approx(pascal, rel=3e-4), source


def test_moisture_ice_check_value():
    """IAPWS R14-08(2011), section 4: 8.94735 Pa at 230 K."""
    assert moisture.saturation_pressure(230.0) == pytest.approx(8.94735, abs=5e-5)


@pytest.mark.parametrize(
    ("pascal", "celsius", "within"),
    [
        (66.6612, -24.48, 0.01),  # 500 micron, IAPWS R14-08: ice; the liquid line would say -27.10
        (133.3224, -17.31, 0.01),  # 1000 micron, IAPWS R14-08: ice; the liquid line would say -19.29
        (666.6118, 1.20, 0.01),  # 5000 micron, IAPWS-95
        (3119.73, 24.73, 0.01),  # 29 inHg below 101325 Pa, IAPWS-95
    ],
)
def test_moisture_boiling_point_at_vacuum(pascal, celsius, within):
    """At deep vacuum condensed water is ice, and its temperature is that of ice."""
    assert moisture.saturation_temperature(pascal) - 273.15 == pytest.approx(celsius, abs=within)
    assert moisture.is_ice(pascal) is (pascal < 611.657)


def test_leak_units_published():
    """Throughput conversions: exact by the definitions of the units; R by CODATA 2018."""
    assert leak.mbar_l_s(0.1) == pytest.approx(1.0, rel=1e-12)
    assert leak.standard_cc_s(0.1, 293.15) == pytest.approx(0.919590961294487, rel=1e-9)
    assert leak.molar_flow(1.0, 293.15) == pytest.approx(4.102758145827826e-4, rel=1e-9)


def test_leak_worked_rate_of_rise():
    """The worked example: 500 to 800 micron in 10 min in 2.0 L is 1.33e-3 mbar L/s, 176 g a year counted as R134a at 20 degC."""
    micron = 0.133322387415  # Pa, NIST SP 811 (mmHg / 1000)
    flow = 2.0e-3 * 300.0 * micron / 600.0
    assert leak.mbar_l_s(flow) == pytest.approx(0.00133322387415, rel=1e-9)
    gas = leak.refrigerant("R-134a")
    loss = leak.yearly_loss(flow, gas)
    assert loss.equal_throughput == pytest.approx(176.124, rel=1e-3)
    # laminar scaling to standing R134a at 20 degC: 48.69 with viscosities known to 3 %
    assert loss.laminar / loss.equal_throughput == pytest.approx(48.69, rel=0.05)


def test_leak_grams_a_year_published():
    """5 g a year of R134a at 20 degC is 3.785e-5 mbar L/s (ideal gas, 365.25 d)."""
    gas = leak.refrigerant("R134a")
    assert leak.grams_a_year(3.7848940005081167e-6, gas.molar_mass, 293.15) == pytest.approx(5.0, rel=1e-3)
    other = leak.refrigerant("R1234yf")
    assert leak.grams_a_year(0.1, other.molar_mass, 293.15) == pytest.approx(147_653.3, rel=1e-3)
