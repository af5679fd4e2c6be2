"""Probes and copper against published tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.physics.coils import refer, winding_temperature
from baytrace.physics.probes import pt100_celsius, pt100_ohm, type_k_celsius, type_k_millivolt


@pytest.mark.parametrize(
    ("celsius", "ohm", "tolerance"),
    [  # IEC 60751:2008/2022, table; the last rows from its closed form
        (-200.0, 18.52, 6e-4),
        (-70.0, 72.335, 6e-4),
        (0.0, 100.0, 1e-9),
        (50.0, 119.397, 6e-4),
        (100.0, 138.505, 6e-4),
        (850.0, 390.481, 6e-4),
        (-40.0, 84.2707, 6e-5),
        (-20.0, 92.1599, 6e-5),
        (60.0, 123.2419, 6e-5),
        (120.0, 146.068, 6e-5),
    ],
)
def test_probes_pt100_is_the_standard_table(celsius, ohm, tolerance):
    """Resistance as printed, and back to the temperature."""
    assert pt100_ohm(celsius) == pytest.approx(ohm, abs=tolerance)
    assert pt100_celsius(pt100_ohm(celsius)) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(
    ("celsius", "millivolt"),
    [  # NIST ITS-90 database (Monograph 175) = IEC 60584-1:2013, to 0.001 mV
        (-200.0, -5.891),
        (-40.0, -1.527),
        (-20.0, -0.778),
        (0.0, 0.0),
        (20.0, 0.798),
        (42.0, 1.694),
        (60.0, 2.436),
        (80.0, 3.267),
        (200.0, 8.138),
        (300.0, 12.209),
        (400.0, 16.397),
    ],
)
def test_probes_type_k_is_the_reference_function(celsius, millivolt):
    """Voltage as printed, and back to the temperature."""
    assert type_k_millivolt(celsius) == pytest.approx(millivolt, abs=6e-4)
    assert type_k_celsius(type_k_millivolt(celsius)) == pytest.approx(celsius, abs=1e-6)


def test_probes_cold_junction_adds_voltages_not_temperatures():
    """ITS-90: 1.638 mV with the junction at 20 degC is 60.0 degC; adding temperatures would give 60.64."""
    assert type_k_celsius(1.638, 20.0) == pytest.approx(60.0, abs=0.03)


@given(st.floats(-200.0, 850.0))
def test_probes_pt100_and_back_is_the_same_temperature(celsius):
    """The inverse undoes the function over the whole range."""
    assert pt100_celsius(pt100_ohm(celsius)) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: pt100_ohm(900.0),
        lambda: pt100_celsius(5.0),
        lambda: pt100_celsius(9999.0),
        lambda: type_k_millivolt(1400.0),
        lambda: type_k_celsius(99.0),
    ],
)
def test_probes_outside_their_range_are_refused(call):
    """No extrapolation beyond the standard's range."""
    with pytest.raises(BadInput):
        call()


@pytest.mark.parametrize(
    ("celsius", "ratio"),
    [(60.0, 1.1572), (80.0, 1.2358), (0.0, 0.9214)],  # IEC 60028:1925, alpha_20 = 0.00393 per K: arithmetic
)
def test_coils_copper_line_is_iec_60028(celsius, ratio):
    """R(t)/R(20) of annealed copper."""
    assert refer(1.0, 20.0, celsius).ohm == pytest.approx(ratio, rel=1e-9)
    assert refer(ratio, celsius).ohm == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "ratio"),
    [(60.0, 1.157170923379175), (-10.0, 0.8821218074656189), (100.0, 1.3143418467583496)],  # rule 234.5, IEEE 118
)
def test_coils_copper_rules_of_the_trade_agree_within_the_stated_coefficient(celsius, ratio):
    """The 234.5 rule lies within twice the uncertainty allowed for copper's coefficient."""
    referred = refer(1.0, 20.0, celsius)
    assert abs(referred.ohm - ratio) <= 2.0 * referred.from_coefficient


def test_coils_hot_reading_comes_back_to_twenty_degrees():
    """14.20 ohm at 85 degC is 11.31 ohm at 20 degC (234.5 rule: 11.3111)."""
    assert refer(14.20, 85.0).ohm == pytest.approx(11.3111, rel=0.002)


def test_coils_winding_temperature_by_resistance():
    """IEC 60034-1 resistance method: 4.000 ohm at 20 degC and 4.900 ohm hot is 77.26 degC (234.5 rule)."""
    assert winding_temperature(4.0, 20.0, 4.9) == pytest.approx(77.2625, abs=0.05)


@given(st.floats(0.1, 100.0), st.floats(-40.0, 150.0), st.floats(-40.0, 150.0))
def test_coils_referring_there_and_back_is_the_same(ohm, celsius, reference):
    """Referring to another temperature and back gives the reading again."""
    there = refer(ohm, celsius, reference)
    assert refer(there.ohm, reference, celsius).ohm == pytest.approx(ohm, rel=1e-12)


@pytest.mark.parametrize(("celsius", "reference"), [(300.0, 20.0), (20.0, -80.0)])
def test_coils_outside_copper_line_are_refused(celsius, reference):
    """A temperature no coil can have is an error, not a number."""
    with pytest.raises(BadInput):
        refer(14.0, celsius, reference)
