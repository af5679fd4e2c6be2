"""Raw readings to SI."""

import math

import pytest

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Quality, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for


def channel(name, role, unit, **more):
    return Channel(name, role, unit_for(role, unit), Accuracy.parse("1 % of reading"), **more)


def test_gauge_pressure_is_made_absolute_by_the_barometer():
    """The newest barometer reading is what a gauge reading counts from."""
    interpreter = Interpreter([channel("low", Role.LOW_SIDE, "psi"), channel("air", Role.BAROMETER, "hPa")])
    interpreter.reading(Raw("air", 950.0, 1, 1))
    reading = interpreter.reading(Raw("low", 30.0, 2, 2))
    assert reading.value == pytest.approx(30 * 6894.757293 + 95_000.0)
    assert not reading.quality & Quality.NO_ATMOSPHERE


def test_without_barometer_or_elevation_the_assumption_shows():
    """A gauge reading on the standard atmosphere says so in its quality."""
    reading = Interpreter([channel("low", Role.LOW_SIDE, "bar")]).reading(Raw("low", 2.0, 1, 1))
    assert reading.value == pytest.approx(301_325.0)
    assert reading.quality & Quality.NO_ATMOSPHERE


def test_elevation_gives_the_standard_atmosphere_there():
    """ISO 2533:1975, table 5: 84 556 Pa at 1500 m geopotential (84 560 Pa geometric, as 1500 m of site elevation)."""
    interpreter = Interpreter([channel("low", Role.LOW_SIDE, "bar")], elevation_m=1500.0)
    assert interpreter.reading(Raw("low", 0.0, 1, 1)).value == pytest.approx(84_560.0, abs=2.0)


def test_vacuum_counts_down_from_the_atmosphere():
    """25 inHg of vacuum at 101 325 Pa leaves 16 665 Pa (conventional inHg, 3386.389 Pa)."""
    interpreter = Interpreter([channel("low", Role.LOW_SIDE, "inHg vac")])
    assert interpreter.reading(Raw("low", 25.0, 1, 1)).value == pytest.approx(101_325.0 - 25 * 3386.389, abs=0.1)


def test_a_correction_leaves_the_raw_reading_alone():
    """Calibration acts on the way to SI."""
    corrected = channel("t", Role.VENT_AIR, "degC", calibration=Calibration(gain=1.02, offset=-0.5))
    assert Interpreter([corrected]).reading(Raw("t", 10.0, 1, 1)).value == pytest.approx(273.15 + 10.2 - 0.5)


def test_a_stepped_wall_clock_bends_no_span():
    """Once anchored, readings are timed by the monotonic clock."""
    interpreter = Interpreter([channel("t", Role.VENT_AIR, "degC")])
    interpreter.anchor(1_000_000, 0)
    first = interpreter.reading(Raw("t", 1.0, 1_000_000, 0))
    second = interpreter.reading(Raw("t", 1.0, 1_000_000 - 3600 * 10**9, 10**9))
    assert second.time_ns - first.time_ns == 10**9


def test_a_new_boot_never_goes_back_in_time():
    """Anchoring behind what was seen goes on from there."""
    interpreter = Interpreter([channel("t", Role.VENT_AIR, "degC")])
    interpreter.anchor(10**12, 0)
    last = interpreter.reading(Raw("t", 1.0, 0, 5 * 10**9)).time_ns
    interpreter.anchor(10**9, 77)
    assert interpreter.reading(Raw("t", 1.0, 0, 78)).time_ns > last


def test_state_goes_on_elsewhere_with_the_same_results():
    """A restored interpreter says the same as the one it came from."""
    channels = [channel("low", Role.LOW_SIDE, "psi"), channel("air", Role.BAROMETER, "hPa")]
    one = Interpreter(channels)
    one.anchor(10**18, 5)
    one.reading(Raw("air", 987.6, 0, 10))
    other = Interpreter(channels)
    other.restore(one.state())
    raw = Raw("low", 31.7, 0, 99)
    assert one.reading(raw) == other.reading(raw)


def test_not_a_number_is_never_usable():
    """NaN keeps its place and says what it is."""
    reading = Interpreter([channel("t", Role.VENT_AIR, "degC")]).reading(Raw("t", math.nan, 1, 1))
    assert reading.quality & Quality.NOT_A_NUMBER
    assert not Quality(reading.quality).usable
