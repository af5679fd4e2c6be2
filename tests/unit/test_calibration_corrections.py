"""Corrections are applied once, on the way to SI, and survive being kept."""

import math
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for


def test_calibration_table_is_straight_between_its_points_and_flat_beyond():
    """Corrections are added at the instrument's own readings."""
    calibration = Calibration(table=((0.0, 0.1), (10.0, 0.3), (20.0, -0.1)))
    for raw, corrected in ((-5.0, -4.9), (0.0, 0.1), (5.0, 5.2), (10.0, 10.3), (15.0, 15.1), (25.0, 24.9)):
        assert calibration.corrected(raw) == pytest.approx(corrected)


@given(st.floats(-1e4, 1e4), st.floats(0.9, 1.1), st.floats(-5.0, 5.0))
def test_calibration_without_table_is_gain_and_offset(raw, gain, offset):
    """The simplest correction is a gain and an offset in the channel's own unit."""
    assert Calibration(gain=gain, offset=offset).corrected(raw) == raw * gain + offset


def test_calibration_survives_being_kept():
    """What is written into a session reads back the same."""
    calibration = Calibration(
        date(2026, 1, 2), date(2027, 1, 2), "C-77", 1.01, -0.2, ((1.0, 0.5), (2.0, 0.25)), 0.05, "lab"
    )
    assert Calibration.from_json(calibration.to_json()) == calibration
    assert Calibration.from_json({}) == Calibration()


@pytest.mark.parametrize(
    "wrong",
    [
        {"gain": 0.0},
        {"gain": math.nan},
        {"offset": math.inf},
        {"uncertainty": -0.1},
        {"table": ((1.0, 0.0), (1.0, 0.1))},
        {"calibrated": date(2026, 2, 1), "due": date(2026, 1, 1)},
    ],
)
def test_calibration_that_cannot_be_applied_is_refused(wrong):
    """A correction that would destroy readings never gets into a channel."""
    with pytest.raises(BadInput):
        Calibration(**wrong)


def test_calibration_correction_leaves_the_raw_reading_alone_and_adds_its_uncertainty():
    """The interpreter corrects towards SI; the raw value stays what the instrument sent."""
    calibration = Calibration(gain=1.0, offset=-0.3, uncertainty=0.1)
    unit = unit_for(Role.COIL_RESISTANCE, "ohm")
    channel = Channel("coil", Role.COIL_RESISTANCE, unit, Accuracy.parse("0 ohm"), calibration=calibration)
    raw = Raw("coil", 14.5, 0, 0)
    assert Interpreter([channel]).reading(raw).value == pytest.approx(14.2)
    assert raw.value == 14.5
    assert channel.standard_uncertainty(14.2) == pytest.approx(0.1)
