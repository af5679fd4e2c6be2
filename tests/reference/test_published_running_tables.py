"""A preset made of a maker's published running table judges readings inside it as normal.

Source of the figures: Nissan, 2010 R35 electronic service manual, heater and air conditioning, test reading (R134a): recirculating
to discharge air temperature, and ambient air temperature to operating pressure. Shade; doors shut, windows open, hood open;
coldest, face vents, recirculation, blower fastest; engine idling, after ten minutes.
"""

import pytest

from baytrace.bench.presets import preset_faults
from baytrace.measure.verdict import Outcome
from baytrace.watches.running.figures import Loop, Value
from baytrace.watches.running.own_conditions import Conditions
from baytrace.watches.running.own_settings import MakersTable
from baytrace.watches.running.own_table import judge_table

TABLE = {
    "source": "Nissan, 2010 R35 electronic service manual, heater and air conditioning, test reading",
    "pressures": "kPa gauge",
    "speed": "idle",
    "doors": "shut",
    "air": "recirculation",
    "blower": "high",
    "also": "shade, windows and hood open, coldest, face vents, after ten minutes",
    "rows": [
        {"air_c": 20, "humidity": [0.5, 0.6], "vent_air": [6.0, 8.0]},
        {"air_c": 25, "humidity": [0.5, 0.6], "vent_air": [8.4, 10.9]},
        {"air_c": 30, "humidity": [0.5, 0.6], "vent_air": [14.5, 17.5]},
        {"air_c": 20, "humidity": [0.6, 0.7], "vent_air": [7.1, 9.1]},
        {"air_c": 25, "humidity": [0.5, 0.7], "low_side": [171, 209], "high_side": [1204, 1471]},
        {"air_c": 35, "humidity": [0.5, 0.7], "low_side": [229, 280], "high_side": [1500, 1820]},
    ],
}
MARKED = Conditions("idle", "shut", "recirculation", "high")
ATMOSPHERE = 101_325.0


def judged(air_c, humidity, low_kpa, high_kpa, vent_c):
    values = {
        "ambient_air": Value(air_c + 273.15, 0.05),
        "ambient_humidity": Value(humidity, 0.002),
        "low_side": Value(low_kpa * 1e3 + ATMOSPHERE, 1.5e3),
        "high_side": Value(high_kpa * 1e3 + ATMOSPHERE, 8e3),
        "vent_air": Value(vent_c + 273.15, 0.15),
    }
    return judge_table(MakersTable.model_validate(TABLE), MARKED, Loop(values))


def test_the_published_table_is_a_sound_preset():
    """`check` takes it as it was typed."""
    assert list(preset_faults({"car": {"plan": {"pressures": {"own_table": TABLE}}}})) == []


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
@pytest.mark.parametrize(
    ("air_c", "low", "high", "vent"),
    [(25, (171, 209), (1204, 1471), (8.4, 10.9)), (30, (200, 244.5), (1352, 1645.5), (14.5, 17.5))],
)
def test_readings_inside_the_published_ranges_are_normal(air_c, low, high, vent, share):
    """A quarter, half and three quarters of the way through each range; at 30 degC the pressures lie half way between two rows."""
    middle = [
        low[0] + share * (low[1] - low[0]),
        high[0] + share * (high[1] - high[0]),
        vent[0] + share * (vent[1] - vent[0]),
    ]
    found = judged(air_c, 0.55, *middle)
    assert (found.spoke, found.outcome) == (True, Outcome.PASS)


@pytest.mark.parametrize(
    ("readings", "quantity"),
    [((240, 1340, 9.6), "Low side"), ((190, 1600, 9.6), "High side"), ((190, 1340, 14.0), "Vent air")],
)
def test_readings_outside_are_not(readings, quantity):
    """One quantity well outside of its range at 25 degC fails the whole, and is named."""
    found = judged(25, 0.55, *readings)
    assert found.outcome is Outcome.FAIL
    assert any(sentence.startswith(quantity) and sentence.endswith("outside.") for sentence in found.sentences)


def test_beyond_its_last_air_each_part_falls_silent_by_itself():
    """At 35 degC and 60 % the pressures are judged, and the vent, whose table ends at 30 degC, is not."""
    found = judged(35, 0.6, 255, 1660, 20.0)
    assert (found.spoke, found.outcome) == (True, Outcome.PASS)
    assert any("goes from 20 to 30" in sentence for sentence in found.sentences)
