"""Trade units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.units import Against, known_units, parse_unit, unit_for


@pytest.mark.parametrize(
    ("text", "value", "si"),
    [
        # exact by definition: conventional mmHg 133.322387415 Pa (ISO 80000-4), psi from lbf and inch, bar, atm
        ("micron", 500.0, 66.6611937075),
        ("mmHg", 1.0, 133.322387415),
        ("psia", 14.6959487755, 101325.0),
        ("bara", 1.0, 1e5),
        ("kPa", 101.325, 101325.0),
        ("Torr", 760.0, 101325.0),
        # conventional inch of mercury at 0 degC: 3386.389 Pa (NIST SP 811, B.8)
        ("inHg", 1.0, 3386.389),
        ("degF", 68.0, 293.15),
        ("degF", -459.67, 0.0),
        ("degC", 20.0, 293.15),
        # avoirdupois ounce 28.349523125 g, pound 0.45359237 kg, exact (NIST SP 811)
        ("oz", 1.0, 0.028349523125),
        ("lb", 1.0, 0.45359237),
        ("%RH", 50.0, 0.5),
        ("kohm", 1.0, 1000.0),
    ],
)
def test_trade_units_mean_their_defined_si_values(text, value, si):
    """Each trade unit converts by its published definition."""
    assert parse_unit(text).to_si(value) == pytest.approx(si, rel=1e-6, abs=1e-9)


def test_micron_is_a_pressure_here():
    """A micron is a micrometre of mercury, not a length."""
    assert parse_unit("micron").quantity is Quantity.PRESSURE


@pytest.mark.parametrize(
    ("text", "against"),
    [
        ("kPa", Against.GAUGE),
        ("kPaa", Against.ABSOLUTE),
        ("psig", Against.GAUGE),
        ("psia", Against.ABSOLUTE),
        ("inHg vac", Against.VACUUM),
    ],
)
def test_a_suffix_says_what_a_pressure_counts_from(text, against):
    """Low side without a suffix is gauge; `a`, `g` and `vac` decide otherwise."""
    assert unit_for(Role.LOW_SIDE, text).against is against


def test_system_pressure_is_absolute():
    """A vacuum gauge's plain unit counts from zero."""
    assert unit_for(Role.SYSTEM_PRESSURE, "kPa").against is Against.ABSOLUTE


def test_an_unknown_unit_names_the_nearest():
    """A typing error gets one line with the likely spelling."""
    with pytest.raises(BadInput, match="did you mean 'micron'"):
        parse_unit("micorn")


def test_a_unit_of_another_quantity_is_refused():
    """A temperature channel cannot count in psi."""
    with pytest.raises(BadInput, match="measures pressure"):
        unit_for(Role.VENT_AIR, "psi")


@given(st.sampled_from(known_units()), st.floats(-1e6, 1e6))
def test_units_convert_both_ways(text, value):
    """`from_si` undoes `to_si` for every unit."""
    unit = parse_unit(text)
    assert math.isclose(unit.from_si(unit.to_si(value)), value, rel_tol=1e-9, abs_tol=1e-9)


def test_every_role_has_facts():
    """No role lacks its quantity and label."""
    assert set(FACTS) == set(Role)
