"""Readings that no instrument in order makes."""

import math
import random

import numpy as np
import pytest

from baytrace.journal.chain import Columns
from baytrace.journal.interpreting import interpret
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter, standard_pressure
from baytrace.measure.reading import Quality, Raw, usable
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for


def channel(role, unit, accuracy):
    return Channel(str(role), role, unit_for(role, unit), Accuracy.parse(accuracy, unit=unit_for(role, unit)))


VACUUM = channel(Role.SYSTEM_PRESSURE, "micron", "10 % of reading + 1 micron")
LOW = channel(Role.LOW_SIDE, "bar", "1 % of full scale (35 bar)")
AIR = channel(Role.AMBIENT_AIR, "degC", "1 K")
DAMP = channel(Role.AMBIENT_HUMIDITY, "%RH", "3 %RH")
BAROMETER = channel(Role.BAROMETER, "hPa", "1 hPa")
OHM = channel(Role.COIL_RESISTANCE, "ohm", "0.5 % of reading + 0.02 ohm")
ALL = (VACUUM, LOW, AIR, DAMP, BAROMETER, OHM)


@pytest.mark.parametrize(
    ("measured", "value", "sound"),
    [
        (VACUUM, 0.0, True),
        (VACUUM, -0.9, True),
        (VACUUM, -1.1, False),
        (LOW, -1.013, True),
        (LOW, -1.4, True),
        (LOW, -1.42, False),
        (AIR, -273.15, True),
        (AIR, -275.0, False),
        (DAMP, 102.9, True),
        (DAMP, 103.5, False),
        (DAMP, -3.5, False),
        (BAROMETER, 1013.0, True),
        (BAROMETER, 101_325.0, False),
        (BAROMETER, 10.13, False),
        (OHM, -0.3, True),
        (OHM, math.inf, True),
    ],
)
def test_what_no_quantity_can_have_is_an_instrument_fault(measured, value, sound):
    """A channel's own limit of error, and the weather for a gauge pressure, come off first; what is left is kept and not used."""
    reading = Interpreter([measured]).reading(Raw(measured.name, value, 1, 1))
    assert usable(reading.quality) is sound
    assert bool(reading.quality & Quality.IMPOSSIBLE) is not sound
    assert math.isfinite(reading.value) is math.isfinite(value)


def test_gauge_transmitter_on_an_empty_loop_is_no_fault():
    """At any usual height and air pressure a loop under vacuum reads about minus the atmosphere, and that stays usable."""
    for elevation in (None, -50.0, 0.0, 1600.0):
        for weather in (-4000.0, 0.0, 4000.0):
            air = standard_pressure(elevation or 0.0) + weather
            reading = Interpreter([LOW], elevation_m=elevation).reading(Raw("low_side", -air / 1e5, 1, 1))
            assert usable(reading.quality), (elevation, weather)


def test_barometer_in_the_wrong_unit_sets_no_atmosphere():
    """Hectopascals read as kilopascals are no air pressure: gauge readings go on from the standard atmosphere, and say so."""
    interpreter = Interpreter([channel(Role.BAROMETER, "kPa", "1 hPa"), LOW])
    interpreter.reading(Raw("barometer", 1013.0, 1, 1))
    reading = interpreter.reading(Raw("low_side", 0.0, 2, 2))
    assert reading.value == 101_325.0
    assert reading.quality & Quality.NO_ATMOSPHERE


@pytest.mark.parametrize("seed", range(5))
def test_columns_and_single_readings_are_flagged_alike(seed):
    """Played again many at a time the same readings have the same values and flags, to the bit."""
    rng = random.Random(seed)
    draws = {VACUUM: (-3, 3), LOW: (-1.6, 3), AIR: (-280, 60), DAMP: (-10, 110), BAROMETER: (100, 1300), OHM: (-1, 20)}
    raws = []
    for step in range(400):
        measured = rng.choice(ALL)
        value = rng.choice([rng.uniform(*draws[measured]), rng.uniform(*draws[measured]), math.nan, -math.inf])
        raws.append(Raw(measured.name, value, step * 1_000_000, step * 1_000_000))
    single, many = Interpreter(ALL), Interpreter(ALL)
    singly = [single.reading(raw) for raw in raws]
    numbers = {each.name: place for place, each in enumerate(ALL)}
    stamps = [raw.wall_ns for raw in raws]
    columns = Columns.of(
        [numbers[raw.channel] for raw in raws], stamps, stamps, [raw.value for raw in raws], [0] * len(raws)
    )
    read, strangers = interpret(many, columns, lambda version: ALL[version].name)
    assert strangers == 0
    for each in read:
        for place, value, quality in zip(each.places, each.value, each.quality, strict=True):
            assert singly[place].quality == quality
            assert np.float64(singly[place].value).tobytes() == value.tobytes() or math.isnan(value)
    assert many.state() == single.state()
    assert any(reading.quality & Quality.IMPOSSIBLE for reading in singly)
