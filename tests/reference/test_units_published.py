"""The factors of every unit against a units library that is kept by others (pint, whose definitions cite NIST SP 811 and CODATA)."""

import pint
import pytest

from baytrace.measure.units import known_units, parse_unit

SAID_THERE = {
    "mTorr": "millitorr",
    "micron": "1e-3 * mmHg",
    "cmHg": "10 * mmHg",
    "kgf/cm2": "kgf / cm**2",
    "oz": "ounce",
    "lb": "pound",
    "mohm": "milliohm",
    "kohm": "kiloohm",
    "Mohm": "megaohm",
    "%RH": "percent",
    "1": "count",
    "Torr": "torr",
}


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize("text", known_units())
def test_a_unit_leads_to_si_as_the_library_has_it(registry, text):
    """Two values in each unit come out in SI as the library says, to 1e-12."""
    expression, unit = SAID_THERE.get(text, text), parse_unit(text)
    for value in (1.0, 250.0):
        if text in ("degC", "degF", "K"):
            there = registry.Quantity(value, expression).to("kelvin").magnitude
        else:
            there = value * registry.parse_expression(expression).to_base_units().magnitude
        assert unit.to_si(value) == pytest.approx(there, rel=1e-12)
