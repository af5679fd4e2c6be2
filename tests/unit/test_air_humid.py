"""Humid air and the table of expected vent temperatures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.physics.air import humid_air, humid_air_at_wet_bulb, table_value

TABLE = [[0.0, 20.0, 30.0], [0.2, 5.0, 7.0], [0.8, 8.0, 12.0]]


@given(st.floats(-30.0, 60.0), st.floats(0.01, 1.0), st.floats(70_000.0, 105_000.0))
def test_air_is_ordered(celsius, share, pascal):
    """Dew point, wet bulb and dry bulb come in this order, and the two-bulb way leads back to the same air."""
    air = humid_air(celsius + 273.15, share, pascal)
    assert air.dew_point_k <= air.wet_bulb_k + 0.05
    assert air.wet_bulb_k <= air.temperature_k + 1e-3
    if celsius > 2.0 and share < 0.98:
        again = humid_air_at_wet_bulb(air.temperature_k, air.wet_bulb_k, pascal)
        assert again.relative_humidity == pytest.approx(share, abs=2e-3)


@pytest.mark.parametrize(
    "wrong", [(400.0, 0.5, 101325.0), (300.0, 1.2, 101325.0), (300.0, -0.1, 101325.0), (300.0, 0.5, 10.0)]
)
def test_air_that_cannot_be_is_refused(wrong):
    """Temperature, humidity and pressure each have a range that is named."""
    with pytest.raises(BadInput):
        humid_air(*wrong)


def test_a_wet_bulb_above_the_dry_bulb_is_refused():
    """The two were swapped."""
    with pytest.raises(BadInput, match="which is which"):
        humid_air_at_wet_bulb(290.0, 295.0)


def test_the_vent_table_is_read_between_and_beyond_its_entries():
    """Straight lines between, held constant beyond the edges."""
    assert table_value(TABLE, 20.0, 0.2) == 5.0
    assert table_value(TABLE, 25.0, 0.5) == pytest.approx(8.0)
    assert table_value(TABLE, 50.0, 1.0) == 12.0
    assert table_value(TABLE, -5.0, 0.0) == 5.0


@pytest.mark.parametrize("table", [[[0.0]], [[0.0, 20.0], [0.2]], [[0.0, 30.0, 20.0], [0.2, 1.0, 2.0]]])
def test_a_broken_table_is_refused(table):
    """Not rectangular, empty, or not ascending."""
    with pytest.raises(BadInput):
        table_value(table, 25.0, 0.5)
